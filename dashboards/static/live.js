// Keeps a page current: the server says that something changed, the page is fetched again and its parts are
// brought up to date; ages are counted here; a stream that died is told in words.
"use strict";
(() => {
  const line = document.getElementById("live");
  const said = line.dataset;
  const word = line.querySelector("[role=status]");
  const hand = line.querySelector("time");
  const QUIET_MS = 200;
  const SILENT_MS = 40000; // the server gives a sign every 15 s: without one the link is dead, whatever the browser says
  const LAPSES_MS = 900000; // a page cut off this long claims nothing good any more
  const AGAIN_MS = 5000;
  const units = said.units ? said.units.split(" ") : null;
  let everyMs = Number(said.every); // a busy fleet changes many times a second, nobody reads that fast
  let serverMs = Number(said.now);
  let setAtMs = performance.now();
  let stream = null;
  let timer = null;
  let fetchedMs = -Infinity;
  let triedMs = -Infinity;
  let heardMs = performance.now();
  let lostMs = null; // by the server's clock, null while live
  let first = true;

  const now = () => serverMs + performance.now() - setAtMs;
  const two = (n) => String(n).padStart(2, "0");
  const clock = (ms, s) => { // of the place the page is about, wherever whoever looks is
    const d = new Date(ms + Number(said.clock) * 60000);
    return `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}${s ? `:${two(d.getUTCSeconds())}` : ""}${said.zone}`;
  };
  const age = (ms) => {
    const s = Math.max(0, ms) / 1000;
    const [words, n] = s < 90 ? [said.s, s] : s < 5400 ? [said.min, s / 60] : s < 172800 ? [said.h, s / 3600] : [said.d, s / 86400];
    return words.replace("{n}", Math.floor(n));
  };
  const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
  const tell = () => {
    if (first && lostMs === null) return; // what the server wrote stands until the stream is there
    line.classList.toggle("off", lostMs !== null);
    put(word, lostMs === null ? said.live : said.dead.replace("{at}", clock(lostMs)));
    put(hand, lostMs === null ? clock(now(), true) : "");
  };
  const lapse = () => {
    if (now() - serverMs < LAPSES_MS) return;
    const good = ".v-ok .verdict b, .v-watch .verdict b, .verdict.v-ok b, .verdict.v-watch b, [data-good]";
    for (const claim of document.querySelectorAll(good)) put(claim, said.old);
  };
  const lose = () => { if (lostMs === null) lostMs = now() - (performance.now() - heardMs); };
  const tick = () => {
    if (stream !== null && performance.now() - heardMs > SILENT_MS) { lose(); close(); }
    if (stream === null && !document.hidden && performance.now() - triedMs > AGAIN_MS) open();
    for (const time of document.querySelectorAll("time[data-t]")) put(time, age(now() - Number(time.dataset.t)));
    lapse();
    tell();
  };

  // Only what differs is touched, so that a focused link stays focused and what was unfolded stays so.
  const kept = (node, name) => node.localName === "details" && name === "open";
  const alike = (a, b) => a.nodeName === b.nodeName && (a.id || "") === (b.id || "");
  const bring = (old, fresh) => {
    if (old.nodeType !== Node.ELEMENT_NODE) { if (old.nodeValue !== fresh.nodeValue) old.nodeValue = fresh.nodeValue; return; }
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name) && !kept(old, name)) old.removeAttribute(name);
    for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value && !kept(old, name)) old.setAttribute(name, value);
    const had = [...old.childNodes];
    const have = [...fresh.childNodes];
    if (had.length === have.length && had.every((node, at) => alike(node, have[at]))) { had.forEach((node, at) => bring(node, have[at])); return; }
    for (const box of fresh.querySelectorAll("details[id]")) {
      const before = document.getElementById(box.id);
      if (before) box.open = before.open;
    }
    const focused = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    old.replaceChildren(...have);
    if (focused !== null) old.querySelector(`a[href="${CSS.escape(focused)}"]`)?.focus();
  };
  const fetchPage = async () => {
    timer = null;
    fetchedMs = performance.now();
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const told = fresh.getElementById("live"); // not there: whoever looked has been logged out
      everyMs = Math.max(Number(said.every), 10 * (performance.now() - fetchedMs)); // never more than a tenth of a slow link
      serverMs = Number(told.dataset.now);
      setAtMs = performance.now();
      if (stream?.readyState === EventSource.OPEN) lostMs = null;
      for (const part of document.querySelectorAll("[data-part]")) {
        const newer = fresh.getElementById(part.id);
        if (newer !== null) bring(part, newer);
      }
      document.dispatchEvent(new CustomEvent("fresh", { detail: fresh }));
    } catch { lose(); }
    tick();
  };
  const later = () => {
    if (timer === null && !document.hidden) timer = setTimeout(fetchPage, Math.max(QUIET_MS, fetchedMs + everyMs - performance.now()));
  };
  const concerns = (data) => {
    if (units === null) return true;
    const told = JSON.parse(data);
    return told.batches.length > 0 || told.units.some((card) => units.includes(card.unit));
  };

  const open = () => {
    if (stream !== null || document.hidden) return;
    triedMs = performance.now();
    if (first) heardMs = triedMs;
    stream = new EventSource(said.stream);
    const heard = () => { heardMs = performance.now(); };
    stream.onmessage = (event) => { heard(); if (concerns(event.data)) later(); };
    stream.addEventListener("alive", heard);
    stream.onopen = () => {
      heard();
      lostMs = null;
      if (!first) later(); // the first stream begins where the page was made
      first = false;
      tell();
    };
    stream.onerror = () => { lose(); if (stream?.readyState === EventSource.CLOSED) close(); tell(); };
  };
  const close = () => { if (stream !== null) { stream.close(); stream = null; } };
  // A browser keeps few connections to one host: a page nobody looks at must not hold one.
  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else { open(); tick(); } });
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", (event) => { if (event.persisted) open(); });
  window.addEventListener("offline", () => { lose(); close(); tell(); });
  window.addEventListener("online", open);
  setInterval(tick, 1000);
  setInterval(later, 60000); // silence is news too
  open();
})();
