// What all other scripts of the page build on: the data, what is shown of them, small helpers. They share one scope, in the order of
// `assets.SCRIPTS`; each puts into `onSecond` what it shows of a second.

document.documentElement.classList.remove("plain");
const data = JSON.parse(document.getElementById("data").textContent);
const SVG = "http://www.w3.org/2000/svg";
const byId = id => document.getElementById(id);
const scaled = c => c.values.map(v => v / 10 ** c.digits);
const time = scaled(data.time_s), count = time.length - 1, last = count - 1;
const column = Object.fromEntries(data.columns.map(c => [c.name, { ...c, values: scaled(c) }]));
const at = (name, k) => column[name].values[k];
const fixed = (value, digits) => { const s = value.toFixed(digits); return Number(s) === 0 ? (0).toFixed(digits) : s; };
const finer = (most, from, digits = 1) => most >= from ? digits : most >= from / 20 ? digits + 1 : digits + 2;   // decimals, so that small figures add up too
const seconds = value => String(Math.round(value * 1000) / 1000);
const onSecond = [];
const state = { k: data.open, from: 0, to: count, low: time[0], high: time[count], timer: 0 };
const set = (node, key, value) => { if (node.getAttribute(key) !== value) node.setAttribute(key, value); };

function make(name, attributes, parent, text) {
  const node = document.createElementNS(SVG, name);
  for (const key in attributes) node.setAttribute(key, attributes[key]);
  if (text !== undefined) node.textContent = text;
  if (parent) parent.appendChild(node);
  return node;
}
function cell(row, text, kind = "td", className = "") {
  const node = document.createElement(kind);
  if (kind === "th") node.scope = "row";
  node.className = className;
  node.textContent = text;
  row.appendChild(node);
  return node;
}
function interval(t) {                                   // the interval that holds a time
  let a = 0, b = count;
  while (b - a > 1) { const m = (a + b) >> 1; if (time[m] <= t) a = m; else b = m; }
  return a;
}
function ticks(low, high, most) {
  const rough = (high - low) / most, size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(m => m * size).find(s => s >= rough * 0.999), out = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9; n++) out.push(Number((n * step).toFixed(9)));
  return out;
}
