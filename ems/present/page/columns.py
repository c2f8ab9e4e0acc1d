"""The numbers a page carries: columns of integers with their decimals, small enough to be inlined."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.judge.ranking import Ranking
from ems.plant.plant import Plant
from ems.present.drawing.flow import Flows
from ems.present.figures import power_lanes
from ems.present.palette import mode_style
from ems.types import Array

if TYPE_CHECKING:
    from ems.solve.optimum import Optimum

SHOWN = 8                # alternatives of a second
UNITS = {"_kW": ("kW", 3), "_rpm": ("rpm", 1), "_Nm": ("Nm", 2), "_g_s": ("g/s", 4), "_kmh": ("km/h", 2), "_percent": ("%", 2),
         "_kJ": ("kJ", 3), "_g": ("g", 4)}
FIRST = ("speed_kmh", "grade_percent", "wheel_power_kW", "brake_power_kW", "engine_speed_rpm", "engine_torque_Nm", "engine_power_kW",
         "fuel_g_s")
THEN = ("battery_power_kW", "soc_start", "battery_energy_start_kJ", "battery_energy_end_kJ", "transition_fuel_g", "auxiliary_kW")


def whole(values: Array | Sequence[float], digits: int) -> dict[str, Any]:
    """A column as integers times ten to the minus ``digits``."""
    return {"digits": digits, "values": np.rint(np.asarray(values, float) * 10.0**digits).astype(np.int64).tolist()}


def page_columns(found: Optimum, flows: Flows, ranked: Ranking) -> dict[str, Any]:
    """Everything the page's script needs; arrays have a value an interval, ``time_s`` one more."""
    demand, trip, plant = found.trace.demand, found.trace, found.trace.plant
    battery = plant.layout.battery
    modes = list(found.time_share)
    return {
        "time_s": whole(np.append(demand.time_s, demand.time_s[-1] + demand.dt_s[-1]), 3),
        "speed_kmh": whole(3.6 * demand.boundary_speed_m_s, 2),
        "soc": whole(np.append(trip.columns["soc_start"], trip.columns["soc_end"][-1:]).astype(float), 5),
        "window": [float(battery.soc_low), float(battery.soc_high)],
        "columns": shown_columns(found),
        "modes": [{"label": label, "share": found.time_share[label]} for label in modes],
        "mode": [modes.index(str(m)) for m in trip.columns["mode"]],
        "lanes": [{"name": name, "colour": colour, **whole(power, 3)} for name, power, colour in power_lanes(found)],
        "configurations": configurations(plant), "configuration": ranked.chosen.tolist(),
        "flows": {key: whole(power / 10.0, 0)["values"] for key, power in flows.W.items() if np.abs(power).max() >= 5.0},
        "turns": {shaft: "".join("1" if t else "0" for t in turning) for shaft, turning in flows.turns.items()},
        "W_per_px": flows.W_per_px, "ranks": ranks(ranked), "density_g_l": found.layout.engine.engine.fuel.density_g_l,
    }


def shown_columns(found: Optimum) -> list[dict[str, Any]]:
    """Columns of the trace with words, unit and decimals, in the order they are shown in."""
    columns = found.trace.columns
    machines = [f"{m.name}_{what}" for m in found.layout.machines for what in ("speed_rpm", "torque_Nm", "power_kW", "electrical_kW")]
    names = [*FIRST, *machines, *THEN, *(n for n in columns if n.startswith("loss_"))]
    return [_column(name, np.asarray(columns[name], float)) for name in names]


def _column(name: str, values: Array) -> dict[str, Any]:
    ending = next((e for e in UNITS if name.endswith(e)), "")
    unit, digits = UNITS.get(ending, ("", 5))
    words = name.removesuffix(ending).replace("_", " ").replace("soc start", "charge")
    return {"name": name, "words": words, "unit": unit, **whole(values, digits)}


def configurations(plant: Plant) -> list[dict[str, Any]]:
    """What is engaged in every configuration."""
    return [{"id": c.id, "kind": c.kind.value, "closed": sorted(c.state.closed), "positions": dict(c.state.shifters),
             "range": [round(min(v, 1e4), 1) for v in c.speed_range_kmh]} for c in plant.derivation.configurations]


def ranks(ranked: Ranking) -> dict[str, Any]:
    """The cheapest alternatives of each interval, one behind the other; interval k's stand from first[k] to before first[k + 1].

    The chosen one is always among them. possible : how many there are in all
    """
    rows: list[tuple[int, int]] = []
    first, possible = [0], []
    for k, chosen in enumerate(ranked.chosen):
        order = ranked.order(k).tolist()
        shown = order[:SHOWN] if chosen in order[:SHOWN] else [*order[:SHOWN - 1], int(chosen)]
        rows += [(k, c) for c in shown]
        first.append(len(rows))
        possible.append(len(order))
    at = tuple(np.array(rows, dtype=np.int64).reshape(-1, 2).T)
    parts: Mapping[str, Array] = {"extra": ranked.extra_g, "fuel": ranked.fuel_g, "worth": ranked.worth_g, "change": ranked.change_g,
                                  "later": ranked.later_g}
    return {"first": first, "possible": possible, "configuration": [c for _, c in rows], "digits": 4,
            **{name: whole(np.where(np.isfinite(v[at]), v[at], 0.0), 4)["values"] for name, v in parts.items()}}


def mode_patterns(labels: Sequence[str]) -> list[dict[str, Any]]:
    """Colour and marks of each mode, for the tiles that fill ribbons and maps."""
    return [{"label": label, "style": mode_style(label), "marks": _marks(mode_style(label).hatch)} for label in labels]


def _marks(hatch: str) -> str:
    """Path data of a hatch in a tile of 8 by 8; dots are short strokes with round ends."""
    lines = {"/": "M-2 2L2 -2M0 8L8 0M6 10L10 6", "\\": "M-2 6L2 10M0 0L8 8M6 -2L10 2", "|": "M2 0V8M6 0V8", "-": "M0 2H8M0 6H8",
             "x": "M0 8L8 0M0 0L8 8", "+": "M4 0V8M0 4H8", ".": "M2 2h.1M6 6h.1", "o": "M4 2a2 2 0 1 0 .1 0"}
    return "".join(lines.get(mark, "") for mark in dict.fromkeys(hatch))
