// Speed, and the mode of every second below it; of a strategy also the best mode at its states, and the optimum's.

const speed = scaled(data.speed_kmh), ribbons = [{ name: "mode", mode: data.mode }, ...(beside ? beside.ribbons : [])];
panels.push({ id: "panel-speed", height: 184 + 26 * ribbons.length, draw: drawSpeed, read: k => `${fixed(at("speed_kmh", k), 1)} km/h` });

function drawSpeed(p) {
  const base = p.height - 30 - 26 * ribbons.length, y = scale(p, 0, Math.max(...speed, 1), 14, base, 0), [a, b] = span();
  const d = curve(p, speed, y);
  make("path", { d: `M${across(p, time[a])} ${base}L${d}L${across(p, time[b + 1])} ${base}Z`, class: "area" }, p.inside);
  make("path", { d: "M" + d, class: "line" }, p.inside);
  make("text", { x: M.left - 6, y: 10, "text-anchor": "end" }, p.svg, "km/h");
  ribbons.forEach(({ name, mode }, row) => ribbon(p, mode, name, base + 8 + 26 * row, a, b));
}
function ribbon(p, mode, name, top, a, b) {
  make("text", { x: M.left - 6, y: top + 16, "text-anchor": "end" }, p.svg, name);
  const fills = new Map();                               // one path a mode: every use of a pattern is dear on paper
  for (let k = a; k <= b;) {
    let e = k;
    while (e < b && mode[e + 1] === mode[k]) e++;
    const x = across(p, time[k]), width = Math.max(across(p, time[e + 1]) - x, 0.5);
    fills.set(mode[k], `${fills.get(mode[k]) || ""}M${x.toFixed(1)} ${top}h${width.toFixed(1)}v22h-${width.toFixed(1)}z`);
    k = e + 1;
  }
  for (const [m, d] of fills) make("title", {}, make("path", { d, fill: `url(#mode-${m})` }, p.inside), data.modes[m].label);
}
