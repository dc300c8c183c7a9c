// Draws the chart of one cabinet and fetches it again, finer, for the span that is looked at.
"use strict";
(() => {
  const box = document.getElementById("chart");
  let from = Number(box.dataset.from);
  let to = Number(box.dataset.to);
  const config = { displaylogo: false, responsive: true, modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"] };
  let offsetMs = 0;
  let asked = 0;
  let closer = false;
  let drawnMs = Date.now();
  const REDRAW_MS = 60000;

  const draw = async (start, end) => {
    const mine = ++asked;
    const theme = getComputedStyle(document.documentElement).getPropertyValue("--theme").trim();
    const query = new URLSearchParams({ from: new Date(start).toISOString(), to: new Date(end).toISOString(), theme });
    const answer = await fetch(`${box.dataset.figure}?${query}`);
    if (!answer.ok) throw new Error(String(answer.status));
    const figure = await answer.json();
    if (mine !== asked) return;
    if (box.clientWidth < 600) figure.layout.xaxis.nticks = 4;
    offsetMs = figure.layout.meta.offset_ms;
    await Plotly.react(box, figure.data, figure.layout, config);
  };
  const utc = (shown) => (typeof shown === "number" ? shown : Date.parse(`${shown.replace(" ", "T")}Z`)) - offsetMs;
  const fail = () => {
    box.classList.add("failed");
    box.textContent = box.dataset.failed;
  };

  draw(from, to).then(() => {
    box.on("plotly_relayout", (change) => {
      const range = change["xaxis.range"] || [change["xaxis.range[0]"], change["xaxis.range[1]"]];
      if (range[0] !== undefined) { closer = true; draw(utc(range[0]), utc(range[1])).catch(() => {}); }
      else if (change["xaxis.autorange"]) { closer = false; draw(from, to).catch(() => {}); }
    });
  }).catch(fail);

  // The page was brought up to date: the chart follows, unless somebody looks closer at a part of it.
  document.addEventListener("fresh", (event) => {
    const { dataset } = event.detail.getElementById("chart");
    from = Number(dataset.from);
    to = Number(dataset.to);
    if (closer || Date.now() - drawnMs < REDRAW_MS) return;
    drawnMs = Date.now();
    draw(from, to).catch(() => {});
  });
})();
