// What a person says on this phone is kept here until the service has it, and is sent once: every word has a
// key of its own, and one that comes twice is written down once. Without a connection the forms work as ever.
(() => {
  "use strict";
  const TAKEN = /^\/(units\/[^/]+\/(state|check)|camp\/[^/]+\/(add|check)|(batches|notices)\/\d+\/say)$/;
  const AT_ONCE = /^\/units\/[^/]+\/release$/;
  const EVERY_MS = 15e3, PATIENCE_MS = 15e3, KEEP_EVERY_MS = 6e5;
  const doc = document;
  let kit = remembered("kit"), words = [], memory = new Map(), turn = Promise.resolve(), leaving = false, said = "";
  let bar = null;
  // Where the service leads on to from each word it took, whichever turn sent it.
  const ways = new Map();

  // Small things that need no order: what the service told last, and when pages were kept.
  function remembered(name) {
    try { return JSON.parse(localStorage.getItem(`bushlarder-${name}`)); } catch { return null; }
  }
  function remember(name, value) {
    try { localStorage.setItem(`bushlarder-${name}`, JSON.stringify(value)); } catch { /* a full or shut store */ }
  }

  // The words themselves, in the phone's own database; in memory where there is none.
  const database = new Promise((done) => {
    try {
      const asked = indexedDB.open("bushlarder-outbox", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("words", { keyPath: "key" });
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => done(null);
    } catch { done(null); }
  });
  async function stored(act) {
    const base = await database;
    if (!base) return null;
    return new Promise((done, failed) => {
      const turn = base.transaction("words", "readwrite", { durability: "strict" });
      const asked = act(turn.objectStore("words"));
      turn.oncomplete = () => done(asked.result);
      turn.onerror = turn.onabort = () => failed(turn.error);
    });
  }
  async function put(word) {
    try { if (await stored((s) => s.put(word)) !== null) return void memory.delete(word.key); } catch { /* full */ }
    memory.set(word.key, word);
  }
  async function drop(word) {
    memory.delete(word.key);
    await stored((s) => s.delete(word.key));
  }
  async function load() {
    const found = (await stored((s) => s.getAll())) || [];
    words = [...found, ...memory.values()].sort((a, b) => a.said - b.said);
  }

  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }
  function textOf(label) {
    return [...label.childNodes].filter((n) => n.nodeType === 3).map((n) => n.textContent.trim()).join(" ").trim();
  }
  function about(form, button) {
    const unit = form.querySelector("select[name=unit]");
    const chosen = unit && unit.value ? unit.selectedOptions[0].dataset.n || unit.selectedOptions[0].text : "";
    const heading = (form.closest("article") || doc).querySelector("h1,h2") || doc.querySelector("h1");
    return [chosen || heading.textContent, button ? button.textContent : ""].filter(Boolean).join(": ");
  }
  // A button may lead elsewhere than its form.
  function pathOf(form, button) {
    return new URL(button && button.hasAttribute("formaction") ? button.formAction : form.action).pathname;
  }
  function wordOf(form, button) {
    const data = new FormData(form);
    if (button && button.name) data.append(button.name, button.value);
    const labels = {};
    for (const field of form.elements) {
      if (field.name && field.type !== "hidden" && field.labels && field.labels.length) labels[field.name] = textOf(field.labels[0]);
    }
    return {
      key: newKey(), url: pathOf(form, button), fields: [...data].map(([n, v]) => [n, String(v)]), labels,
      person: String(data.get("person") || ""), about: about(form, button), said: Date.now(), ahead: kit.ahead, state: "waiting", why: "",
    };
  }

  async function post(url, fields, headers) {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(url, {
        method: "POST", body: new URLSearchParams(fields), signal: stop.signal,
        headers: { Accept: "application/json", ...headers },
      });
      const told = answer.ok ? "" : (await answer.json().catch(() => ({}))).detail || String(answer.status);
      return { status: answer.status, told, onward: answer.headers.get("location") };
    } catch { return { status: 0, told: "", onward: null }; } finally { clearTimeout(timer); }
  }
  function clocks(word) {
    const ahead = Number.isFinite(word.ahead) ? `, ahead=${Math.round(word.ahead)}` : "";
    return { "Idempotency-Key": word.key, "Said-On-Phone": `said=${word.said}, sent=${Date.now()}${ahead}` };
  }
  const isOver = (status) => status === 200 || status === 201;
  const isLater = (status) => status === 0 || status === 408 || status === 429 || status >= 500;

  // Returns where the service leads on to; null when the word is still here.
  async function send(word) {
    const { status, told, onward } = await post(word.url, word.fields, clocks(word));
    if (isOver(status)) {
      if (kit.pins.includes(word.person)) { word.state = "pin"; await put(word); } else await drop(word);
      return onward || "";
    }
    if (status === 401) { said = "login"; return null; }
    if (isLater(status)) { said = ""; return null; }
    word.state = "refused";
    word.why = told;
    await put(word);
    return "";
  }
  async function sendAll() {
    let some = false;
    await load();
    for (const word of words.filter((each) => each.state === "waiting")) {
      const found = await send(word);
      if (found === null) break;
      said = "";
      some = true;
      ways.set(word.key, found);
    }
    await load();
    return some;
  }
  // One page at a time sends; where the browser knows no locks the keys alone see to it.
  async function sendInTurn() {
    await load();
    const some = words.some((word) => word.state === "waiting"), locks = navigator.locks;
    const sent = some ? await (locks ? locks.request("bushlarder-outbox", sendAll) : sendAll()) : false;
    draw();
    return sent;
  }
  const flush = () => (turn = turn.then(sendInTurn, sendInTurn));
  async function tryAgain() {
    if (await flush()) dispatchEvent(new Event("look"));
  }

  function goOn(onward) {
    leaving = true;
    const to = new URL(onward, location.href);
    if (to.href === location.href) location.reload(); else location.assign(to);
  }
  async function take(form, button) {
    const word = wordOf(form, button), box = form.closest("details");
    await put(word);
    form.reset();
    for (const choice of doc.querySelectorAll("select[name=person]")) choice.value = word.person;
    if (box) box.open = false;
    await load();
    draw();
    await flush();
    const onward = ways.get(word.key);
    if (onward) goOn(onward);
    else if (!words.some((each) => each.key === word.key)) goOn(location.href); // another page has sent it
  }
  // What only holds for this moment is not kept; its key stays with the form, so that a second tap is no second word.
  async function atOnce(form, button) {
    const word = wordOf(form, button), line = form.querySelector("[role=alert]") || doc.createElement("p");
    form.dataset.key = word.key = form.dataset.key || word.key;
    line.setAttribute("role", "alert");
    line.className = "d";
    form.append(line);
    line.textContent = kit.words.sending;
    const { status, told, onward } = await post(word.url, word.fields, { "Idempotency-Key": word.key });
    if (isOver(status)) goOn(onward || location.href);
    else line.textContent = isLater(status) ? kit.words.at_once : told;
  }
  doc.addEventListener("submit", (event) => {
    const form = event.target, button = event.submitter;
    if (!kit || form.method !== "post" || event.defaultPrevented) return;
    const path = pathOf(form, button), kind = form.querySelector("input[name=kind]");
    const now = AT_ONCE.test(path) || (kind && kind.value === "hold_closed");
    if (!now && !TAKEN.test(path)) return;
    event.preventDefault();
    if (form.dataset.busy) return;
    form.dataset.busy = "1";
    (now ? atOnce : take)(form, button).finally(() => delete form.dataset.busy);
  });

  // What is shown of it.
  function made(name, text, more = {}) {
    return Object.assign(doc.createElement(name), text === undefined ? {} : { textContent: text }, more);
  }
  const filled = (text, ...parts) => parts.reduce((t, part) => t.replace("#", part), text);
  const clock = (ms) => new Date(ms).toTimeString().slice(0, 5);
  function againButton(word, inputs) {
    return made("button", kit.words.again, { type: "button", onclick: async () => {
      word.fields = word.fields.map(([n, v]) => [n, inputs.has(n) ? inputs.get(n).value : v]);
      Object.assign(word, { state: "waiting", why: "" });
      await put(word);
      tryAgain();
    } });
  }
  function refusedLine(word) {
    const line = made("li", `${word.about}, ${clock(word.said)}`), inputs = new Map();
    line.append(made("p", `${kit.words.refused} ${word.why}`, { className: "y" }));
    for (const [name, value] of word.fields) {
      if (!word.labels[name] || ["person", "unit"].includes(name) || inputs.has(name)) continue;
      const label = made("label", `${word.labels[name]} `), input = made("input", undefined, { value });
      inputs.set(name, input);
      label.append(input);
      line.append(label);
    }
    const away = made("button", kit.words.away, { type: "button", onclick: async () => {
      if (confirm(kit.words.sure)) { await drop(word); await load(); draw(true); }
    } });
    line.append(againButton(word, inputs), away);
    return line;
  }
  function pinForm(person, waiting) {
    const form = made("form"), label = made("label", filled(kit.words.pin, waiting.length, person) + " ");
    const input = made("input", undefined, { type: "password", inputMode: "numeric", autocomplete: "off", required: true, name: "pin" });
    const line = made("p", "", { className: "y" });
    line.setAttribute("role", "alert");
    const done = async () => {
      for (const word of waiting) await drop(word);
      await load();
      draw(true);
      dispatchEvent(new Event("look"));
    };
    // The words stand in the records already, as signed on a device only: nothing more is said, and nothing asked.
    const leave = made("button", kit.words.leave, { type: "button", onclick: () => {
      if (confirm(filled(kit.words.leave_sure, person))) return done();
    } });
    label.append(input);
    form.append(label, made("button", kit.words.show), leave, line);
    form.onsubmit = async (event) => {
      event.preventDefault();
      const pin = input.value;
      input.value = "";
      const keys = waiting.map((word) => ["key", word.key]);
      const { status, told } = await post("/kept/pin", [["person", person], ["pin", pin], ...keys], {});
      if (status === 0) { line.textContent = kit.words.no_link; return; }
      if (!isOver(status)) { line.textContent = told; return; }
      await done();
    };
    return form;
  }
  function listed(found) {
    const list = made("ul", undefined, { className: "r" });
    list.append(...found.map((word) => made("li", `${word.about}, ${word.person}, ${clock(word.said)}`)));
    return list;
  }
  function parts() {
    const of = (state) => words.filter((word) => word.state === state);
    const waiting = of("waiting"), refused = of("refused"), pins = of("pin"), found = [];
    if (waiting.length) {
      const line = made("p", filled(kit.words.waiting, waiting.length), { className: "y" });
      line.setAttribute("role", "status");
      found.push(line, listed(waiting));
      if (said === "login") found.push(made("a", kit.words.login, { href: `/login?next=${location.pathname}`, className: "b" }));
      if (memory.size) found.push(made("p", kit.words.stay, { className: "y" }));
    }
    if (refused.length) {
      const list = made("ul", undefined, { className: "r" });
      list.append(...refused.map(refusedLine));
      found.push(list);
    }
    for (const person of new Set(pins.map((word) => word.person))) {
      found.push(pinForm(person, pins.filter((word) => word.person === person)));
    }
    return found;
  }
  function draw(anyway = false) {
    if (!kit) return;
    bar = bar || made("section", undefined, { id: "outbox", className: "d" });
    const typing = bar.isConnected && bar.contains(doc.activeElement) && doc.activeElement.matches("input");
    if (typing && !anyway) return;
    const found = parts();
    bar.setAttribute("aria-label", kit.words.title);
    bar.replaceChildren(...found);
    if (!found.length) bar.remove();
    else if (!bar.isConnected) doc.body.prepend(bar);
    // always in sight, and never more than half of the screen
    Object.assign(bar.style, { position: "sticky", top: "0", zIndex: "1", background: "var(--p)", maxHeight: "50vh", overflow: "auto" });
  }

  // Pages for without a connection.
  async function fetchKit() {
    const begun = Date.now();
    const answer = await fetch(`/offline/kit?at=${encodeURIComponent(location.pathname)}`, { headers: { Accept: "application/json" } });
    if (!answer.ok) return;
    const found = await answer.json();
    kit = { ...found, ahead: (begun + Date.now()) / 2 - found.now_ms };
    remember("kit", kit);
  }
  async function keepPages() {
    const workers = navigator.serviceWorker;
    if (!workers || !isSecureContext || !kit) return;
    workers.addEventListener("message", ({ data }) => {
      if (data.kept) remember("kept", Date.now());
      doc.documentElement.dataset.kept = data.kept;
    });
    await workers.register(kit.worker, { scope: "/" });
    const { active } = await workers.ready;
    const fresh = Date.now() - remembered("kept");
    if (kit.pages.length && !(fresh >= 0 && fresh < KEEP_EVERY_MS)) active.postMessage({ pages: kit.pages, files: kit.files });
  }
  async function begin() {
    await load();
    draw();
    await fetchKit().catch(() => 0);
    draw();
    await tryAgain();
    await keepPages().catch(() => 0);
  }

  // Links inside the house lead to pages that hold the same outbox, where they are kept.
  doc.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[href]");
    const worker = navigator.serviceWorker && navigator.serviceWorker.controller;
    leaving = Boolean(link && worker && link.origin === location.origin);
  });
  addEventListener("beforeunload", (event) => {
    if (!leaving && words.some((word) => word.state === "waiting")) event.preventDefault();
  });
  addEventListener("online", tryAgain);
  addEventListener("fresh", () => draw(true));
  doc.addEventListener("visibilitychange", () => { if (!doc.hidden) tryAgain(); });
  setInterval(tryAgain, EVERY_MS);
  begin();
})();
