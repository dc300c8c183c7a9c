// Draws what each day of a long span held; the page has a place for it only where the span is long.
"use strict";
(() => {
  const box = document.getElementById("days-chart");
  if (!box) return;
  const theme = getComputedStyle(document.documentElement).getPropertyValue("--theme").trim();
  const moment = (ms) => new Date(Number(ms)).toISOString();
  const query = new URLSearchParams({ from: moment(box.dataset.from), to: moment(box.dataset.to), theme });
  const draw = async () => {
    const answer = await fetch(`${box.dataset.figure}?${query}`);
    if (!answer.ok) throw new Error(String(answer.status));
    const figure = await answer.json();
    if (box.clientWidth < 600) figure.layout.xaxis.nticks = 4;
    await Plotly.react(box, figure.data, figure.layout, { displaylogo: false, displayModeBar: false, responsive: true });
  };
  draw().catch(() => {
    box.classList.add("failed");
    box.textContent = box.dataset.failed;
  });
})();
