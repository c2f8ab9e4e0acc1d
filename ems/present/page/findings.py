"""What a trip shows, in sentences and tables computed from it."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from ems.plant.modes import configuration_changes, engine_starts
from ems.plant.trace import Trace
from ems.present.optimum_text import NAMES
from ems.present.page.trip import interval_fuel_g, time_share
from ems.present.text import listed, times
from ems.types import Array

BANDS_KMH = (0.0, 30.0, 50.0, 80.0, 110.0, np.inf)
INSTANTS = 6
LEAST_KW = 1.0           # what counts as driving


def band_words(i: int) -> str:
    """'50 to 80 km/h', 'above 110 km/h'."""
    low, high = BANDS_KMH[i], BANDS_KMH[i + 1]
    return f"{low:.0f} to {high:.0f} km/h" if np.isfinite(high) else f"above {low:.0f} km/h"


def fuel_table(trace: Trace) -> dict[str, Any]:
    """Fuel [g] of every mode in every band of speed; rows of modes that burn some, largest first."""
    modes = np.array([str(m) for m in trace.columns["mode"]])
    fuel = interval_fuel_g(trace)
    band = np.searchsorted(BANDS_KMH, np.asarray(trace.columns["speed_kmh"], float), side="right") - 1
    rows: list[dict[str, Any]] = []
    for mode in dict.fromkeys(modes):
        grams = [float(fuel[(modes == mode) & (band == b)].sum()) for b in range(len(BANDS_KMH) - 1)]
        if sum(grams) >= 0.005:
            rows.append({"mode": str(mode), "grams": grams, "sum": sum(grams)})
    rows.sort(key=lambda row: -row["sum"])
    ends = [f"{low:.0f}–{high:.0f}" if np.isfinite(high) else f"> {low:.0f}" for low, high in itertools.pairwise(BANDS_KMH)]
    return {"short": ends, "bands": [band_words(b) for b in range(len(BANDS_KMH) - 1)], "rows": rows, "sum": float(fuel.sum())}


def whereabouts(trace: Trace) -> str:
    """Where the fuel's energy goes and when it is burnt, for the top of the page."""
    given = sum(row["kJ"] for row in energy_rows(trace) if row["kJ"] > 0)
    if given <= 0.0:
        return "nowhere: nothing is used"
    gone = sorted((row for row in energy_rows(trace) if row["kJ"] < 0), key=lambda row: row["kJ"])[:3]
    words = listed([f"{100 * -row['kJ'] / given:.0f} % into {row['what']}" for row in gone])
    table = fuel_table(trace)
    if not table["rows"]:
        return words
    most = table["rows"][0]
    return f"{words}; {100 * most['sum'] / table['sum']:.0f} % of the fuel is burnt in {most['mode']}"


def fuel_finding(table: dict[str, Any]) -> str:
    """Where the most fuel goes."""
    if not table["rows"]:
        return "No fuel is burnt on this trip."
    mode, band, grams = max(((row["mode"], word, g) for row in table["rows"] for word, g in zip(table["bands"], row["grams"], strict=True)),
                            key=lambda cell: cell[2])
    return f"{100 * grams / table['sum']:.0f} % of the fuel goes in {mode}{' at' if band[0].isdigit() else ''} {band}."


def engine_finding(trace: Trace) -> str:
    """Between which speeds half of the fuel is burnt, and how well."""
    fuel = interval_fuel_g(trace)
    if fuel.sum() < 0.005:
        return "The engine never burns fuel on this trip."
    speed = np.asarray(trace.columns["engine_speed_rpm"], float)
    order = np.argsort(speed)
    share = np.cumsum(fuel[order]) / fuel.sum()
    low, high = (float(speed[order][np.searchsorted(share, s)]) for s in (0.25, 0.75))
    work_J = 1e3 * float(np.sum(np.maximum(np.asarray(trace.columns["engine_power_kW"], float), 0.0) * trace.demand.dt_s))
    mean = work_J / (fuel.sum() * trace.plant.heating_value_J_g)
    best = trace.plant.layout.engine.engine.best_efficiency()
    return (f"Half of the fuel is burnt between {low:.0f} and {high:.0f} rpm; the engine turns {100 * mean:.1f} % of it into work, "
            f"{100 * best:.1f} % at its best point.")


def mode_finding(trace: Trace) -> str:
    """From which power at the wheels the engine works: the threshold that tells the driven seconds with it from those without best."""
    wheels, engine = (np.asarray(trace.columns[name], float) for name in ("wheel_power_kW", "engine_power_kW"))
    driving, dt = wheels > 0.0, trace.demand.dt_s
    if not driving.any():
        return "The wheels are never driven."
    order = np.argsort(wheels[driving], kind="stable")
    power, on, time = wheels[driving][order], engine[driving][order] > 0.0, dt[driving][order]
    right = np.cumsum(time * ~on) + np.append(np.cumsum((time * on)[::-1])[::-1][1:], 0.0)
    split = int(np.argmax(right))
    below, above = (float(np.sum(time[part] * on[part])) / float(np.sum(time[part])) if time[part].size else 0.0
                    for part in (slice(None, split + 1), slice(split + 1, None)))
    if above - below < 0.2:
        return f"The engine gives power in {100.0 * float(np.sum(time * on) / np.sum(time)):.0f} % of the time the wheels are driven."
    return (f"Below {power[split]:.0f} kW at the wheels the engine gives power in {100 * below:.0f} % of the time they are driven, "
            f"above that in {100 * above:.0f} %.")


def machine_finding(trace: Trace, name: str) -> str:
    """What a machine gives and takes, and what that costs."""
    dt = trace.demand.dt_s
    shaft = np.asarray(trace.columns[f"{name}_power_kW"], float)
    gives, takes = float(np.sum(np.maximum(shaft, 0.0) * dt)), float(np.sum(np.maximum(-shaft, 0.0) * dt))
    lost = trace.losses_kJ.get(name, 0.0)
    share = 100 * lost / (gives + takes) if gives + takes > lost else 0.0
    words = f", {share:.0f} % of both," if share else ""
    return f"{name} gives {gives:.0f} kJ and takes {takes:.0f} kJ at its shaft; {lost:.0f} kJ{words} is lost in it."


def energy_rows(trace: Trace) -> list[dict[str, Any]]:
    """What came in (positive) and where it went (negative) [kJ]; all rows together are the audit's residual."""
    stores = trace.stores_kJ
    names = {"battery": ("battery, discharged", "battery, charged"), "kinetic": ("motion lost", "motion gained"),
             "climb": ("height lost", "height gained")}
    signed = {"battery": stores["battery"], "kinetic": -stores["kinetic"], "climb": -stores["climb"]}
    moves = [("fuel", stores["fuel"]), *((names[name][kJ < 0.0], kJ) for name, kJ in signed.items())]
    losses = sorted(((NAMES.get(n, n), -kJ) for n, kJ in trace.losses_kJ.items()), key=lambda row: row[1])
    rows = [{"what": name, "kJ": kJ} for name, kJ in (*moves, *losses) if abs(kJ) >= 0.05]
    return sorted(rows, key=lambda row: -row["kJ"] if row["kJ"] > 0 else 1e-9 * row["kJ"] + 1.0)


def energy_finding(trace: Trace) -> str:
    """The two largest sinks."""
    given = sum(row["kJ"] for row in energy_rows(trace) if row["kJ"] > 0)
    largest = sorted((row for row in energy_rows(trace) if row["kJ"] < 0), key=lambda row: row["kJ"])[:2]
    words = " and ".join(f"{100 * -row['kJ'] / given:.0f} % goes into {row['what']}" for row in largest)
    residual = abs(trace.energy_residual_percent)
    closes = "but for rounding" if residual < 1e-9 else f"to {residual:.1g} %"
    return f"Of what fuel and stores give, {words}. The account closes {closes}."


def alternatives_finding(trace: Trace, runner_up_g: Array) -> str:
    """How close the second-best configurations come. runner_up_g : (K,) extra cost of the best other one, inf where there is none"""
    tied = float(np.sum(trace.demand.dt_s[runner_up_g <= 0.001]))
    total = float(trace.demand.dt_s.sum())
    alone = float(np.sum(trace.demand.dt_s[~np.isfinite(runner_up_g)]))
    only = f"; in {100 * alone / total:.0f} % no other is possible" if alone > 0.0 else ""
    return f"In {100 * tied / total:.0f} % of the time another configuration is tied: it would have cost less than 0.001 g more{only}."


def changes_finding(trace: Trace) -> str:
    """Starts and changes, an hour and a trip."""
    changes, minutes = configuration_changes(trace.plant, trace.node), float(trace.demand.dt_s.sum()) / 60.0
    return (f"{times(engine_starts(trace.plant, trace.node), 'engine start')} and {times(changes, 'change')} of configuration: "
            f"{changes / minutes:.1f} changes a minute.")


def instants(trace: Trace) -> list[tuple[int, str]]:
    """(interval, why it tells something), six or as many as the trip has, in order of time."""
    columns = trace.columns
    modes = np.array([str(m) for m in columns["mode"]])
    power = np.abs(np.asarray(columns["wheel_power_kW"], float))
    picked: dict[int, str] = {}
    telling = [mode for mode in time_share(trace) if power[modes == mode].max() >= LEAST_KW]
    for mode in telling[:INSTANTS]:
        here = np.flatnonzero(modes == mode)
        picked.setdefault(int(here[np.argmax(power[here])]), f"{mode}, where the wheels ask most")
    extremes = {"most fuel": "fuel_g_s", "highest speed": "speed_kmh", "strongest discharge": "battery_power_kW"}
    for word, name in extremes.items():
        picked.setdefault(int(np.argmax(np.asarray(columns[name], float))), word)
    picked.setdefault(int(np.argmin(np.asarray(columns["battery_power_kW"], float))), "strongest charge")
    return sorted(list(picked.items())[:INSTANTS])


def opening(trace: Trace) -> tuple[int, str]:
    """(interval, why): what the page shows before anyone plays it, something that moves where there is anything."""
    engine, wheels = (np.asarray(trace.columns[name], float) for name in ("engine_power_kW", "wheel_power_kW"))
    driving = np.flatnonzero((engine > LEAST_KW) & (wheels > LEAST_KW))
    if driving.size:
        return int(driving[0]), "where the engine first drives"
    return int(np.argmax(np.abs(wheels))), "where the wheels ask most"


def ledger_finding(price_g: Array, dt_s: Array) -> str:
    """In how little of the time half of the gap arises."""
    order = np.argsort(-price_g)
    total = float(price_g.sum())
    if total < 0.005:
        return "The strategy loses nothing worth a figure"
    needed = int(np.searchsorted(np.cumsum(price_g[order]), 0.5 * total)) + 1
    return f"Half of the {total:.1f} g arises in {100.0 * float(dt_s[order[:needed]].sum() / dt_s.sum()):.0f} % of the time"
