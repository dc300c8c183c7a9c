// Ages count on, by this phone's own clock, from when the page was made or taken down; what grows old lapses: every
// verdict then is not known. Everything else a page can do is fetched once it can be read.
(()=>{let d=document,q=x=>[...d.querySelectorAll(x)],M=()=>q("main")[0].dataset,s,
S=()=>{s=+M().kept||Date.now();L()},
L=()=>{let z=q("#lapsed")[0],o=Date.now()-s,n=+M().now+o,g=z.dataset.ago.split("|"),u=z.dataset.not;
q("#kept")[0].hidden=!M().kept;
q("[data-t]").forEach(e=>{let a=Math.max(0,n-e.dataset.t)/1e3,
[i,v]=a<90?[0,a]:a<5400?[1,a/60]:a<172800?[2,a/3600]:[3,a/86400];e.textContent=g[i].replace("#",v|0)});
if((o>9e5||o<-6e4)&&z.hidden){z.hidden=0;
q(".ok ol,.watch ol,.ok .y,.watch .y,.ok .m,.watch .m").forEach(e=>e.style.display="none");
q(".w b").forEach(e=>e.textContent=e.closest(".ok,.watch")?u:u+` (${e.textContent})`);
q(".v,section.ok h2").forEach(e=>e.textContent=u);
q("option[data-n]").forEach(e=>e.textContent=e.dataset.n+": "+u)}},
o=d.currentScript.dataset.o;
S();setInterval(L,1e4);addEventListener("fresh",S);
d.addEventListener("visibilitychange",L);
if(o)addEventListener("load",()=>(self.requestIdleCallback||setTimeout)(()=>o.split(" ").map(u=>{let e=d.createElement("script");e.src=u;d.head.append(e)})))})()
