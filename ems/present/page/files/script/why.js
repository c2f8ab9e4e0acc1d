// The ranked alternatives of a second, and why the chosen one was chosen.

const body = byId("alternatives").tBodies[0], R = data.ranks;
document.querySelector(".ranks").style.setProperty("--rows", Math.max(...R.possible.map((_, k) => R.first[k + 1] - R.first[k])));
const words = { fuel: "of fuel now", worth: "of battery energy", change: "for the change", later: "later on" };
function grams(list, r) { return R[list][r] / 10 ** R.digits; }
function showAlternatives(k) {
  body.textContent = "";
  const chosen = data.configuration[k];
  let own = -1, rival = -1;
  for (let r = R.first[k]; r < R.first[k + 1]; r++) {
    const c = R.configuration[r], row = body.insertRow();
    if (c === chosen) { own = r; row.className = "chosen"; } else if (rival < 0) rival = r;
    const name = cell(row, "", "th");
    for (const piece of (data.configurations[c].id + (c === chosen ? " (chosen)" : "")).split(/(?<=[+:=])/)) name.append(piece, document.createElement("wbr"));
    for (const part of ["extra", "fuel", "worth", "change", "later"]) cell(row, (part === "extra" && R[part][r] > 0 ? "+" : "") + fixed(grams(part, r), 4), "td", "n");
  }
  const more = R.possible[k] - (R.first[k + 1] - R.first[k]);
  byId("impossible").textContent = driven(k, own) + `${R.possible[k]} of ${data.configurations.length} configurations are possible here${more > 0 ? `, ${more} of them dearer than those shown` : ""}${R.possible[k] < data.configurations.length ? "; the rest are stopped by a limit (ems explain names it)" : ""}.`;
  byId("why").textContent = reason(own, rival);
}
function inWords(c) {                                    // what a configuration is, for someone who does not read its id yet
  const engine = c.engine === "stopped" ? "engine stopped" : c.engine === "running" ? "engine running" : `engine ${c.engine}`;
  return c.engaged === "nothing" ? `${engine}, nothing engaged` : c.engaged.startsWith("nothing") ? engine : `${engine} with ${c.engaged}`;
}
function gramsOf(value) { return `${fixed(value, Math.min(finer(value, 1, 2), 4))} g`; }
function driven(k, own) {                                // a sentence where another division was driven than the best, which the rows hold
  const burnt = at("fuel_g_s", k) * (time[k + 1] - time[k]);
  if (own < 0 || Math.abs(burnt - grams("fuel", own)) < 0.005) return "";
  return `Every row is at its best division of power; the one that was driven burnt ${gramsOf(burnt)}. `;
}
function reason(own, rival) {
  const of = r => data.configurations[R.configuration[r]];
  if (own < 0) return "";
  if (rival < 0) return `${of(own).id}: every other configuration is stopped by a limit.`;
  const extra = grams("extra", rival), other = `${of(rival).id} (${inWords(of(rival))})`;
  if (extra < -0.00005 && !data.beside) return `${of(own).id} was driven although ${other} comes out ${gramsOf(-extra)} lower at one price of stored energy: that price is not exact where engine starts are few or the battery is at a limit.`;
  if (Math.abs(extra) <= 0.00005) return `A tie: ${other} would cost the same here.`;
  const gains = Object.keys(words).map(p => [words[p], grams(p, rival) - grams(p, own)]).filter(g => Math.abs(g[1]) >= 0.00005).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1]));
  const list = sign => gains.filter(g => g[1] * sign > 0).map(g => `${gramsOf(Math.abs(g[1]))} ${g[0]}`).join(" and ");
  const against = `against it the chosen one saves ${list(1) || "nothing"}${list(-1) ? `, at the price of ${list(-1)}` : ""}`;
  return extra > 0 ? `${data.beside ? "No other costs less here" : "Chosen because it costs least"}. The next best, ${other}, would cost ${gramsOf(extra)} more: ${against}.`
    : `Not the cheapest: ${other} would have cost ${gramsOf(-extra)} less; ${against}.`;
}
onSecond.push(showAlternatives);
