// The drawing: engagement, turning shafts, width and direction of power; shapes and places stay.

const paths = [...document.querySelectorAll(".stick-box [data-flow]")].map(node => ({
  node, power: data.flows[node.dataset.flow], share: Number(node.dataset.share), band: node.querySelector(".band"), heads: node.querySelector(".heads"),
  medium: ["mechanical", "electrical", "fuel", "loss"].find(m => node.classList.contains(m)) }));
const actuators = [...document.querySelectorAll(".stick-box [data-state], .stick-box [data-position]")];
const shafts = [...document.querySelectorAll(".stick-box [data-part^='shaft:']")].map(node => ({ node, turns: data.turns[node.dataset.part.slice(6)] }));

function showDrawing(k) {
  const c = data.configurations[data.configuration[k]];
  for (const { node, power, share, band, heads, medium } of paths) {
    const watts = power ? power[k] * 10 * share : 0, width = Math.max(Math.abs(watts) / data.W_per_px, 1.2);
    const direction = Math.abs(watts) < 20 ? "none" : watts > 0 ? "forward" : "backward";
    set(node, "data-direction", direction);
    if (direction === "none") continue;
    set(band, "stroke-width", width.toFixed(1));
    set(heads, "stroke-width", Math.min(Math.max(width, 3.4), 9).toFixed(1));
    set(heads, "marker-mid", `url(#player-${medium}-${direction})`);
  }
  for (const node of actuators) {
    const name = node.dataset.part.slice(node.dataset.part.indexOf(":") + 1);
    if (node.hasAttribute("data-state")) set(node, "data-state", c.closed.includes(name) ? "closed" : "open");
    else {
      const here = c.positions[name.split(".")[0]];
      set(node, "data-position", here && here === node.dataset.left ? "left" : here && here === node.dataset.right ? "right" : "neutral");
    }
  }
  for (const { node, turns } of shafts) if (turns) set(node, "data-turns", turns[k] === "1" ? "yes" : "no");
}
onSecond.push(showDrawing);
