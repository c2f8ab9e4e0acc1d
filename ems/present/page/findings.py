"""What a trip shows, in sentences and tables computed from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ems.present.optimum_text import NAMES
from ems.present.text import times, within
from ems.types import Array

if TYPE_CHECKING:
    from ems.solve.optimum import Optimum

BANDS_KMH = (0.0, 30.0, 50.0, 80.0, 110.0, np.inf)
INSTANTS = 6


def answer(found: Optimum) -> str:
    """The answer with its error bar, in one sentence."""
    return (f"The least fuel of {found.layout.name} ({found.layout.title}) on {found.cycle.title or found.cycle.name}: no control, though "
            f"it knows the whole trip, can need less by more than {within(found.gap_percent + found.table_error_percent)}.")


def band_words(i: int) -> str:
    """'50 to 80 km/h', 'above 110 km/h'."""
    low, high = BANDS_KMH[i], BANDS_KMH[i + 1]
    return f"{low:.0f} to {high:.0f} km/h" if np.isfinite(high) else f"above {low:.0f} km/h"


def interval_fuel_g(found: Optimum) -> Array:
    """(K,) fuel of each interval, starts included."""
    columns = found.trace.columns
    grams: Array = np.asarray(columns["fuel_g_s"], float) * found.trace.demand.dt_s + np.asarray(columns["transition_fuel_g"], float)
    return grams


def fuel_table(found: Optimum) -> dict[str, Any]:
    """Fuel [g] of every mode in every band of speed; rows of modes that burn some, largest first."""
    modes = np.array([str(m) for m in found.trace.columns["mode"]])
    fuel = interval_fuel_g(found)
    band = np.searchsorted(BANDS_KMH, np.asarray(found.trace.columns["speed_kmh"], float), side="right") - 1
    rows: list[dict[str, Any]] = []
    for mode in dict.fromkeys(modes):
        grams = [float(fuel[(modes == mode) & (band == b)].sum()) for b in range(len(BANDS_KMH) - 1)]
        if sum(grams) >= 0.005:
            rows.append({"mode": str(mode), "grams": grams, "sum": sum(grams)})
    rows.sort(key=lambda row: -row["sum"])
    return {"bands": [band_words(b) for b in range(len(BANDS_KMH) - 1)], "rows": rows, "sum": float(fuel.sum())}


def fuel_finding(table: dict[str, Any]) -> str:
    """Where the most fuel goes."""
    if not table["rows"]:
        return "No fuel is burnt on this trip."
    mode, band, grams = max(((row["mode"], word, g) for row in table["rows"] for word, g in zip(table["bands"], row["grams"], strict=True)),
                            key=lambda cell: cell[2])
    return f"{100 * grams / table['sum']:.0f} % of the fuel goes in {mode}{' at' if band[0].isdigit() else ''} {band}."


def engine_finding(found: Optimum) -> str:
    """Between which speeds half of the fuel is burnt, and how well."""
    fuel = interval_fuel_g(found)
    if fuel.sum() < 0.005:
        return "The engine never burns fuel on this trip."
    speed = np.asarray(found.trace.columns["engine_speed_rpm"], float)
    order = np.argsort(speed)
    share = np.cumsum(fuel[order]) / fuel.sum()
    low, high = (float(speed[order][np.searchsorted(share, s)]) for s in (0.25, 0.75))
    work_J = 1e3 * float(np.sum(np.maximum(np.asarray(found.trace.columns["engine_power_kW"], float), 0.0) * found.trace.demand.dt_s))
    mean = work_J / (fuel.sum() * found.trace.plant.heating_value_J_g)
    best = found.layout.engine.engine.best_efficiency()
    return (f"Half of the fuel is burnt between {low:.0f} and {high:.0f} rpm; the engine turns {100 * mean:.1f} % of it into work, "
            f"{100 * best:.1f} % at its best point.")


def machine_finding(found: Optimum, name: str) -> str:
    """What a machine gives and takes, and what that costs."""
    dt = found.trace.demand.dt_s
    shaft = np.asarray(found.trace.columns[f"{name}_power_kW"], float)
    gives, takes = float(np.sum(np.maximum(shaft, 0.0) * dt)), float(np.sum(np.maximum(-shaft, 0.0) * dt))
    lost = found.trace.losses_kJ.get(name, 0.0)
    share = 100 * lost / (gives + takes) if gives + takes > lost else 0.0
    words = f", {share:.0f} % of both," if share else ""
    return f"{name} gives {gives:.0f} kJ and takes {takes:.0f} kJ at its shaft; {lost:.0f} kJ{words} is lost in it."


def energy_rows(found: Optimum) -> list[dict[str, Any]]:
    """What came in (positive) and where it went (negative) [kJ]; all rows together are the audit's residual."""
    stores = found.trace.stores_kJ
    names = {"battery": ("battery, discharged", "battery, charged"), "kinetic": ("motion lost", "motion gained"),
             "climb": ("height lost", "height gained")}
    signed = {"battery": stores["battery"], "kinetic": -stores["kinetic"], "climb": -stores["climb"]}
    moves = [("fuel", stores["fuel"]), *((names[name][kJ < 0.0], kJ) for name, kJ in signed.items())]
    losses = sorted(((NAMES.get(n, n), -kJ) for n, kJ in found.trace.losses_kJ.items()), key=lambda row: row[1])
    rows = [{"what": name, "kJ": kJ} for name, kJ in (*moves, *losses) if abs(kJ) >= 0.05]
    return sorted(rows, key=lambda row: -row["kJ"] if row["kJ"] > 0 else 1e-9 * row["kJ"] + 1.0)


def energy_finding(found: Optimum) -> str:
    """The two largest sinks."""
    given = sum(row["kJ"] for row in energy_rows(found) if row["kJ"] > 0)
    largest = sorted((row for row in energy_rows(found) if row["kJ"] < 0), key=lambda row: row["kJ"])[:2]
    words = " and ".join(f"{100 * -row['kJ'] / given:.0f} % goes into {row['what']}" for row in largest)
    residual = abs(found.trace.energy_residual_percent)
    return f"Of what fuel and stores give, {words}. {residual:.1e} % of it is unexplained."


def alternatives_finding(found: Optimum, runner_up_g: Array) -> str:
    """How close the second-best configurations come. runner_up_g : (K,) extra cost of the best other one, inf where there is none"""
    tied = float(np.sum(found.trace.demand.dt_s[runner_up_g <= 0.001]))
    total = float(found.trace.demand.dt_s.sum())
    alone = float(np.sum(found.trace.demand.dt_s[~np.isfinite(runner_up_g)]))
    return (f"In {100 * tied / total:.0f} % of the time another configuration would have cost less than 0.001 g more; "
            f"in {100 * alone / total:.0f} % no other is possible.")


def changes_finding(found: Optimum) -> str:
    """Starts and changes, an hour and a trip."""
    hours = found.duration_s / 3600.0
    return (f"{times(found.engine_starts, 'engine start')} and {times(found.configuration_changes, 'change')} of configuration: "
            f"{found.configuration_changes / hours / 60:.1f} changes a minute.")


def instants(found: Optimum) -> list[tuple[int, str]]:
    """(interval, why it tells something), six or as many as the trip has, in order of time."""
    columns = found.trace.columns
    modes = np.array([str(m) for m in columns["mode"]])
    power = np.abs(np.asarray(columns["wheel_power_kW"], float))
    picked: dict[int, str] = {}
    for mode in list(found.time_share)[:INSTANTS]:
        here = np.flatnonzero(modes == mode)
        picked.setdefault(int(here[np.argmax(power[here])]), f"{mode}, where the wheels ask most")
    extremes = {"most fuel": "fuel_g_s", "highest speed": "speed_kmh", "strongest discharge": "battery_power_kW"}
    for word, name in extremes.items():
        picked.setdefault(int(np.argmax(np.asarray(columns[name], float))), word)
    picked.setdefault(int(np.argmin(np.asarray(columns["battery_power_kW"], float))), "strongest charge")
    return sorted(list(picked.items())[:INSTANTS])
