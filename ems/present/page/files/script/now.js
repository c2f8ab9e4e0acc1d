// What happens in a second, in words.

const rows_of_now = ["Engine", "Engaged", "Not engaged", "Power comes from", "Power goes to", "Machines", "Change"];
const told = Object.fromEntries(rows_of_now.filter(word => word !== "Not engaged" || data.configurations.some(c => c.open)).map(word => {
  const row = document.createElement("div"), name = document.createElement("dt"), words = document.createElement("dd");
  name.textContent = word;
  row.append(name, words);
  byId("now").appendChild(row);
  return [word, words];
}));
const lost = data.columns.filter(c => c.group === "lost in the drive" && !["loss_engine_kW", "loss_battery_kW"].includes(c.name)).map(c => c.name);
function changed(k) { return k > 0 && data.configuration[k - 1] !== data.configuration[k]; }
function balance(k) {                                   // [what, kW that it gives], at engine shaft, battery terminals and wheels
  const rows = [["engine", at("engine_power_kW", k)], ["battery", at("battery_power_kW", k)], ["wheels", -at("wheel_power_kW", k)],
    ["friction brakes", -at("brake_power_kW", k)], ["auxiliaries", -at("auxiliary_kW", k)], ["losses of the drive", -lost.reduce((sum, name) => sum + at(name, k), 0)]];
  return [...rows, [changed(k) ? "turning parts and the change" : "turning parts", -rows.reduce((sum, row) => sum + row[1], 0)]];
}
function costOfChange(k) {                              // of the change at the start of a second, in words; empty without one
  const fuel = at("transition_fuel_g", k), energy = at("transition_energy_kJ", k), paid = [];
  if (fuel >= 0.005) paid.push(`${fixed(fuel, 2)} g of fuel`);
  if (Math.abs(energy) >= 0.05) paid.push(`${fixed(Math.abs(energy), 1)} kJ ${energy > 0 ? "from" : "back into"} the battery`);
  return paid.join(" and ");
}
function showNow(k) {
  const c = data.configurations[data.configuration[k]], all = balance(k), digits = finer(Math.max(...all.map(row => Math.abs(row[1]))), 20);
  const seen = kW => Math.abs(kW) >= 0.5 / 10 ** digits, said = kW => `${fixed(Math.abs(kW), digits)}\u00a0kW`;
  const rows = all.filter(row => seen(row[1])).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1]));
  const list = sign => rows.filter(row => row[1] * sign > 0).map(([what, kW]) => `${what} ${said(kW)}`).join(", ");
  const machines = data.lanes.map(l => l.name).filter(n => column[n + "_electrical_kW"] && seen(at(n + "_power_kW", k)))
    .map(n => `${n} ${at(n + "_power_kW", k) > 0 ? "drives" : "generates"}, ${said(at(n + "_power_kW", k))} at its shaft`);
  const paid = costOfChange(k);
  told.Engine.textContent = c.engine + (c.engine === "stopped" ? "" : ` at ${fixed(at("engine_speed_rpm", k), 0)} rpm, burning ${fixed(at("fuel_g_s", k), 2)} g/s`);
  told.Change.textContent = (changed(k) ? `from ${data.configurations[data.configuration[k - 1]].id}` : "none") + (paid ? `, with ${paid}` : "");
  told.Engaged.textContent = c.engaged;
  if (told["Not engaged"]) told["Not engaged"].textContent = c.open || "nothing";
  told["Power comes from"].textContent = list(1) || "nowhere";
  told["Power goes to"].textContent = list(-1) || "nowhere";
  told.Machines.textContent = machines.join("; ") || "carry no power";
}
onSecond.push(showNow);
