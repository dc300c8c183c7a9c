// Ages count on, by this phone's own clock, from when the page was made or taken down; every minute the page is
// fetched again; while a form is open only what got worse is told; without an answer every verdict lapses.
(()=>{let d=document,q=(x,y=d)=>[...y.querySelectorAll(x)],M=()=>q("main")[0].dataset,s,
S=()=>{s=+M().kept||Date.now()},
L=()=>{let z=q("#lapsed")[0],o=Date.now()-s,n=+M().now+o,g=z.dataset.ago.split("|"),u=z.dataset.not;
q("#kept").forEach(e=>e.hidden=!M().kept);
q("[data-t]").forEach(e=>{let a=Math.max(0,n-e.dataset.t)/1e3,
[i,v]=a<90?[0,a]:a<5400?[1,a/60]:a<172800?[2,a/3600]:[3,a/86400];e.textContent=g[i].replace("#",v|0)});
if((o>9e5||o<-6e4)&&z.hidden){z.hidden=false;
q(".ok ol,.watch ol,.ok .y,.watch .y,.ok .m,.watch .m").forEach(e=>e.hidden=e.style.display="none");
q(".w b").forEach(e=>e.textContent=e.closest(".ok,.watch")?u:u+" ("+e.textContent+")");
q(".v,section.ok h2").forEach(e=>e.textContent=u);
q("option[data-n]").forEach(e=>e.textContent=e.dataset.n+": "+u)}},
B=x=>q("article.hold,.not li",x).length+2*q("article.discard_advised",x).length,
R=()=>{d.hidden||M().still!=null||fetch(location.pathname).then(r=>r.ok&&!r.redirected?r.text():Promise.reject()).then(t=>{
let b=new DOMParser().parseFromString(t,"text/html").body;
if(q("details[open]").length)q("#worse").forEach(e=>e.hidden=B(b)<=B(d));
else{d.body.innerHTML=b.innerHTML;S();L();dispatchEvent(new Event("fresh"))}}).catch(()=>0)},
o=d.currentScript.dataset.o;
S();L();setInterval(L,1e4);setInterval(R,6e4);addEventListener("look",R);addEventListener("online",R);
d.addEventListener("visibilitychange",L);
if(o)addEventListener("load",()=>(self.requestIdleCallback||setTimeout)(()=>o.split(" ").map(u=>{let e=d.createElement("script");e.src=u;d.head.append(e)})))})()
