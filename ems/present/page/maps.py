"""Maps as SVG: efficiency contours with the trip's operating points, modes over speed and force, the flow of energy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from ems.plant.trace import Trace
from ems.present.drawing.sizes import text_width
from ems.present.drawing.svg import element, group, label, line, outline, rect
from ems.present.page.findings import energy_rows
from ems.present.page.trip import interval_fuel_g
from ems.quantities import RPM_PER_RAD_S
from ems.types import Array

WIDTH, HEIGHT = 520.0, 340.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 20.0, 14.0, 40.0
LEAST_SHARE = 5e-4                 # of the largest flow; smaller ones stand in the table only
LARGEST = 13.0                     # radius of the heaviest point [px]
FLOW_NAME = 13.0                   # size of words in the flow of energy [px]
FREE, LEAST_FREEDOM = 40.0, 11.0    # free room around the number of a contour that is enough, and without which it has none [px]
CELLS = 28                         # cells a side into which operating points are gathered
LEVELS = (0.10, 0.20, 0.25, 0.30, 0.33, 0.35, 0.37, 0.38, 0.39, 0.40, 0.41, 0.42)
MACHINE_LEVELS = (0.70, 0.80, 0.85, 0.90, 0.93, 0.95, 0.96)


@dataclass(frozen=True, slots=True)
class Frame:
    """Axes of a map: data ranges onto pixels."""

    x: tuple[float, float]
    y: tuple[float, float]

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Pixel of a point."""
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        return LEFT + across * (WIDTH - LEFT - RIGHT), HEIGHT - BOTTOM - up * (HEIGHT - TOP - BOTTOM)

    def curve(self, x: Sequence[float] | Array, y: Sequence[float] | Array, class_: str) -> str:
        """A line through points."""
        return element("path", d=outline([self.at(float(a), float(b)) for a, b in zip(x, y, strict=True)]), class_=class_)

    def axes(self, x_words: str, y_words: str) -> list[str]:
        """Grid, numbers and names of both axes."""
        out = []
        for value in ticks(*self.x):
            a, b = self.at(value, self.y[0]), self.at(value, self.y[1])
            out += [line(a, b, "grid"), label(a[0], a[1] + 14.0, f"{value:g}", "tick")]
        for value in ticks(*self.y):
            a, b = self.at(self.x[0], value), self.at(self.x[1], value)
            out += [line(a, b, "grid"), label(a[0] - 5.0, a[1] + 3.5, f"{value:g}", "tick", "end")]
        return [*out, label(WIDTH - RIGHT, HEIGHT - 8.0, x_words, "axis", "end"), label(4.0, TOP - 3.0, y_words, "axis", "start")]


def ticks(low: float, high: float, count: int = 6) -> list[float]:
    """Round numbers between two ends."""
    rough = (high - low) / count
    size = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m * size for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * size >= rough * 0.999))
    first = int(np.ceil(low / step - 1e-9))
    return [round(n * step, 10) + 0.0 for n in range(first, int(np.floor(high / step + 1e-9)) + 1)]


def picture(content: Sequence[str], words: str, **attributes: object) -> str:
    """The whole map, with what a screen reader says of it."""
    title = element("title", escape(words, quote=False))
    return element("svg", title + "".join(content), class_="map", role="img", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", **attributes)


def engine_map(trace: Trace, words: str, follows: bool = True) -> str:
    """Efficiency of the engine, full load, line of least fuel, and where the trip's fuel was burnt.

    follows : with a cross at the second that the player shows
    """
    engine = trace.plant.layout.engine.engine
    speed = np.linspace(engine.idle_rad_s, engine.max_rad_s, 90)
    torque = np.linspace(0.0, float(engine.full_load_Nm.max()), 80)
    limit = np.interp(speed, engine.limit_speed_rad_s, engine.full_load_Nm)
    rate = engine.fuel_rate_g_s(speed[None, :], torque[:, None])
    efficiency = speed[None, :] * torque[:, None] / np.maximum(rate * engine.fuel.heating_value_J_g, 1e-9)
    frame = Frame((0.0, float(engine.max_rad_s) * RPM_PER_RAD_S), (0.0, 1.08 * float(torque[-1])))
    best = engine.best_line(np.linspace(0.02, 0.99, 40) * engine.rated_power_W)
    held = np.isfinite(best[1])
    lines, numbers = contours(frame, speed * RPM_PER_RAD_S, torque, np.where(torque[:, None] <= limit[None, :], efficiency, np.nan), LEVELS)
    content = [*frame.axes("engine speed [rpm]", "torque [N m]"), *lines,
               frame.curve(speed * RPM_PER_RAD_S, limit, "limit"), frame.curve(best[0][held] * RPM_PER_RAD_S, best[1][held], "best")]
    columns = trace.columns
    fuel = interval_fuel_g(trace)
    content += points(frame, np.asarray(columns["engine_speed_rpm"], float), np.asarray(columns["engine_torque_Nm"], float), fuel) + numbers
    if not follows:
        return picture(content, words)
    return picture([*content, _marker(frame, "engine")], words, **_driven(frame, "engine"))


def machine_map(trace: Trace, index: int, words: str) -> str:
    """Efficiency of a machine, its limits, and where its work was done."""
    use = trace.plant.layout.machines[index]
    machine = use.machine
    columns = trace.columns
    speeds = np.asarray(columns[f"{use.name}_speed_rpm"], float)
    backward = float(min(speeds.min(), 0.0)) / RPM_PER_RAD_S
    low = max(-machine.max_rad_s, 1.1 * backward) if backward < -1.0 else 0.0
    most = float(machine.peak_Nm.max())
    speed, torque = np.linspace(low, machine.max_rad_s, 110), np.linspace(-most, most, 101)
    peak, lasting = (np.interp(np.abs(speed), machine.limit_speed_rad_s, y) for y in (machine.peak_Nm, machine.continuous_Nm))
    inside = np.abs(torque[:, None]) <= peak[None, :]
    efficiency = np.where(inside, machine.efficiency(speed[None, :], torque[:, None]), np.nan)
    frame = Frame((low * RPM_PER_RAD_S, float(machine.max_rad_s) * RPM_PER_RAD_S), (-1.08 * most, 1.08 * most))
    limits = [frame.curve(speed * RPM_PER_RAD_S, sign * curve, word)
              for sign in (1.0, -1.0) for curve, word in ((peak, "limit"), (lasting, "lasting"))]
    work = np.abs(np.asarray(columns[f"{use.name}_power_kW"], float)) * trace.demand.dt_s
    lines, numbers = contours(frame, speed * RPM_PER_RAD_S, torque, efficiency, MACHINE_LEVELS, above=0.12 * most)
    content = [*frame.axes(f"{use.name} speed [rpm]", "torque [N m]"), *lines,
               line(frame.at(frame.x[0], 0.0), frame.at(frame.x[1], 0.0), "zero"), *limits,
               *points(frame, speeds, np.asarray(columns[f"{use.name}_torque_Nm"], float), work), *numbers]
    return picture([*content, _marker(frame, use.name)], words, **_driven(frame, use.name))


def _driven(frame: Frame, name: str) -> dict[str, object]:
    """What the page's script needs to place the point of the second that is shown."""
    (x0, y0), (x1, y1) = frame.at(frame.x[0], frame.y[0]), frame.at(frame.x[1], frame.y[1])
    numbers = (*frame.x, *frame.y, x0, x1, y0, y1)
    return {"data_map": name, "data_frame": " ".join(f"{v:.6g}" for v in numbers)}


def _marker(frame: Frame, name: str) -> str:
    x, y = frame.at(frame.x[0], frame.y[0])
    return element("path", d="M-9 0H9M0 -9V9", class_="now", transform=f"translate({x:.1f} {y:.1f})")


def contours(frame: Frame, x: Array, y: Array, z: Array, levels: Sequence[float],
             above: float = 0.0) -> tuple[list[str], list[str]]:
    """Lines of equal efficiency, and a number for each level, where it is farthest from the others and from the frame.

    z : (y, x)      above : y below which no number stands
    """
    from contourpy import contour_generator

    made = contour_generator(x, y, np.ma.masked_invalid(z))
    left = frame.at(float(x[0]), 0.0)[0]
    lines: list[str] = []
    numbers: list[str] = []
    taken: list[tuple[float, float]] = []
    for level in levels:
        pieces = [p for p in (np.asarray(piece) for piece in made.lines(level)) if len(p) > 6]
        lines += [frame.curve(p[::2, 0], p[::2, 1], "contour") for p in pieces]
        places = [frame.at(float(a), float(b)) for p in pieces for a, b in p[::2] if b > above]
        best = max(places, key=lambda place: _freedom(place, taken, left), default=None)
        if best is not None and _freedom(best, taken, left) > LEAST_FREEDOM:
            taken.append(best)
            numbers.append(label(best[0], best[1] + 3.0, f"{100 * level:.0f} %", "level"))
    return lines, numbers


def _freedom(place: tuple[float, float], taken: Sequence[tuple[float, float]], left: float) -> float:
    """How free a place for a number is [px]: words are wider than they are high. left : where the data begin"""
    x, y = place
    edges = (0.5 * (x - left), 0.5 * (WIDTH - RIGHT - x), y - 2.0 * TOP, HEIGHT - BOTTOM - y)
    return min(*edges, FREE, *(max(0.5 * abs(x - a), abs(y - b)) for a, b in taken))


def points(frame: Frame, x: Array, y: Array, weight: Array) -> list[str]:
    """Circles whose area is the weight gathered in their cell, at its centre of gravity."""
    i = np.clip(((x - frame.x[0]) / (frame.x[1] - frame.x[0]) * CELLS).astype(int), 0, CELLS - 1)
    j = np.clip(((y - frame.y[0]) / (frame.y[1] - frame.y[0]) * CELLS).astype(int), 0, CELLS - 1)
    cell = i * CELLS + j
    total = np.bincount(cell, weights=weight, minlength=CELLS * CELLS)
    if total.max() <= 0.0:
        return []
    centre = [np.bincount(cell, weights=weight * v, minlength=total.size) / np.maximum(total, 1e-12) for v in (x, y)]
    out = []
    for c in np.argsort(-total)[: int(np.count_nonzero(total > 1e-4 * total.max()))]:
        px, py = frame.at(float(centre[0][c]), float(centre[1][c]))
        out.append(element("circle", cx=px, cy=py, r=max(LARGEST * float(np.sqrt(total[c] / total.max())), 1.0), class_="point"))
    return out


def mode_map(trace: Trace, labels: Sequence[str], words: str) -> str:
    """The mode that takes the most time in each cell of speed and wheel force."""
    columns = trace.columns
    speed = np.asarray(columns["speed_kmh"], float)
    radius = trace.plant.layout.vehicle.wheel_radius_m
    force = np.asarray(columns["wheel_torque_Nm"], float) / radius / 1e3
    moving = speed > 0.0
    if not moving.any():
        return picture([], words)
    steps = ticks(float(force.min()), float(force.max()) + 0.1, 16)
    step_x, step_y = 5.0, steps[1] - steps[0]
    frame = Frame((0.0, step_x * np.ceil(speed.max() / step_x + 0.01)),
                  (step_y * np.floor(force.min() / step_y), step_y * np.ceil(force.max() / step_y + 0.01)))
    number = np.array([labels.index(str(m)) for m in columns["mode"]])
    cells: dict[tuple[int, int], Array] = {}
    for k in np.flatnonzero(moving):
        key = int(speed[k] // step_x), int(np.floor(force[k] / step_y))
        cells.setdefault(key, np.zeros(len(labels)))[number[k]] += trace.demand.dt_s[k]
    boxes = []
    fills: dict[int, str] = {}          # one path a mode: every use of a pattern is dear on paper
    for (i, j), seconds in sorted(cells.items()):
        (a, b), (c, d) = frame.at(i * step_x, j * step_y), frame.at((i + 1) * step_x, (j + 1) * step_y)
        most = int(np.argmax(seconds))
        where = f"{i * step_x:g} to {(i + 1) * step_x:g} km/h, {j * step_y:.2g} to {(j + 1) * step_y:.2g} kN"
        tip = element("title", f"{where}: {labels[most]}, {seconds[most]:.0f} of {seconds.sum():.0f} s")
        fills[most] = fills.get(most, "") + f"M{a:.1f} {d:.1f}H{c:.1f}V{b:.1f}H{a:.1f}Z"
        boxes.append(element("rect", tip, x=a, y=d, width=c - a, height=b - d, fill="transparent", class_="cell"))
    filled = [element("path", d=d, fill=f"url(#mode-{most})") for most, d in fills.items()]
    return picture([*frame.axes("speed [km/h]", "wheel force [kN]"), *filled, *boxes,
                    line(frame.at(frame.x[0], 0.0), frame.at(frame.x[1], 0.0), "zero")], words)


def energy_flow(trace: Trace, words: str, narrow: bool = False) -> str:
    """What came in on the left, where it went on the right; widths are energies, and both sides are equally high.

    narrow : short bands, and what came in written above them, for a telephone
    """
    rows: list[dict[str, Any]] = energy_rows(trace)
    most = max(abs(r["kJ"]) for r in rows)
    rows = [r for r in rows if abs(r["kJ"]) >= LEAST_SHARE * most]
    given, gone = [r for r in rows if r["kJ"] > 0], [r for r in rows if r["kJ"] < 0]
    total = sum(r["kJ"] for r in given)
    told = [f"{r['what']} {r['kJ']:.0f} kJ" for r in given]
    lost = [f"{r['what']} {-r['kJ']:.0f} kJ, {100 * -r['kJ'] / total:.1f} %" for r in gone]
    scale, gap = 250.0 / max(total, 1e-9), 17.0
    top = 30.0 + (15.0 * len(told) if narrow else 0.0)
    start, into, out_of, end = (0.0, 24.0, 36.0, 76.0) if narrow else (16.0 + max(text_width(w, FLOW_NAME) for w in told) + x
                                                                       for x in (0.0, 110.0, 140.0, 260.0))
    out, y_in, y_out, y_left, y_right = [], top + 40.0, top + 40.0, top + 20.0, top
    for n, (r, said) in enumerate(zip(given, told, strict=True)):
        h = r["kJ"] * scale
        out.append(_band(start, y_left, into, y_in, h, "given fuel" if r["what"] == "fuel" else "given"))
        out.append(label(0.0, 14.0 + 15.0 * n, f"From: {said}" if n == 0 else said, "name", "start") if narrow
                   else label(start - 6.0, y_left + h / 2 + 4.0, said, "name", "end"))
        y_in, y_left = y_in + h, y_left + h + 24.0
    for n, (r, said) in enumerate(zip(gone, lost, strict=True)):
        h = -r["kJ"] * scale
        out.append(_band(out_of, y_out, end, y_right, h, f"gone gone-{n % 2}"))
        out.append(label(end + 7.0, y_right + h / 2 + 4.0, said, "name", "start"))
        y_out, y_right = y_out + h, y_right + h + gap
    out.append(rect(into, top + 40.0, out_of, top + 290.0, "trunk"))
    width = end + 17.0 + max(text_width(w, FLOW_NAME) for w in lost)
    return element("svg", element("title", escape(words, quote=False)) + group(out), role="img",
                   class_=f"map flowchart {'narrow' if narrow else 'broad'}",
                   viewBox=f"0 0 {width:.0f} {max(y_left, y_right, top + 310.0):.0f}")


def _band(x0: float, y0: float, x1: float, y1: float, h: float, class_: str) -> str:
    middle = (x0 + x1) / 2
    d = (f"M{x0:.1f} {y0:.1f}C{middle:.1f} {y0:.1f} {middle:.1f} {y1:.1f} {x1:.1f} {y1:.1f}V{y1 + h:.1f}"
         f"C{middle:.1f} {y1 + h:.1f} {middle:.1f} {y0 + h:.1f} {x0:.1f} {y0 + h:.1f}Z")
    return element("path", d=d, class_=f"band {class_}")
