// The cross in the maps: the second shown in the player.

const crosses = [...document.querySelectorAll("[data-map]")].map(svg => ({ mark: svg.querySelector(".now"), name: svg.dataset.map, f: svg.dataset.frame.split(" ").map(Number) }));
function showCrosses(k) {
  for (const { mark, name, f } of crosses) {
    const x = f[4] + (at(name + "_speed_rpm", k) - f[0]) / (f[1] - f[0]) * (f[5] - f[4]);
    const y = f[6] + (at(name + "_torque_Nm", k) - f[2]) / (f[3] - f[2]) * (f[7] - f[6]);
    set(mark, "transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
  }
}
onSecond.push(showCrosses);
