"""The numbers a page carries: columns of integers with their decimals, small enough to be inlined."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ems.judge.ranking import Ranking
from ems.plant.plant import Plant
from ems.plant.trace import Trace
from ems.present.drawing.flow import Flows
from ems.present.engagement import engaged_words, engagement
from ems.present.figures import power_lanes
from ems.present.optimum_text import NAMES
from ems.present.page.findings import opening
from ems.present.page.trip import Trip, interval_fuel_g
from ems.present.page.trip import modes as modes_of
from ems.present.palette import mode_style
from ems.present.versus_figures import PARTS
from ems.types import Array

SHOWN = 8                # alternatives of a second
CAUSES_SHOWN = {         # colour and dashes of each cause of a price
    "configuration": ("#0072b2", "6 2"), "division": ("#c58a00", "2 3"), "transition": ("#d55e00", ""), "charge": ("#009e73", "5 2 1 2"),
}
UNITS = {"_kW": ("kW", 4), "_rpm": ("rpm", 1), "_Nm": ("N m", 2), "_g_s": ("g/s", 5), "_kmh": ("km/h", 2), "_percent": ("%", 2),
         "_kJ": ("kJ", 3), "_g": ("g", 4)}
VEHICLE = {"speed_kmh": "speed", "grade_percent": "slope of the road", "wheel_power_kW": "power at the wheels"}
ENGINE_WORDS = {"engine_speed_rpm": "speed", "engine_torque_Nm": "torque", "engine_power_kW": "power", "fuel_g_s": "fuel"}
MACHINE_WORDS = {"speed_rpm": "speed", "torque_Nm": "torque", "power_kW": "power at the shaft", "electrical_kW": "power at the terminals"}
BATTERY_WORDS = {"battery_power_kW": "power at the terminals", "soc_start": "state of charge, 1 is full",
                 "battery_energy_start_kJ": "stored"}
ROAD = {"loss_air_kW": "air drag", "loss_tyres_kW": "tyres and bearings", "brake_power_kW": "friction brakes",
        "auxiliary_kW": "auxiliaries"}
SUMMED = ("battery_energy_end_kJ", "transition_fuel_g", "transition_energy_kJ", "loss_brakes_kW")     # needed for sums, not shown


def whole(values: Array | Sequence[float], digits: int) -> dict[str, Any]:
    """A column as integers times ten to the minus ``digits``."""
    return {"digits": digits, "values": np.rint(np.asarray(values, float) * 10.0**digits).astype(np.int64).tolist()}


def page_columns(trip: Trip, flows: Flows) -> dict[str, Any]:
    """Everything the page's script needs; arrays have a value an interval, ``time_s`` and charges one more."""
    trace, ranked = trip.trace, trip.ranked
    demand, plant, battery = trace.demand, trace.plant, trip.layout.battery
    shares = trip.time_share
    modes = list(shares)
    return {
        "time_s": whole(np.append(demand.time_s, demand.time_s[-1] + demand.dt_s[-1]), 3),
        "speed_kmh": whole(3.6 * demand.boundary_speed_m_s, 2),
        "soc": whole(_charge(trace), 5),
        "window": [float(battery.soc_low), float(battery.soc_high)],
        "columns": shown_columns(trace), "open": opening(trace)[0],
        "modes": [{"label": label, "share": shares[label]} for label in modes],
        "mode": [modes.index(m) for m in modes_of(trace)], "lanes": _lanes(trace), "beside": beside(trip),
        "configurations": configurations(plant), "configuration": ranked.chosen.tolist(),
        "flows": {key: whole(power / 10.0, 0)["values"] for key, power in flows.W.items() if np.abs(power).max() >= 5.0},
        "turns": {shaft: "".join("1" if t else "0" for t in turning) for shaft, turning in flows.turns.items()},
        "W_per_px": flows.W_per_px, "ranks": ranks(ranked), "density_g_l": trip.layout.engine.engine.fuel.density_g_l,
        "heating_value_kJ_g": plant.heating_value_J_g / 1e3,
    }


def beside(trip: Trip) -> dict[str, Any] | None:
    """What a strategy's page shows beside its trip: the optimum's, the best at its own states, and the ledger; None for an optimum."""
    if trip.beside is None:
        return None
    shown, modes = trip.beside, list(trip.time_share)
    return {
        "ribbons": [{"name": "best there", "mode": [modes.index(m) for m in shown.best_mode]},
                    {"name": "optimum", "mode": [modes.index(m) for m in modes_of(shown.optimum)]}],
        "best": shown.best_configuration, "soc": whole(_charge(shown.optimum), 5), "lanes": _lanes(shown.optimum),
        "fuel": whole(interval_fuel_g(shown.optimum), 4),
        "ledger": [{"name": "price", "colour": None, "dash": "", **whole(shown.price_g, 5)},
                   *({"name": name, "colour": CAUSES_SHOWN[name][0], "dash": CAUSES_SHOWN[name][1], **whole(grams, 5)}
                     for name, grams in shown.causes_g.items())],
    }


def _charge(trace: Trace) -> Array:
    """State of charge at every boundary, (K + 1,)."""
    return np.append(trace.columns["soc_start"], trace.columns["soc_end"][-1:]).astype(float)


def _lanes(trace: Trace) -> list[dict[str, Any]]:
    return [{"name": name, "colour": colour, **whole(power, 3)} for name, power, colour in power_lanes(trace)]


def shown_columns(trace: Trace) -> list[dict[str, Any]]:
    """Columns of the trace with words, group, unit and decimals, in the order they are shown in; without a group: only for sums."""
    losses = {n: _loss_words(n) for n in trace.columns if n.startswith("loss_") and n not in (*ROAD, *SUMMED)}
    machines = {m.name: {f"{m.name}_{n}": w for n, w in MACHINE_WORDS.items()} for m in trace.plant.layout.machines}
    groups = {"vehicle": VEHICLE, "engine": ENGINE_WORDS, **machines, "battery": BATTERY_WORDS, "road, brakes, consumers": ROAD,
              "lost in the drive": losses, "": {n: _loss_words(n) for n in SUMMED}}
    return [{"name": name, "group": title, "words": words, **_column(name, np.asarray(trace.columns[name], float))}
            for title, names in groups.items() for name, words in names.items()]


def _loss_words(name: str) -> str:
    own = name.removeprefix("loss_").removesuffix("_kW")
    return NAMES.get(own, own)


def _column(name: str, values: Array) -> dict[str, Any]:
    unit, digits = UNITS.get(next((e for e in UNITS if name.endswith(e)), ""), ("", 5))
    return {"unit": unit, **whole(values, digits)}


def configurations(plant: Plant) -> list[dict[str, Any]]:
    """What is engaged in every configuration: as the drawing shows it, and in words."""
    return [{"id": c.id, "closed": sorted(c.state.closed), "positions": dict(c.state.shifters), **engagement(plant.layout, c),
             "engaged": engaged_words(plant.layout, c)}
            for c in plant.derivation.configurations]


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


def part_patterns() -> list[dict[str, Any]]:
    """Fills of bars: where fuel goes, and more, less or a tie."""
    parts = [(f"part-{key}", colour, hatch, "#ffffff") for key, _, colour, hatch in PARTS]
    signed = [("bar-more", "#d55e00", "///", "#ffffff"), ("bar-less", "#0072b2", "", "#ffffff"), ("bar-tie", "#c9ccd1", "...", "#333333")]
    return [{"id": name, "colour": colour, "marks": _marks(hatch), "edge": edge} for name, colour, hatch, edge in (*parts, *signed)]


def _marks(hatch: str) -> str:
    """Path data of a hatch in a tile of 8 by 8; dots are short strokes with round ends."""
    lines = {"/": "M-2 2L2 -2M0 8L8 0M6 10L10 6", "\\": "M-2 6L2 10M0 0L8 8M6 -2L10 2", "|": "M2 0V8M6 0V8", "-": "M0 2H8M0 6H8",
             "x": "M0 8L8 0M0 0L8 8", "+": "M4 0V8M0 4H8", ".": "M2 2h.1M6 6h.1", "o": "M4 2a2 2 0 1 0 .1 0"}
    return "".join(lines.get(mark, "") for mark in dict.fromkeys(hatch))
