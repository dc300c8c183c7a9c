"""What a browser is asked about how a page looks."""

CONTRAST_JS = """() => {
  const part = (c) => { const v = c / 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const rgba = (s) => s.match(/[\\d.]+/g).map(Number);
  const behind = (e) => { for (; e; e = e.parentElement) {
    const c = rgba(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
  const poor = [];
  for (const e of document.body.querySelectorAll('*')) {
    if (e.closest('svg, script, style')) continue;
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
    const style = getComputedStyle(e), box = e.getBoundingClientRect();
    if (!box.width || !box.height) continue;
    const [a, b] = [light(rgba(style.color)), light(behind(e))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05), size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const words = e.textContent.trim().slice(0, 30);
    if (ratio < (large ? 3 : 4.5)) poor.push(`${ratio.toFixed(2)} ${e.tagName} ${words}`);
  }
  return poor;
}"""
"""Words whose colours differ too little: less than 4.5 to 1, for large letters 3 to 1."""

LOW_TARGETS_JS = """() => [...document.querySelectorAll(
  'summary, button, input:not([type=hidden]):not([type=checkbox]), select, .u a, a.b, .c')]
  .filter((e) => e.getBoundingClientRect().height < 64)
  .map((e) => `${e.tagName} ${e.textContent.trim().slice(0, 30)} ${e.getBoundingClientRect().height}`)"""
"""Things to tap that are lower than 64 px."""
