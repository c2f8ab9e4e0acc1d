// Numbers of a second, in tables by group.

const shown = [];
for (const title of new Set(data.columns.map(c => c.group).filter(Boolean))) {
  const table = document.createElement("table");
  table.createCaption().textContent = title;
  const body = table.createTBody();
  for (const c of data.columns.filter(c => c.group === title)) {
    const row = body.insertRow();
    cell(row, c.words, "th");
    const value = cell(row, "");
    value.dataset.column = c.name;
    shown.push({ value, c, digits: c.unit === "kW" ? 2 : c.unit === "" ? 4 : c.unit === "g/s" ? 3 : c.unit === "kJ" ? 1 : c.unit === "rpm" ? 0 : 1 });
  }
  byId("numbers").appendChild(table);
}
if (data.beside) {
  const table = document.createElement("table"), rows = table.createTBody();
  table.createCaption().textContent = "price of this second";
  for (const l of data.beside.ledger) {
    const row = rows.insertRow();
    cell(row, l.name === "price" ? "all causes" : l.name, "th");
    shown.push({ value: cell(row, ""), grams: scaled(l) });
  }
  byId("numbers").appendChild(table);
}
function showNumbers(k) {
  for (const { value, c, digits, grams } of shown) value.textContent = grams ? `${fixed(grams[k], 4)} g` : fixed(at(c.name, k), digits) + (c.unit ? " " + c.unit : "");
}
function heatOfChange(k) {                              // kW of the engine heat that the change at the start of a second left there
  return at("loss_engine_kW", k) - (at("fuel_g_s", k) * data.heating_value_kJ_g - at("engine_power_kW", k));
}
function showShared(k) {
  const paid = costOfChange(k), heat = heatOfChange(k), starts = at("transition_fuel_g", k) > 0;
  const share = heat < 0.05 ? "" : ` Of the engine heat ${fixed(heat, 2)} kW are the change's: ${starts ? "the fuel of the start, and turning the engine up" : "the engine's own motion, lost as it comes to rest"}.`;
  byId("shared").textContent = paid && `This second begins with a change, with ${paid}. What was lost in it, in parts brought to another speed, in machines, slipping clutches, cranking and battery, is spread over the second and counted in the losses above.${share}`;
}
onSecond.push(showNumbers, showShared);
