// Keeps the fleet page current: the server says that something changed, the rows come drawn from it.
"use strict";
(() => {
  const box = document.getElementById("rows");
  const live = document.getElementById("live");
  const QUIET_MS = 200;
  let everyMs = 1000; // a busy fleet changes many times a second, nobody reads that fast
  let serverMs = Number(box.dataset.now);
  let setAtMs = performance.now();
  let stream = null;
  let timer = null;
  let fetchedMs = -Infinity;
  let lost = false;

  const now = () => serverMs + performance.now() - setAtMs;
  const two = (n) => String(n).padStart(2, "0");
  const clock = (ms) => { const d = new Date(ms); return `${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}`; };
  const age = (ms) => {
    const s = Math.max(0, ms) / 1000;
    if (s < 90) return `${Math.floor(s)} s ago`;
    if (s < 5400) return `${Math.floor(s / 60)} min ago`;
    if (s < 172800) return `${Math.floor(s / 3600)} h ago`;
    return `${Math.floor(s / 86400)} days ago`;
  };
  const tell = () => {
    live.classList.toggle("off", lost);
    live.textContent = lost ? `not live: as of ${clock(serverMs)}, trying again` : `live · ${clock(now())}`;
  };
  const LAPSES_MS = 900000; // a page cut off this long claims nothing good any more
  const lapse = () => {
    if (now() - serverMs < LAPSES_MS) return;
    for (const word of box.querySelectorAll(".v-ok .verdict b, .v-watch .verdict b")) {
      word.textContent = "Not known: this page is old";
      while (word.nextSibling) word.nextSibling.remove();
    }
  };
  const tick = () => {
    lapse();
    for (const time of box.querySelectorAll("time[data-t]")) time.textContent = age(now() - Number(time.dataset.t));
    tell();
  };

  // Only what differs is replaced, so that a focused link stays focused.
  const merge = (html) => {
    const fresh = new DOMParser().parseFromString(html, "text/html").body;
    const same = [...fresh.children].map((n) => n.id || n.className).join() === [...box.children].map((n) => n.id || n.className).join();
    const rows = (root) => [...root.querySelectorAll("[id^=row-]")];
    // what somebody folded or opened stays so
    for (const place of fresh.querySelectorAll("details[id]")) {
      const old = document.getElementById(place.id);
      if (old) place.open = old.open;
    }
    const order = (root) => rows(root).map((row) => row.id).join();
    if (!same || order(fresh) !== order(box)) { box.replaceChildren(...fresh.childNodes); return; }
    for (const row of rows(fresh)) {
      const old = document.getElementById(row.id);
      if (old.innerHTML !== row.innerHTML || old.className !== row.className) old.replaceWith(row);
    }
    for (const [at, old] of box.querySelectorAll(".headline, .count, summary").entries()) {
      const head = fresh.querySelectorAll(".headline, .count, summary")[at];
      if (head && head.innerHTML !== old.innerHTML) old.innerHTML = head.innerHTML;
    }
  };
  const fetchRows = async () => {
    timer = null;
    fetchedMs = performance.now();
    try {
      const answer = await fetch(box.dataset.rows, { headers: { Accept: "text/html" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const html = await answer.text();
      everyMs = Math.max(1000, 10 * (performance.now() - fetchedMs)); // never more than a tenth of a slow link
      serverMs = Number(answer.headers.get("X-Now-Ms"));
      setAtMs = performance.now();
      lost = false;
      merge(html);
    } catch { lost = true; }
    tick();
  };
  const later = () => { if (timer === null) timer = setTimeout(fetchRows, Math.max(QUIET_MS, fetchedMs + everyMs - performance.now())); };

  const open = () => {
    if (stream !== null) return;
    stream = new EventSource(box.dataset.live);
    stream.onmessage = later;
    stream.onopen = () => { lost = false; later(); };
    stream.onerror = () => { lost = true; tell(); };
  };
  const close = () => { if (stream !== null) { stream.close(); stream = null; } };
  // A browser keeps few connections to one host: a page nobody looks at must not hold one.
  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else open(); });
  window.addEventListener("pagehide", close);
  setInterval(tick, 1000);
  setInterval(later, 60000); // silence is news too
  open();
})();
