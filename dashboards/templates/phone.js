// Ages count on; every minute the page is fetched again; while a form is open only what got worse is told;
// without an answer it lapses.
(()=>{let d=document,s=Date.now(),q=x=>d.querySelectorAll(x),L=()=>{
let m=q("main")[0],n=+m.dataset.now+Date.now()-s;
q("[data-t]").forEach(e=>{let a=Math.max(0,n-e.dataset.t)/1e3;
e.textContent=(a<90?(a|0)+" s":a<5400?(a/60|0)+" min":a<172800?(a/3600|0)+" h":(a/86400|0)+" days")+" ago"});
if(Date.now()-s>9e5){q("#lapsed")[0].hidden=false;q(".ok ol,.watch ol").forEach(e=>e.hidden=true);
q(".ok .w b,.watch .w b").forEach(e=>e.textContent="Not known")}};
setInterval(L,1e4);
let B=x=>x.querySelectorAll("article.hold,.not li").length+2*x.querySelectorAll("article.discard_advised").length;
setInterval(()=>{if(d.hidden)return;
fetch(location.pathname).then(r=>r.ok?r.text():Promise.reject()).then(t=>{
let b=new DOMParser().parseFromString(t,"text/html").body;
if(q("details[open]").length)q("#worse").forEach(e=>e.hidden=B(b)<=B(d));
else{d.body.innerHTML=b.innerHTML;s=Date.now()}}).catch(()=>0)},6e4)})()
