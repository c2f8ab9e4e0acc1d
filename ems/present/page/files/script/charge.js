// State of charge, and the window it must keep.

const soc = scaled(data.soc);
panels.push({ id: "panel-charge", height: 150, draw: drawCharge, read: k => `charge ${fixed(at("soc_start", k), 4)}` });

function drawCharge(p) {
  const [a, b] = span(), seen = soc.slice(a, b + 2).concat(beside ? beside.soc.slice(a, b + 2) : []), zoomed = b - a < last;
  let low = Math.min(...seen), high = Math.max(...seen);
  if (!zoomed) { low = Math.min(low, data.window[0]); high = Math.max(high, data.window[1]); }
  const margin = Math.max(0.06 * (high - low), 0.0005);
  low -= margin; high += margin;
  const y = scale(p, low, high, 14, p.height - 22, high - low < 0.04 ? 3 : 2);
  for (const v of data.window) if (v > low && v < high) make("line", { x1: M.left, x2: p.width - M.right, y1: y(v), y2: y(v), class: "limit-line" }, p.inside);
  make("path", { d: "M" + curve(p, soc, y), class: "line charge" }, p.inside);
  if (beside) make("path", { d: "M" + curve(p, beside.soc, y), class: "line other", "stroke-dasharray": "5 3" }, p.inside);
}
