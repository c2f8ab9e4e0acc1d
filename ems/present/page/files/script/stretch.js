// A stretch of the trip: selected in a panel or typed, summed, zoomed to.

function select(from, to) {                             // whole intervals that the stretch touches
  state.from = interval(clamp(from, time[0], time[count]));
  state.to = Math.max(interval(clamp(to, time[0], time[count]) - 1e-9) + 1, state.from + 1);
  showStretch();
}
function sums(a, b) {
  const add = f => { let s = 0; for (let k = a; k < b; k++) s += f(k) * (time[k + 1] - time[k]); return s; };
  const plus = name => add(k => Math.max(at(name, k), 0)), minus = name => add(k => Math.max(-at(name, k), 0));
  let start = 0;
  for (let k = a; k < b; k++) start += at("transition_fuel_g", k);
  const fuel = add(k => at("fuel_g_s", k)) + start, km = add(k => at("speed_kmh", k)) / 3600;
  const rows = [["time", time[b] - time[a], "s", 0], ["distance", km, "km", 3], ["fuel", fuel, "g", 2]];
  if (km > 0.01) rows.push(["fuel", fuel / data.density_g_l / km * 100, "l/100 km", 3]);
  if (beside) {
    const own = values => values.slice(a, b).reduce((sum, v) => sum + v, 0);
    rows.push(["fuel of the optimum", own(beside.fuel), "g", 2], ["price", own(beside.ledger[0].values), "g", 3]);
    for (const l of beside.ledger.slice(1)) rows.push([`price, ${l.name}`, own(l.values), "g", 3]);
  }
  rows.push(["wheels, driving", plus("wheel_power_kW"), "kJ", 1], ["wheels, braking", minus("wheel_power_kW"), "kJ", 1], ["friction brakes", plus("brake_power_kW"), "kJ", 1]);
  rows.push(["battery, drawn from store", at("battery_energy_start_kJ", a) - at("battery_energy_end_kJ", b - 1), "kJ", 1]);
  for (const lane of data.lanes) if (column[lane.name + "_power_kW"] && lane.name !== "battery") {
    rows.push([lane.name + ", gives", plus(lane.name + "_power_kW"), "kJ", 1]);
    if (lane.name !== "engine") rows.push([lane.name + ", takes", minus(lane.name + "_power_kW"), "kJ", 1]);
  }
  for (const c of data.columns) if (c.name.startsWith("loss_")) rows.push([`lost: ${c.words}`, add(k => at(c.name, k)), "kJ", 1]);
  return rows;
}
function showStretch() {
  const { from, to } = state;
  byId("from").value = seconds(time[from]); byId("to").value = seconds(time[to]);
  for (const p of panels) {
    const all = time[from] <= state.low && time[to] >= state.high;      // nothing beside it to tell it from
    set(p.pick, "x", across(p, time[from]).toFixed(1));
    set(p.pick, "width", all ? "0" : (across(p, time[to]) - across(p, time[from])).toFixed(1));
  }
  const table = byId("sum").tBodies[0];
  table.textContent = "";
  for (const [what, value, unit, digits] of sums(from, to)) {
    const row = table.insertRow(), name = cell(row, what, "th"), sum = cell(row, `${fixed(value, digits)} ${unit}`, "td", "n");
    row.setAttribute("role", "row"); name.setAttribute("role", "rowheader"); sum.setAttribute("role", "cell");   // laid out as a grid, read as a table
    sum.dataset.value = value;
  }
  byId("sum-words").textContent = from === 0 && to === count ? "The whole trip." : `From ${seconds(time[from])} s to ${seconds(time[to])} s.`;
}
function redraw() { panels.forEach(frame); showStretch(); showCursor(state.k); }
function zoom(low, high) { state.low = low; state.high = high; redraw(); }
for (const id of ["from", "to"]) byId(id).addEventListener("change", () => {
  const a = Number(byId("from").value), b = Number(byId("to").value);
  if (Number.isFinite(a) && Number.isFinite(b)) select(Math.min(a, b), Math.max(a, b));
});
byId("zoom").addEventListener("click", () => {
  zoom(time[state.from], time[state.to]);
  if (state.k < state.from || state.k >= state.to) { stop(); go(state.from); }
});
byId("whole").addEventListener("click", () => { state.from = 0; state.to = count; zoom(time[0], time[count]); });
