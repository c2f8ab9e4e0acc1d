// The player: slider, buttons, keys, and the second that everything shows.

const slider = byId("slider"), play = byId("play");
function go(k) {
  state.k = k = clamp(k, 0, last);
  const c = data.configurations[data.configuration[k]], mode = data.modes[data.mode[k]].label;
  slider.value = k;
  const words = `${seconds(time[k])} s, ${fixed(at("speed_kmh", k), 1)} km/h, ${mode}`;
  slider.setAttribute("aria-valuetext", `${words}, configuration ${c.id}`);
  byId("moment").textContent = words;
  byId("chip").textContent = mode;
  byId("configuration-now").textContent = c.id;
  for (const show of onSecond) show(k);
}
function change(step) {                                 // first interval of the next, or of this or the previous, stretch
  let k = state.k;
  const c = data.configuration;
  if (step > 0) { while (k < last && c[k + 1] === c[state.k]) k++; return go(k + 1); }
  k -= 1;
  while (k > 0 && c[k - 1] === c[k]) k--;
  go(k);
}
function stop() { window.clearTimeout(state.timer); state.timer = 0; play.textContent = "Play"; play.setAttribute("aria-pressed", "false"); }
function bringIntoView() {                               // the drawing, if some of it lies below the window
  if (document.querySelector(".stick-box").getBoundingClientRect().bottom <= window.innerHeight) return;
  const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  document.querySelector(".player").scrollIntoView({ block: "start", behavior: still ? "auto" : "smooth" });
}
function begin() {
  bringIntoView();
  if (state.k >= last) go(0);
  play.textContent = "Pause"; play.setAttribute("aria-pressed", "true");
  let then = performance.now(), due = time[state.k];
  const tick = now => {
    due += (now - then) / 1000 * Number(byId("pace").value);
    then = now;
    const k = interval(due);
    if (k !== state.k) go(k);
    if (k >= last) stop(); else state.timer = window.setTimeout(() => tick(performance.now()), 40);
  };
  state.timer = window.setTimeout(() => tick(performance.now()), 40);
}
play.addEventListener("click", () => state.timer ? stop() : begin());
slider.max = last;
slider.addEventListener("input", () => { stop(); go(Number(slider.value)); });
const buttons = { start: () => go(0), back: () => go(state.k - 1), on: () => go(state.k + 1), "change-back": () => change(-1), "change-on": () => change(1) };
for (const id in buttons) byId(id).addEventListener("click", () => { stop(); buttons[id](); });
document.addEventListener("keydown", e => {
  if (e.altKey || e.ctrlKey || e.metaKey || /^(SELECT|TEXTAREA|SUMMARY|A)$/.test(e.target.tagName) || e.target.type === "number") return;
  const keys = { ArrowLeft: buttons.back, ArrowRight: buttons.on, "[": buttons["change-back"], "]": buttons["change-on"], Home: () => go(0), End: () => go(last) };
  if (e.key === " " && e.target.tagName !== "BUTTON") { e.preventDefault(); play.click(); return; }
  if (!keys[e.key]) return;
  e.preventDefault(); stop(); keys[e.key]();
});
let waiting = 0;
window.addEventListener("resize", () => { window.clearTimeout(waiting); waiting = window.setTimeout(redraw, 80); });
window.addEventListener("beforeprint", redraw);
const larger = byId("larger");
larger.addEventListener("click", () => larger.setAttribute("aria-pressed", String(document.querySelector(".stick").classList.toggle("large"))));
redraw();
go(data.open);
