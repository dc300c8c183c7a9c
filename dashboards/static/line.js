// The one stream of a phone page while somebody looks at it: what changes brings the page up to date, and a
// line that died is told in words. The page itself counts ages and lapses without this.
(() => {
  "use strict";
  const QUIET_MS = 2000, SILENT_MS = 40000, AGAIN_MS = 15000;
  const site = (location.pathname.match(/^\/camp\/([^/]+)/) || [])[1];
  const hook = () => document.getElementById("lapsed");
  if (!hook()) return;
  let stream = null, heardMs = Date.now(), triedMs = 0, deadMs = null, waiting = null, first = true;

  const two = (n) => String(n).padStart(2, "0");
  const tell = () => {
    let line = document.getElementById("line");
    if (deadMs === null) { if (line) line.remove(); return; }
    if (!line) {
      line = document.createElement("p");
      line.id = "line";
      line.className = "d";
      line.setAttribute("role", "status");
      hook().before(line);
    }
    const at = new Date(deadMs);
    const words = hook().dataset.dead.replace("{at}", `${two(at.getHours())}:${two(at.getMinutes())}`);
    if (line.textContent !== words) line.textContent = words;
  };
  const look = () => {
    if (waiting === null) waiting = setTimeout(() => { waiting = null; dispatchEvent(new Event("look")); }, QUIET_MS);
  };
  const ours = (data) => {
    const told = JSON.parse(data);
    return told.batches.length > 0 || told.units.some((card) => !site || card.site === decodeURIComponent(site));
  };
  const close = () => { if (stream) stream.close(); stream = null; };
  const lose = () => { if (deadMs === null) deadMs = heardMs; tell(); };
  const open = () => {
    if (stream || document.hidden) return;
    triedMs = Date.now();
    stream = new EventSource("/api/v1/live");
    const heard = () => { heardMs = Date.now(); };
    stream.onmessage = (event) => { heard(); if (ours(event.data)) look(); };
    stream.addEventListener("alive", heard);
    stream.onopen = () => { heard(); deadMs = null; tell(); if (!first) look(); first = false; };
    stream.onerror = () => { lose(); if (stream && stream.readyState === EventSource.CLOSED) close(); };
  };
  const tick = () => {
    if (stream && Date.now() - Math.max(heardMs, triedMs) > SILENT_MS) { lose(); close(); }
    if (!stream && Date.now() - triedMs > AGAIN_MS) open();
    tell();
  };
  // A browser keeps few connections to one host: a page nobody looks at holds none.
  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else open(); });
  addEventListener("pagehide", close);
  addEventListener("pageshow", (event) => { if (event.persisted) open(); });
  addEventListener("offline", () => { lose(); close(); });
  addEventListener("online", open);
  addEventListener("fresh", tell); // the page was drawn anew
  setInterval(tick, 5000);
  open();
})();
