// The ledger of a strategy, summed from the start of what is shown; with it the legend that says what each line is.

if (beside) {
  panels.push({ id: "panel-ledger", height: 190, draw: drawLedger, read: k => `price ${fixed(beside.ledger[0].values[k], 4)} g${byId("panel-ledger").clientWidth < 560 ? "" : `, best there ${beside.best[k]}`}` });
  for (const l of beside.ledger) {
    let sum = 0;
    l.grown = [0, ...l.values.map(v => sum += v)];
    const item = document.createElement("li"), icon = make("svg", { width: 30, height: 10, "aria-hidden": "true" }, item);
    make("line", { x1: 1, x2: 29, y1: 5, y2: 5, class: "series", stroke: l.colour || "currentColor", "stroke-dasharray": l.dash || "none" }, icon);
    item.append(`${l.name === "price" ? "all prices" : l.name} ${fixed(l.grown[count], 1)} g`);
    byId("ledger-key").appendChild(item);
  }
}

function drawLedger(p) {
  const [a, b] = span(), all = beside.ledger.flatMap(l => l.grown.slice(a, b + 2).map(v => v - l.grown[a]));
  const low = Math.min(0, ...all), high = Math.max(0.01, ...all), y = scale(p, low, high, 14, p.height - 22, high - low < 5 ? 2 : 0);
  make("text", { x: M.left - 6, y: 10, "text-anchor": "end" }, p.svg, "g");
  for (const l of beside.ledger) make("path", { d: "M" + curve(p, l.grown.map(v => v - l.grown[a]), y), class: "series" + (l.colour ? "" : " whole"), stroke: l.colour || "currentColor", "stroke-dasharray": l.dash || "none" }, p.inside);
}
