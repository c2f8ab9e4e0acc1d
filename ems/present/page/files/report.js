"use strict";
(() => {
  document.documentElement.classList.remove("plain");
  const data = JSON.parse(document.getElementById("data").textContent);
  const SVG = "http://www.w3.org/2000/svg";
  const byId = id => document.getElementById(id);
  const scaled = c => c.values.map(v => v / 10 ** c.digits);
  const time = scaled(data.time_s), count = time.length - 1, last = count - 1;
  const column = Object.fromEntries(data.columns.map(c => [c.name, { ...c, values: scaled(c) }]));
  const at = (name, k) => column[name].values[k];
  const fixed = (value, digits) => { const s = value.toFixed(digits); return Number(s) === 0 ? (0).toFixed(digits) : s; };
  const seconds = value => String(Math.round(value * 1000) / 1000);
  const state = { k: data.open, from: 0, to: count, low: time[0], high: time[count], timer: 0 };

  // ---------------------------------------------------------------- small helpers
  function make(name, attributes, parent, text) {
    const node = document.createElementNS(SVG, name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    if (text !== undefined) node.textContent = text;
    if (parent) parent.appendChild(node);
    return node;
  }
  function cell(row, text, kind = "td", className = "") {
    const node = document.createElement(kind);
    if (kind === "th") node.scope = "row";
    node.className = className;
    node.textContent = text;
    row.appendChild(node);
    return node;
  }
  function interval(t) {                                   // the interval that holds a time
    let a = 0, b = count;
    while (b - a > 1) { const m = (a + b) >> 1; if (time[m] <= t) a = m; else b = m; }
    return a;
  }
  function ticks(low, high, most) {
    const rough = (high - low) / most, size = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map(m => m * size).find(s => s >= rough * 0.999), out = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9; n++) out.push(Number((n * step).toFixed(9)));
    return out;
  }

  // ---------------------------------------------------------------- the drawing
  const paths = [...document.querySelectorAll(".stick-box [data-flow]")].map(node => ({
    node, power: data.flows[node.dataset.flow], share: Number(node.dataset.share), band: node.querySelector(".band"), heads: node.querySelector(".heads"),
    medium: ["mechanical", "electrical", "fuel", "loss"].find(m => node.classList.contains(m)) }));
  const actuators = [...document.querySelectorAll(".stick-box [data-state], .stick-box [data-position]")];
  const shafts = [...document.querySelectorAll(".stick-box [data-part^='shaft:']")].map(node => ({ node, turns: data.turns[node.dataset.part.slice(6)] }));
  const set = (node, key, value) => { if (node.getAttribute(key) !== value) node.setAttribute(key, value); };

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

  // ---------------------------------------------------------------- numbers of a second
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

  // ---------------------------------------------------------------- what happens, in words
  const told = Object.fromEntries(["Engine", "Engaged", "Not engaged", "Power comes from", "Power goes to", "Machines", "Change"].map(word => {
    const row = document.createElement("div"), name = document.createElement("dt"), words = document.createElement("dd");
    name.textContent = word;
    row.append(name, words);
    byId("now").appendChild(row);
    return [word, words];
  }));
  const lost = data.columns.filter(c => c.group === "lost in the drive" && !["loss_engine_kW", "loss_battery_kW"].includes(c.name)).map(c => c.name);
  function balance(k) {                                   // [what, kW that it gives], at engine shaft, battery terminals and wheels
    const rows = [["engine", at("engine_power_kW", k)], ["battery", at("battery_power_kW", k)], ["wheels", -at("wheel_power_kW", k)],
      ["friction brakes", -at("brake_power_kW", k)], ["auxiliaries", -at("auxiliary_kW", k)], ["losses of the drive", -lost.reduce((sum, name) => sum + at(name, k), 0)]];
    return [...rows, ["turning parts", -rows.reduce((sum, row) => sum + row[1], 0)]];
  }
  function showNow(k) {
    const c = data.configurations[data.configuration[k]], rows = balance(k).filter(row => Math.abs(row[1]) >= 0.05).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1]));
    const list = sign => rows.filter(row => row[1] * sign > 0).map(([what, kW]) => `${what} ${fixed(Math.abs(kW), 1)} kW`).join(", ");
    const machines = data.lanes.map(l => l.name).filter(n => column[n + "_electrical_kW"] && Math.abs(at(n + "_power_kW", k)) >= 0.05)
      .map(n => `${n} ${at(n + "_power_kW", k) > 0 ? "drives" : "generates"}, ${fixed(Math.abs(at(n + "_power_kW", k)), 1)} kW at its shaft`);
    const fuel = at("transition_fuel_g", k), energy = at("transition_energy_kJ", k);
    const before = k > 0 ? data.configuration[k - 1] : data.configuration[k], paid = fuel >= 0.005 || Math.abs(energy) >= 0.05;
    told.Engine.textContent = c.engine + (c.engine === "stopped" ? "" : ` at ${fixed(at("engine_speed_rpm", k), 0)} rpm, burning ${fixed(at("fuel_g_s", k), 2)} g/s`);
    told.Change.textContent = (before === data.configuration[k] ? "none" : `from ${data.configurations[before].id}`) + (paid ? `, for ${fuel >= 0.005 ? `${fixed(fuel, 2)} g of fuel and ` : ""}${fixed(energy, 1)} kJ of the battery` : "");
    told.Engaged.textContent = c.engaged || "nothing";
    told["Not engaged"].textContent = c.open || "nothing";
    told["Power comes from"].textContent = list(1) || "nowhere";
    told["Power goes to"].textContent = list(-1) || "nowhere";
    told.Machines.textContent = machines.join("; ") || "carry no power";
  }

  // ---------------------------------------------------------------- alternatives
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

  // ---------------------------------------------------------------- panels
  const M = { left: data.beside ? 70 : 58, right: 12 };
  const panels = [
    { id: "panel-speed", height: 210 + 26 * (data.beside ? data.beside.ribbons.length : 0), draw: drawSpeed, read: k => `${fixed(at("speed_kmh", k), 1)} km/h` },
    { id: "panel-power", height: 56 + 62 * data.lanes.length, draw: drawPower, read: k => `${fixed(at("wheel_power_kW", k), 1)} kW at the wheels` },
    { id: "panel-charge", height: 150, draw: drawCharge, read: k => `charge ${fixed(at("soc_start", k), 4)}` }];
  const beside = data.beside && { ...data.beside, soc: scaled(data.beside.soc), fuel: scaled(data.beside.fuel), lanes: data.beside.lanes.map(scaled),
    ledger: data.beside.ledger.map(l => ({ ...l, values: scaled(l) })) };
  if (beside) {
    for (const l of beside.ledger) { let sum = 0; l.grown = [0, ...l.values.map(v => sum += v)]; }
    panels.splice(1, 0, { id: "panel-ledger", height: 190, draw: drawLedger, read: k => `price ${fixed(beside.ledger[0].values[k], 4)} g${byId("panel-ledger").clientWidth < 560 ? "" : `, best there ${beside.best[k]}`}` });
    for (const l of beside.ledger) {
      const item = document.createElement("li"), icon = make("svg", { width: 30, height: 10, "aria-hidden": "true" }, item);
      make("line", { x1: 1, x2: 29, y1: 5, y2: 5, class: "series", stroke: l.colour || "currentColor", "stroke-dasharray": l.dash || "none" }, icon);
      item.append(`${l.name === "price" ? "all prices" : l.name} ${fixed(l.grown[count], 1)} g`);
      byId("ledger-key").appendChild(item);
    }
  }
  const soc = scaled(data.soc), speed = scaled(data.speed_kmh), lanes = data.lanes.map(l => ({ ...l, values: scaled(l) }));
  const span = () => [interval(state.low), Math.min(interval(state.high - 1e-9), last)];
  const across = (p, t) => M.left + (t - state.low) / (state.high - state.low) * (p.width - M.left - M.right);
  const clamp = (v, a, b) => Math.min(Math.max(v, a), b);

  function frame(p) {
    const box = byId(p.id);
    p.width = Math.max(box.clientWidth, 300);
    p.svg = make("svg", { viewBox: `0 0 ${p.width} ${p.height}`, height: p.height, role: "img" });
    make("title", {}, p.svg, box.closest("figure").querySelector("figcaption").textContent.trim().replace(/\s+/g, " "));
    for (const t of ticks(state.low, state.high, Math.max(3, p.width / 110))) {
      make("line", { x1: across(p, t), x2: across(p, t), y1: 4, y2: p.height - 18, class: "grid" }, p.svg);
      make("text", { x: across(p, t), y: p.height - 4, "text-anchor": "middle" }, p.svg, `${seconds(t)}${t === time[0] ? " s" : ""}`);
    }
    make("clipPath", { id: p.id + "-clip" }, p.svg).appendChild(make("rect", { x: M.left, y: 0, width: p.width - M.left - M.right, height: p.height }));
    p.inside = make("g", { "clip-path": `url(#${p.id}-clip)` }, p.svg);
    p.draw(p);
    p.pick = make("rect", { class: "pick", y: 2, height: p.height - 20, width: 0, x: 0 }, p.inside);
    p.cursor = make("line", { class: "cursor", y1: 0, y2: p.height - 16 }, p.svg);
    p.label = make("text", { class: "read", y: 12 }, p.svg);
    box.replaceChildren(p.svg);
    p.svg.addEventListener("pointerdown", e => press(p, e));
  }
  function scale(p, low, high, top, bottom, digits) {
    for (const v of ticks(low, high, 4)) {
      const y = bottom - (v - low) / (high - low) * (bottom - top);
      make("line", { x1: M.left, x2: p.width - M.right, y1: y, y2: y, class: "grid" }, p.inside);
      make("text", { x: M.left - 6, y: y + 4, "text-anchor": "end" }, p.svg, v.toFixed(digits));
    }
    return v => bottom - (v - low) / (high - low) * (bottom - top);
  }
  function curve(p, values, y) {
    const [a, b] = span(), out = [];
    for (let k = a; k <= b + 1; k++) out.push(`${across(p, time[k]).toFixed(1)} ${y(values[k]).toFixed(1)}`);
    return out.join("L");
  }
  function drawSpeed(p) {
    const base = p.height - 56 - 26 * (beside ? beside.ribbons.length : 0), y = scale(p, 0, Math.max(...speed, 1), 14, base, 0), [a, b] = span();
    const d = curve(p, speed, y);
    make("path", { d: `M${across(p, time[a])} ${base}L${d}L${across(p, time[b + 1])} ${base}Z`, class: "area" }, p.inside);
    make("path", { d: "M" + d, class: "line" }, p.inside);
    make("text", { x: M.left - 6, y: 10, "text-anchor": "end" }, p.svg, "km/h");
    const ribbons = [{ name: "mode", mode: data.mode }, ...(beside ? beside.ribbons : [])];
    ribbons.forEach(({ name, mode }, row) => ribbon(p, mode, name, base + 8 + 26 * row, a, b));
  }
  function ribbon(p, mode, name, top, a, b) {
    make("text", { x: M.left - 6, y: top + 16, "text-anchor": "end" }, p.svg, name);
    const fills = new Map();                               // one path a mode: every use of a pattern is dear on paper
    for (let k = a; k <= b;) {
      let e = k;
      while (e < b && mode[e + 1] === mode[k]) e++;
      const x = across(p, time[k]), width = Math.max(across(p, time[e + 1]) - x, 0.5);
      fills.set(mode[k], `${fills.get(mode[k]) || ""}M${x.toFixed(1)} ${top}h${width.toFixed(1)}v22h-${width.toFixed(1)}z`);
      k = e + 1;
    }
    for (const [m, d] of fills) make("title", {}, make("path", { d, fill: `url(#mode-${m})` }, p.inside), data.modes[m].label);
  }
  function drawLedger(p) {
    const [a, b] = span(), all = beside.ledger.flatMap(l => l.grown.slice(a, b + 2).map(v => v - l.grown[a]));
    const low = Math.min(0, ...all), high = Math.max(0.01, ...all), y = scale(p, low, high, 14, p.height - 22, high - low < 5 ? 2 : 0);
    make("text", { x: M.left - 6, y: 10, "text-anchor": "end" }, p.svg, "g");
    for (const l of beside.ledger) make("path", { d: "M" + curve(p, l.grown.map(v => v - l.grown[a]), y), class: "series" + (l.colour ? "" : " whole"), stroke: l.colour || "currentColor", "stroke-dasharray": l.dash || "none" }, p.inside);
  }
  function drawPower(p) {
    const room = p.height - 24, spans = lanes.map((l, i) => { const all = beside ? l.values.concat(beside.lanes[i]) : l.values; return [Math.min(...all, 0), Math.max(...all, 0)]; });
    const most = Math.max(...spans.map(s => Math.max(-s[0], s[1])), 1e-9), gap = 14;
    const heights = spans.map(s => Math.max(s[1] - s[0], 0.16 * most)), unit = (room - gap * lanes.length) / heights.reduce((a, b) => a + b, 0);
    let top = gap;
    lanes.forEach((lane, i) => {
      const base = top + Math.max(spans[i][1], heights[i] + spans[i][0]) * unit, [a, b] = span(), out = [];
      for (let k = a; k <= b; k++) out.push(`V${(base - lane.values[k] * unit).toFixed(1)}H${across(p, time[k + 1]).toFixed(1)}`);
      make("path", { d: `M${across(p, time[a])} ${base}${out.join("")}V${base}Z`, fill: lane.colour }, p.inside);
      if (beside) {
        const steps = [];
        for (let k = a; k <= b; k++) steps.push(`V${(base - beside.lanes[i][k] * unit).toFixed(1)}H${across(p, time[k + 1]).toFixed(1)}`);
        make("path", { d: `M${across(p, time[a])} ${base}${steps.join("")}`, class: "line" }, p.inside);
      }
      make("line", { x1: M.left, x2: p.width - M.right, y1: base, y2: base, class: "zero" }, p.inside);
      const parts = lane.name.length > 8 ? lane.name.split(" ") : [lane.name];
      parts.forEach((w, n) => make("text", { x: M.left - 6, y: base + 4 + 11 * (n - (parts.length - 1) / 2), "text-anchor": "end", class: "name" }, p.svg, w));
      top += heights[i] * unit + gap;
    });
    const size = [100, 50, 20, 10, 5, 2, 1].find(s => s * unit < 60) || 1;
    make("line", { x1: p.width - 6, x2: p.width - 6, y1: 18, y2: 18 + size * unit, class: "line" }, p.svg);
    make("text", { x: p.width - 10, y: 22 + size * unit / 2, "text-anchor": "end", class: "scale" }, p.svg, `${size} kW`);
  }
  function drawCharge(p) {
    const [a, b] = span(), seen = soc.slice(a, b + 2).concat(beside ? beside.soc.slice(a, b + 2) : []), zoomed = b - a < last;
    let low = Math.min(...seen), high = Math.max(...seen);
    if (!zoomed) { low = Math.min(low, data.window[0]); high = Math.max(high, data.window[1]); }
    const margin = Math.max(0.06 * (high - low), 0.0005);
    low -= margin; high += margin;
    const y = scale(p, low, high, 14, p.height - 22, high - low < 0.04 ? 3 : 2);
    for (const v of data.window) if (v > low && v < high) make("line", { x1: M.left, x2: p.width - M.right, y1: y(v), y2: y(v), class: "limit-line" }, p.inside);
    make("path", { d: "M" + curve(p, soc, y), class: "line charge" }, p.inside);
    if (beside) make("path", { d: "M" + curve(p, beside.soc, y), class: "line", "stroke-dasharray": "5 3" }, p.inside);
  }
  function press(p, e) {
    const box = p.svg.getBoundingClientRect();
    const t = event => state.low + clamp((event.clientX - box.left) / box.width * p.width - M.left, 0, p.width - M.left - M.right) / (p.width - M.left - M.right) * (state.high - state.low);
    const begun = e.clientX, start = t(e);
    const move = event => { if (Math.abs(event.clientX - begun) > 4) select(...[start, t(event)].sort((a, b) => a - b)); };
    const done = event => {
      window.removeEventListener("pointermove", move);
      window.removeEventListener("pointerup", done);
      window.removeEventListener("pointercancel", done);
      if (event.type === "pointerup" && Math.abs(event.clientX - begun) <= 4) go(interval(start));
    };
    window.addEventListener("pointermove", move);
    window.addEventListener("pointerup", done);
    window.addEventListener("pointercancel", done);
  }
  function showCursor(k) {
    for (const p of panels) {
      const x = across(p, time[k]), seen = time[k] >= state.low && time[k] < state.high;
      p.cursor.style.display = p.label.style.display = seen ? "" : "none";
      set(p.cursor, "x1", x.toFixed(1)); set(p.cursor, "x2", x.toFixed(1));
      p.label.textContent = p.read(k);
      const right = x > p.width * 0.7 || x + 5 + p.label.getComputedTextLength() > p.width;
      set(p.label, "x", (x + (right ? -5 : 5)).toFixed(1)); set(p.label, "text-anchor", right ? "end" : "start");
    }
  }

  // ---------------------------------------------------------------- a stretch
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
      const all = from === 0 && to === count;
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
  function zoom(low, high) { state.low = low; state.high = high; redraw(); }
  function redraw() { panels.forEach(frame); showStretch(); showCursor(state.k); }

  // ---------------------------------------------------------------- maps
  const crosses = [...document.querySelectorAll("[data-map]")].map(svg => ({ mark: svg.querySelector(".now"), name: svg.dataset.map, f: svg.dataset.frame.split(" ").map(Number) }));
  function showCrosses(k) {
    for (const { mark, name, f } of crosses) {
      const x = f[4] + (at(name + "_speed_rpm", k) - f[0]) / (f[1] - f[0]) * (f[5] - f[4]);
      const y = f[6] + (at(name + "_torque_Nm", k) - f[2]) / (f[3] - f[2]) * (f[7] - f[6]);
      set(mark, "transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
    }
  }

  // ---------------------------------------------------------------- the player
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
    showDrawing(k); showNow(k); showNumbers(k); showAlternatives(k); showCursor(k); showCrosses(k);
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
  function begin() {
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
  for (const id of ["from", "to"]) byId(id).addEventListener("change", () => {
    const a = Number(byId("from").value), b = Number(byId("to").value);
    if (Number.isFinite(a) && Number.isFinite(b)) select(Math.min(a, b), Math.max(a, b));
  });
  byId("zoom").addEventListener("click", () => zoom(time[state.from], time[state.to]));
  byId("whole").addEventListener("click", () => { state.from = 0; state.to = count; zoom(time[0], time[count]); });
  let waiting = 0;
  window.addEventListener("resize", () => { window.clearTimeout(waiting); waiting = window.setTimeout(redraw, 80); });
  window.addEventListener("beforeprint", redraw);
  const larger = byId("larger");
  larger.addEventListener("click", () => larger.setAttribute("aria-pressed", String(document.querySelector(".stick").classList.toggle("large"))));
  redraw();
  go(data.open);
})();
