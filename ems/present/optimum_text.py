"""An optimum as a person reads it: the answer first, then where time and energy went, then what it is not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ems.layout.uncounted import counted_as_zero_text
from ems.present.text import bar, clock, columns, times, within

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.plant.battery_use import BatteryUse
    from ems.solve.optimum import Optimum

TOLD_PULSE_PERCENT = 50.0       # share of the battery's ten-second pulse in use from which it is told
NO_TYPE_APPROVAL = "A computed optimum, not a type-approval figure."
NAMES = {"engine": "engine heat", "meshes": "gear meshes", "clutches": "slipping clutches", "brakes": "friction brakes",
         "drag": "drags of shafts and open clutches", "hold": "holding what is engaged, pumps",
         "air": "air drag", "tyres": "tyres and bearings", "auxiliaries": "auxiliaries"}


def assumptions(warm: bool = True) -> str:
    """What every computed optimum rests on."""
    return f"Quasi-static in steps of a second, engine {'warm' if warm else 'cold at the start'}, the whole trip known beforehand."


def optimum_text(
    found: Optimum, *, cycle_given: bool = True, words: str | None = None, out: Path | None = None
) -> list[RenderableType]:
    """Everything ``ems optimum`` prints.

    cycle_given : whether the user named the cycle; if not, the text says which one was taken
    words : what was asked for, as typed behind ``ems optimum``; the layout's name when None
    out : the folder of ``--out``, which then need not be recommended
    """
    return [
        *_answer(found, cycle_given), "", *_mode_shares(found), "", *_energy(found), *_uncounted(found), "",
        f"{NO_TYPE_APPROVAL} {assumptions(found.warm_l_per_100km is None)}",
        *_next_steps(words or found.layout.name, out),
    ]


def _answer(found: Optimum, cycle_given: bool) -> list[RenderableType]:
    from rich.text import Text

    head = Text.assemble("Least fuel of ", (found.layout.name, "bold"), " on ", (found.cycle.name, "bold"),
                         "" if cycle_given else " (no --cycle given, so this one)")
    answer = Text.assemble(
        "  ", (f"{found.fuel_l_per_100km:.3f} l/100 km", "bold green"),
        f"   certified within {within(found.gap_percent)}, tables within {within(found.table_error_percent)}")
    return [head, "", answer, "", columns(_facts(found), (False, False))]


def _facts(found: Optimum) -> list[tuple[str, str]]:
    above = 100.0 * (found.fuel_l_per_100km / found.floor_l_per_100km - 1.0) if found.floor_l_per_100km > 0.0 else 0.0
    facts = [
        ("CO2", f"{found.co2_g_per_km:.1f} g/km"),
        ("fuel", f"{found.fuel_g:.2f} g over {found.distance_km:.2f} km in {clock(found.duration_s)}"),
        ("charge", _charge(found)),
        ("floor", f"{found.floor_l_per_100km:.3f} l/100 km, which no layout can go below; the optimum is {above:.0f} % "
                  "above it"),
        ("braking", f"{found.recovered_percent:.1f} % of its energy at the wheels is recovered, not left to the friction brakes"),
        ("engine", times(found.engine_starts, "start")),
        ("configuration", times(found.configuration_changes, "change")),
        ("costate", _costate(found)),
    ]
    if found.warm_l_per_100km is not None:
        facts.insert(0, ("engine warm", f"{found.warm_l_per_100km:.3f} l/100 km; starting cold costs "
                         f"{100.0 * (found.fuel_l_per_100km / found.warm_l_per_100km - 1.0):.1f} % more"))
    waits = [f"{name.replace('_', ' ')} at least {value:g} s" for name, value in found.waits_s.items() if value > 0.0]
    if waits:
        facts.append(("least times", ", ".join(waits)))
    if found.gap_asked_percent is not None and found.gap_percent > found.gap_asked_percent:
        facts.insert(0, ("gap asked for", f"{found.gap_asked_percent:g} % is not reached with the finest nodes and cells tried: what is "
                         "left lies between trips that change configuration and a bound that may mix them"))
    battery = battery_words(found.battery_use)
    if battery:
        facts.append(("battery", battery))
    if found.price_g > 0.0:
        facts.insert(2, ("prices", f"{found.price_g:.2f} g for starts and changes, counted in the optimum, not burnt"))
    return facts


def battery_words(use: BatteryUse) -> str:
    """What a trip asks of the battery beyond its continuous power; nothing to say where it does not, or only for moments."""
    if use.pulse_use_percent < TOLD_PULSE_PERCENT:
        return ""
    words = f"{use.above_continuous_s:.0f} s above its continuous power, up to {use.pulse_use_percent:.0f} % of its ten-second pulse in use"
    return f"{words}: for {use.overdrawn_s:.0f} s more than its data promise" if use.overdrawn_s > 0.0 else words


def _charge(found: Optimum) -> str:
    surplus = f", {found.surplus_J / 1000.0:.1f} kJ above the target" if found.surplus_J >= 50.0 else ""
    return f"{found.soc_start:.4f} at the start, {found.soc_end:.4f} at the end{surplus}"


def _costate(found: Optimum) -> str:
    meaning = "units of fuel energy for one of stored battery energy"
    values = [segment["costate"] for segment in found.costate_segments]
    if len(values) < 2:
        return f"{found.costate:.3f} {meaning}"
    low, high = f"{min(values):.3f}", f"{max(values):.3f}"
    span = low if low == high else f"{low} to {high}"
    return (f"{found.costate:.3f} {meaning} at the start; {span} at the ends of "
            f"{len(values)} stretches, between which the charge comes to, or close to, a limit of its window")


def _mode_shares(found: Optimum) -> list[RenderableType]:
    rows = [(label, f"{100.0 * share:.1f} %", bar(share)) for label, share in found.time_share.items() if share > 0.0]
    return [columns(rows, (False, True, False), ("share of time", "", ""))]


def _energy(found: Optimum) -> list[RenderableType]:
    """Losses and stores, closing to the fuel energy."""
    fuel = found.stores_kJ["fuel"]
    gains = [(f"stored in {name}" if kJ > 0.0 else f"drawn from {name}", kJ) for name, kJ in _stores(found)]
    parts = sorted(((NAMES.get(n, n), kJ) for n, kJ in found.losses_kJ.items()), key=lambda part: -part[1])
    rows = [_energy_row(name, kJ, fuel) for name, kJ in (*parts, *gains) if abs(kJ) >= 0.05]
    rows.append(("together: the fuel's energy", f"{fuel:.1f}", "", ""))
    unexplained = (f"  {abs(found.energy_residual_percent):.1e} % of it unexplained; each loss is computed by its own "
                   "component")
    return [columns(rows, (False, True, True, False), ("where the energy went", "kJ", "", "")), unexplained]


def _uncounted(found: Optimum) -> list[RenderableType]:
    told = counted_as_zero_text(found.layout)
    return [f"  {told}"] if told else []


def _stores(found: Optimum) -> Sequence[tuple[str, float]]:
    """What each store other than the fuel took up on the trip [kJ]."""
    stores = found.stores_kJ
    return [("the battery", -stores["battery"]), ("motion", stores["kinetic"]), ("height", stores["climb"])]


def _energy_row(name: str, kJ: float, fuel: float) -> tuple[str, str, str, str]:
    share = kJ / fuel if fuel > 0.0 else 0.0
    return name, f"{kJ:.1f}", f"{round(100.0 * share, 1) + 0.0:.1f} %", bar(share)


def _next_steps(words: str, out: Path | None) -> list[RenderableType]:
    why = f"Why at a second: `ems explain {out or words} --at T`."
    kept = f"Every second: {out}/trace.csv, drawn in {out}/figure.png." if out else \
           "Every second, and a figure: --out DIR."
    return [f"{why} {kept} What can be engaged: `ems modes {words.split(' --')[0]}`."]
