// The ranked alternatives of a second, and why the chosen one was chosen.

const body = byId("alternatives").tBodies[0], R = data.ranks;
document.querySelector(".ranks").style.setProperty("--rows", Math.max(...R.possible.map((_, k) => R.first[k + 1] - R.first[k])));
const words = { fuel: "fuel", worth: "battery energy", change: "the change", later: "what follows" };
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
  byId("impossible").textContent = `${R.possible[k]} of ${data.configurations.length} configurations are possible here${more > 0 ? `, ${more} of them dearer than those shown` : ""}${R.possible[k] < data.configurations.length ? "; the rest are stopped by a limit (ems explain names it)" : ""}.`;
  byId("why").textContent = reason(own, rival);
}
function reason(own, rival) {
  const id = r => data.configurations[R.configuration[r]].id;
  if (own < 0) return "";
  if (rival < 0) return `${id(own)}: every other configuration is stopped by a limit.`;
  const extra = grams("extra", rival);
  if (extra < -0.00005 && !data.beside) return `${id(own)} was driven although ${id(rival)} comes out ${fixed(-extra, 4)} g lower at one price of stored energy: that price is not exact where engine starts are few or the battery is at a limit.`;
  if (Math.abs(extra) <= 0.00005) return `${id(own)} and ${id(rival)} cost the same here.`;
  const better = extra > 0 ? own : rival, other = extra > 0 ? rival : own;
  const gains = Object.keys(words).map(p => [words[p], grams(p, other) - grams(p, better)]).filter(g => Math.abs(g[1]) >= 0.00005).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1]));
  const list = sign => gains.filter(g => g[1] * sign > 0).map(g => `${fixed(Math.abs(g[1]), 4)} g on ${g[0]}`).join(" and ");
  const saves = `it saves ${list(1) || "nothing alone"}${list(-1) ? `, and loses ${list(-1)}` : ""}`;
  return extra > 0 ? `${id(own)} beats the next best, ${id(rival)}, by ${fixed(extra, 4)} g: ${saves}.` : `${id(own)} was driven; ${id(rival)} would have cost ${fixed(-extra, 4)} g less: ${saves}.`;
}
onSecond.push(showAlternatives);
