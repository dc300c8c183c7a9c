// A phone page looks again every minute, when a connection comes back, and when something changed; while a form
// is open it only tells that something got worse. Without an answer it stays as it is, and lapses by itself.
(() => {
  "use strict";
  const EVERY_MS = 60e3;
  const doc = document;
  const all = (what, where) => where.querySelectorAll(what).length;
  const trouble = (where) => all("article.hold,.not li", where) + 2 * all("article.discard_advised", where);

  function show(text) {
    const fresh = new DOMParser().parseFromString(text, "text/html").body;
    if (all("details[open]", doc)) {
      const worse = doc.getElementById("worse");
      if (worse) worse.hidden = trouble(fresh) <= trouble(doc);
      return;
    }
    doc.body.innerHTML = fresh.innerHTML;
    dispatchEvent(new Event("fresh"));
  }
  // A page of forms is not drawn anew under somebody's hands; one that was kept is, once there is a newer one.
  const touched = () => [...doc.querySelectorAll("input:not([type=hidden])")].some((each) => each.value !== each.defaultValue);
  async function look() {
    const main = doc.querySelector("main");
    if (doc.hidden || !main) return;
    if (main.dataset.still !== undefined && (main.dataset.kept === undefined || touched())) return;
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
      if (answer.ok && !answer.redirected) show(await answer.text());
    } catch { /* no connection: the page grows old */ }
  }
  setInterval(look, EVERY_MS);
  addEventListener("look", look);
  addEventListener("online", look);
  doc.documentElement.dataset.looks = "";
})();
