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
function showShared(k) {                                 // a change stands at the start of its second, its losses in those of the second
  const fuel = at("transition_fuel_g", k), energy = at("transition_energy_kJ", k), paid = [];
  if (fuel >= 0.005) paid.push(`${fixed(fuel, 2)} g of fuel`);
  if (Math.abs(energy) >= 0.05) paid.push(energy > 0 ? `${fixed(energy, 1)} kJ from the battery` : `${fixed(-energy, 1)} kJ back into the battery`);
  byId("shared").textContent = paid.length ? `This second begins with a change, which took ${paid.join(" and ")}. What was lost in it, in parts brought to another speed, in machines, slipping clutches, cranking and battery, is spread over the second and counted in the losses above.` : "";
}
onSecond.push(showNumbers, showShared);
