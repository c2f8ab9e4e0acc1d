// State of charge, and the window it must keep.

const soc = scaled(data.soc);
panels.push({ id: "panel-charge", height: 150, draw: drawCharge, read: k => `charge ${fixed(at("soc_start", k), 4)}` });

function drawCharge(p) {
  const [a, b] = span(), seen = soc.slice(a, b + 2).concat(beside ? beside.soc.slice(a, b + 2) : []), zoomed = b - a < last;
  let low = Math.min(...seen), high = Math.max(...seen);
  if (!zoomed) { low = Math.min(low, data.window[0]); high = Math.max(high, data.window[1]); }
  const margin = Math.max(0.09 * (high - low), 0.0005);
  low -= margin; high += margin;
  const y = scale(p, low, high, 14, p.height - 22, high - low < 0.04 ? 3 : 2);
  data.window.forEach((v, n) => { if (v > low && v < high) limit(p, y(v), n ? 4 : p.height - 18, `${n ? "highest" : "lowest"} allowed ${v}`, n ? -12 : 4); });
  make("path", { d: "M" + curve(p, soc, y), class: "line charge" }, p.inside);
  if (beside) make("path", { d: "M" + curve(p, beside.soc, y), class: "line other", "stroke-dasharray": "5 3" }, p.inside);
}
function limit(p, y, end, words, below) {                // what the battery must not be used for: barred, and said
  make("rect", { x: M.left, y: Math.min(y, end), width: p.width - M.left - M.right, height: Math.abs(end - y), fill: "url(#barred)", class: "barred" }, p.inside);
  make("line", { x1: M.left, x2: p.width - M.right, y1: y, y2: y, class: "limit-line" }, p.inside);
  make("text", { x: p.width - M.right - 4, y: y - below, "text-anchor": "end", class: "told" }, p.inside, words);
}
