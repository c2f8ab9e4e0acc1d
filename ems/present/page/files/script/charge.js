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
  barred(p, data.window.map((v, n) => ({ value: v, y: y(v), end: n ? 4 : p.height - 18, word: n ? "highest" : "lowest", below: n ? 12 : -4 })).filter(l => l.value > low && l.value < high));
  make("path", { d: "M" + curve(p, soc, y), class: "line charge" }, p.inside);
  if (beside) make("path", { d: "M" + curve(p, beside.soc, y), class: "line other", "stroke-dasharray": "5 3" }, p.inside);
}
function barred(p, limits) {                            // what the battery must not be used for: hatched, in one path, and said
  const [left, right] = [M.left, p.width - M.right];
  make("path", { d: limits.map(l => `M${left} ${l.y.toFixed(1)}H${right}V${l.end}H${left}Z`).join(""), fill: "url(#barred)" }, p.inside);
  for (const l of limits) {
    make("line", { x1: left, x2: right, y1: l.y, y2: l.y, class: "limit-line" }, p.inside);
    make("text", { x: right - 4, y: l.y + l.below, "text-anchor": "end", class: "told" }, p.inside, `${l.word} allowed ${l.value}`);
  }
}
