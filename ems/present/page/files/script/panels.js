// Panels over the time of the trip: one frame, one cursor, one selection for all. Each of the files that follow adds its own to `panels`:
// where it stands, how high it is, how it is drawn, and what is read off at the cursor.

const panels = [];
const nameLines = name => (name.length > 8 ? name.split(/(?<=-)| /) : [name]).map(line => line.length > 14 ? line.slice(0, 13) + "…" : line);
const longest = Math.max(...data.lanes.flatMap(l => nameLines(l.name)).map(line => line.length));
const M = { left: Math.max(data.beside ? 70 : 58, 12 + 6.8 * longest), right: 12 };
const beside = data.beside && { ...data.beside, soc: scaled(data.beside.soc), fuel: scaled(data.beside.fuel), lanes: data.beside.lanes.map(scaled),
  ledger: data.beside.ledger.map(l => ({ ...l, values: scaled(l) })) };
const span = () => [interval(state.low), Math.min(interval(state.high - 1e-9), last)];
const across = (p, t) => M.left + (t - state.low) / (state.high - state.low) * (p.width - M.left - M.right);
const clamp = (v, a, b) => Math.min(Math.max(v, a), b);

function frame(p) {
  const box = byId(p.id);
  p.width = Math.max(box.clientWidth, 300);
  p.svg = make("svg", { viewBox: `0 0 ${p.width} ${p.height}`, height: p.height, role: "img" });
  make("title", {}, p.svg, [...box.closest("figure").querySelector("figcaption").children].map(n => n.textContent.trim().replace(/\s+/g, " ")).join(": "));
  for (const t of ticks(state.low, state.high, Math.max(3, p.width / 110))) {
    make("line", { x1: across(p, t), x2: across(p, t), y1: 4, y2: p.height - 18, class: "grid" }, p.svg);
    const words = `${seconds(t)}${t === time[0] ? " s" : ""}`, room = p.width - across(p, t) > 4 * words.length;
    make("text", { x: room ? across(p, t) : p.width, y: p.height - 4, "text-anchor": room ? "middle" : "end" }, p.svg, words);
  }
  make("clipPath", { id: p.id + "-clip" }, p.svg).appendChild(make("rect", { x: M.left, y: 0, width: p.width - M.left - M.right, height: p.height }));
  p.inside = make("g", { "clip-path": `url(#${p.id}-clip)` }, p.svg);
  p.draw(p);
  p.pick = make("rect", { class: "pick", y: 2, height: p.height - 20, width: 0, x: 0 }, p.inside);
  p.cursor = make("line", { class: "cursor", y1: 0, y2: p.height - 16 }, p.svg);
  p.label = make("text", { class: "read", y: 12 }, p.svg);
  box.replaceChildren(p.svg);
  p.svg.addEventListener("pointerdown", e => press(p, e));
}
function scale(p, low, high, top, bottom, digits) {
  for (const v of ticks(low, high, 4)) {
    const y = bottom - (v - low) / (high - low) * (bottom - top);
    make("line", { x1: M.left, x2: p.width - M.right, y1: y, y2: y, class: "grid" }, p.inside);
    make("text", { x: M.left - 6, y: y + 4, "text-anchor": "end" }, p.svg, v.toFixed(digits));
  }
  return v => bottom - (v - low) / (high - low) * (bottom - top);
}
function curve(p, values, y) {
  const [a, b] = span(), out = [];
  for (let k = a; k <= b + 1; k++) out.push(`${across(p, time[k]).toFixed(1)} ${y(values[k]).toFixed(1)}`);
  return out.join("L");
}
function press(p, e) {
  const box = p.svg.getBoundingClientRect();
  const t = event => state.low + clamp((event.clientX - box.left) / box.width * p.width - M.left, 0, p.width - M.left - M.right) / (p.width - M.left - M.right) * (state.high - state.low);
  const begun = e.clientX, start = t(e);
  const move = event => { if (Math.abs(event.clientX - begun) > 4) select(...[start, t(event)].sort((a, b) => a - b)); };
  const done = event => {
    window.removeEventListener("pointermove", move);
    window.removeEventListener("pointerup", done);
    window.removeEventListener("pointercancel", done);
    if (event.type === "pointerup" && Math.abs(event.clientX - begun) <= 4) go(interval(start));
  };
  window.addEventListener("pointermove", move);
  window.addEventListener("pointerup", done);
  window.addEventListener("pointercancel", done);
}
function showCursor(k) {
  for (const p of panels) {
    const x = across(p, time[k]), seen = time[k] >= state.low && time[k] < state.high;
    p.cursor.style.display = p.label.style.display = seen ? "" : "none";
    set(p.cursor, "x1", x.toFixed(1)); set(p.cursor, "x2", x.toFixed(1));
    p.label.textContent = p.read(k);
    const right = x > p.width * 0.7 || x + 5 + p.label.getComputedTextLength() > p.width;
    set(p.label, "x", (x + (right ? -5 : 5)).toFixed(1)); set(p.label, "text-anchor", right ? "end" : "start");
  }
}
onSecond.push(showCursor);
