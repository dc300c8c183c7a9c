// Keeps the cook's pages on this phone: asks the service first, and shows the kept page when it does not answer.
// A kept page carries the moment it was taken down; the page itself counts its age and lets its verdicts lapse.
"use strict";
const PAGES = "bushlarder-pages-1";
const KEPT = /^\/(camp\/[^/]+(\/(food|check|add|add\/details))?|batches\/\d+|why|offline)$/;
const FILE = /^\/static\/(outbox|line|look)\.[0-9a-f]+\.js$/;
const TAKEN_AT = "x-taken-at";
const PATIENCE_MS = 1500;
const LONGEST_MS = 72 * 3600 * 1000;

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

// Never a redirect (somebody has to log in first) and never an error.
const isPage = (answer) => answer.ok && answer.type === "basic" && !answer.redirected;

async function takeDown(path, answer) {
  const headers = new Headers(answer.headers);
  headers.delete("content-encoding");
  headers.delete("content-length");
  headers.set(TAKEN_AT, String(Date.now()));
  const body = await answer.arrayBuffer();
  await (await caches.open(PAGES)).put(path, new Response(body, { status: 200, headers }));
}

// Whoever is logged out, or whose device was taken out, shall not read on.
const forget = () => caches.delete(PAGES);

async function asked(request, path) {
  const answer = await fetch(request);
  if (answer.type === "opaqueredirect" || answer.redirected) await forget();
  else if (isPage(answer)) await takeDown(path, answer.clone());
  return answer;
}

async function kept(path) {
  const found = await (await caches.open(PAGES)).match(path);
  if (!found) return null;
  const taken = Number(found.headers.get(TAKEN_AT));
  if (Date.now() - taken > LONGEST_MS) return null;
  const body = (await found.text()).replace("<main", `<main data-kept="${taken}"`);
  return new Response(body, { status: 200, headers: found.headers });
}

async function lost() {
  const store = await caches.open(PAGES);
  const page = await store.match("/offline");
  if (!page) return Response.error();
  const links = [];
  for (const request of await store.keys()) {
    const path = new URL(request.url).pathname;
    if (!/^\/camp\/[^/]+$/.test(path)) continue;
    const title = /<h1>(.*?)<\/h1>/s.exec(await (await store.match(request)).text());
    links.push(`<a class="b" href="${path}">${title ? title[1] : path}</a>`);
  }
  const body = (await page.text()).replace("<nav></nav>", `<nav>${links.join("")}</nav>`);
  return new Response(body, { status: 200, headers: page.headers });
}

async function opened(request, path) {
  const live = asked(request, path);
  const spare = await kept(path);
  if (!spare) return live.catch(lost);
  const inTime = new Promise((done) => setTimeout(done, PATIENCE_MS));
  const answer = await Promise.race([live.catch(() => null), inTime]);
  return answer && answer.status < 500 ? answer : spare;
}

addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname, search } = new URL(request.url);
  if (origin !== location.origin) return;
  if (request.method === "POST" && pathname === "/logout") {
    event.respondWith(fetch(request).then((answer) => forget().then(() => answer)));
  } else if (request.mode === "navigate") {
    const plain = request.method === "GET" && KEPT.test(pathname);
    if (plain && !search) event.respondWith(opened(request, pathname));
    else event.respondWith(fetch(request).catch(async () => (plain && (await kept(pathname))) || lost()));
  } else if (request.method === "GET" && KEPT.test(pathname) && !search) {
    event.respondWith(asked(request, pathname));
  } else if (request.method === "GET" && FILE.test(pathname)) {
    event.respondWith(caches.match(request).then((found) => found || fetch(request)));
  }
});

async function prune(store) {
  for (const request of await store.keys()) {
    const taken = Number((await store.match(request)).headers.get(TAKEN_AT));
    if (taken && Date.now() - taken > LONGEST_MS) await store.delete(request);
  }
}

// One after the other: the link may be thin, and somebody may be waiting for a page.
async function keepAll({ pages, files }) {
  const store = await caches.open(PAGES);
  await prune(store);
  let done = 0;
  for (const file of files) if (!(await store.match(file))) await store.add(file);
  for (const path of pages) {
    const answer = await fetch(path, { headers: { Accept: "text/html" } });
    if (!isPage(answer)) continue;
    await takeDown(path, answer);
    done += 1;
  }
  return done;
}

addEventListener("message", (event) => {
  const tell = (done) => event.source.postMessage({ kept: done });
  event.waitUntil(keepAll(event.data).then(tell, () => tell(0)));
});
