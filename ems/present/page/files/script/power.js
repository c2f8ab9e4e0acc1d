// Power of every source and taker, one lane below the other at one scale; of a strategy the optimum's as a line.

const lanes = data.lanes.map(l => ({ ...l, values: scaled(l) })), GAP = 14;
const reach = lanes.map((l, i) => { const all = beside ? l.values.concat(beside.lanes[i]) : l.values; return [Math.min(...all, 0), Math.max(...all, 0)]; });
const most = Math.max(...reach.map(([low, high]) => Math.max(-low, high)), 1e-9), lane_kW = reach.map(([low, high]) => Math.max(high - low, 0.16 * most));
const power = { id: "panel-power", height: 56 + 62 * lanes.length, draw: drawPower, read: k => `${fixed(at("wheel_power_kW", k), 1)} kW at the wheels` };
const px_per_kW = (power.height - 24 - GAP * lanes.length) / lane_kW.reduce((a, b) => a + b, 0);
const line_kW = [1, 2, 5, 10, 20, 50, 100, 200, 500].find(s => s * px_per_kW >= 18) || 1000;
panels.push(power);
byId("power-scale").textContent = `Lines are ${line_kW} kW apart.`;

function drawPower(p) {
  let top = GAP, under = 0;                               // where the name above ends
  lanes.forEach((lane, i) => {
    const base = top + Math.max(reach[i][1], lane_kW[i] + reach[i][0]) * px_per_kW;
    for (let n = Math.ceil(reach[i][0] / line_kW); n * line_kW <= reach[i][1]; n++) if (n) level(p, base - n * line_kW * px_per_kW, "grid");
    make("path", { d: `${steps(p, lane.values, base)}V${base}Z`, fill: lane.colour }, p.inside);
    if (beside) make("path", { d: steps(p, beside.lanes[i], base), class: "line other" }, p.inside);
    level(p, base, "zero");
    const lines = nameLines(lane.name), first = Math.max(base + 4 - 5.5 * (lines.length - 1), under + 11);
    lines.forEach((line, n) => make("text", { x: M.left - 6, y: first + 11 * n, "text-anchor": "end", class: "name" }, p.svg, line));
    under = first + 11 * (lines.length - 1) + 2;
    top += lane_kW[i] * px_per_kW + GAP;
  });
}
function level(p, y, kind) { make("line", { x1: M.left, x2: p.width - M.right, y1: y, y2: y, class: kind }, p.inside); }
function steps(p, values, base) {                        // path of what is constant in each interval, from the base line
  const [a, b] = span(), out = [];
  for (let k = a; k <= b; k++) out.push(`V${(base - values[k] * px_per_kW).toFixed(1)}H${across(p, time[k + 1]).toFixed(1)}`);
  return `M${across(p, time[a])} ${base}${out.join("")}`;
}
