"""The costliest stretches of a trip, each in a plain sentence.

A stretch is a run of seconds with the same mode chosen and the same mode best at the driven states; up to ``BRIDGED`` seconds of something
else in between do not end it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from ems.judge.ledger import CAUSES, Ledger
from ems.plant import modes
from ems.plant.trace import Trace
from ems.types import IntArray

BRIDGED = 2
COUNT = 10
LEAST_G = 5e-4
NOTICED_KW = 0.5        # difference of engine or brake power worth a word
PHRASES = {
    modes.STANDSTILL: "standing still, engine giving nothing",
    modes.STANDSTILL_CHARGING: "charging at standstill",
    modes.ELECTRIC_ONE: "electric driving with one machine",
    modes.ELECTRIC_MANY: "electric driving with several machines",
    modes.REGENERATION_ONE: "regeneration with one machine",
    modes.REGENERATION_MANY: "regeneration with several machines",
    modes.ENGINE_ALONE: "the engine alone",
    modes.BOOST: "engine and machines together",
    modes.CHARGING: "the engine driving and charging",
}
ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch.

    chosen, optimal : mode labels      low_kmh, high_kmh : speeds      price_g : of its seconds, causes_g of it
    saved_g : what the best choices at its states would have saved: the price without its part 'charge'      sentence : all in words
    """

    start_s: float
    end_s: float
    chosen: str
    optimal: str
    low_kmh: float
    high_kmh: float
    price_g: float
    saved_g: float
    causes_g: dict[str, float]
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """All of it, causes as keys."""
        plain = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "causes_g"}
        return plain | {f"{c}_g": g for c, g in self.causes_g.items()}


def costliest(entries: Ledger, chosen: Trace, best: Trace, optimum: Trace, count: int = COUNT) -> tuple[Stretch, ...]:
    """The stretches of the highest prices, dearest first.

    chosen : the trip      best : the choices of least price at its states, played second by second      optimum : the optimum's own trip
    """
    runs = _runs([str(m) for m in chosen.columns["mode"]], [str(m) for m in best.columns["mode"]])
    runs.sort(key=lambda run: -float(entries.price_g[run].sum()))
    return tuple(_stretch(entries, chosen, best, optimum, run) for run in runs[:count] if entries.price_g[run].sum() > LEAST_G)


def _runs(chosen: Sequence[str], optimal: Sequence[str]) -> list[IntArray]:
    """Intervals of every stretch; bridged seconds belong to the stretches of their own pair."""
    open_runs: dict[tuple[str, str], list[int]] = {}
    done: list[IntArray] = []
    for k, key in enumerate(zip(chosen, optimal, strict=True)):
        run = open_runs.setdefault(key, [])
        if run and k - run[-1] > BRIDGED + 1:
            done.append(np.array(run))
            run.clear()
        run.append(k)
    return done + [np.array(run) for run in open_runs.values()]


def _stretch(entries: Ledger, chosen: Trace, best: Trace, optimum: Trace, run: IntArray) -> Stretch:
    demand = chosen.demand
    start, end = float(demand.time_s[run[0]]), float(demand.time_s[run[-1]] + demand.dt_s[run[-1]])
    speeds = demand.boundary_speed_m_s[run[0]:run[-1] + 2] * 3.6
    labels = str(chosen.columns["mode"][run[0]]), str(best.columns["mode"][run[0]])
    low, high = float(speeds.min()), float(speeds.max())
    causes = {c: float(entries.causes_g[c][run].sum()) for c in CAUSES}
    price = float(entries.price_g[run].sum())
    saved = price - causes["charge"]
    if saved >= 0.5 * price:
        did, could = _contrast(entries, chosen, best, run, labels)
        turned = causes["transition"] > 0.6 * saved
        changes = ", mostly in changes" if turned else ""
        words = f"{did}{_speeds(low, high)} where {could} would have saved {saved:.2f} g{changes}"
    else:
        own, other = _mean(chosen, "soc_start", run), _mean(optimum, "soc_start", run)
        words = (f"{phrase(labels[0])}{_speeds(low, high)} with the charge at {own:.3f}, the optimum's at {other:.3f}: {price:.2f} g lost, "
                 f"of which no choice at that charge saves {causes['charge']:.2f} g")
    return Stretch(start, end, *labels, low, high, price, saved, causes, f"seconds {start:g}-{end:g}: {words}")


def _speeds(low: float, high: float) -> str:
    if high < 0.5:
        return ""
    return f" at {low:.0f} km/h" if round(low) == round(high) else f" at {low:.0f}-{high:.0f} km/h"


def _contrast(entries: Ledger, chosen: Trace, best: Trace, run: IntArray, labels: tuple[str, str]) -> tuple[str, str]:
    """What was done and what would have been better, told by what differs most plainly."""
    if labels[0] != labels[1]:
        return phrase(labels[0]), phrase(labels[1])
    engine = _mean(chosen, "engine_power_kW", run), _mean(best, "engine_power_kW", run)
    if abs(engine[0] - engine[1]) >= NOTICED_KW:
        return f"{phrase(labels[0])} with the engine giving {engine[0]:.1f} kW", f"{engine[1]:.1f} kW"
    ids = _most_common(chosen, run), _most_common(best, run)
    if ids[0] != ids[1]:
        return f"{phrase(labels[0])} in {ids[0]}", ids[1]
    brakes = _mean(chosen, "brake_power_kW", run), _mean(best, "brake_power_kW", run)
    if abs(brakes[0] - brakes[1]) >= NOTICED_KW:
        return f"{phrase(labels[0])} with {brakes[0]:.1f} kW in the friction brakes", f"{brakes[1]:.1f} kW"
    if any(chosen.columns["configuration"][k] != best.columns["configuration"][k] for k in run):
        return phrase(labels[0]), "changing configuration at other seconds"
    speed = _mean(chosen, "engine_speed_rpm", run), _mean(best, "engine_speed_rpm", run)
    if abs(speed[0] - speed[1]) >= 50.0:
        return f"{phrase(labels[0])} with the engine at {speed[0]:.0f} rpm", f"{speed[1]:.0f} rpm"
    return phrase(labels[0]), "another division between the machines"


def _mean(trip: Trace, column: str, run: IntArray) -> float:
    return float(np.asarray(trip.columns[column], float)[run].mean())


def _most_common(trip: Trace, run: IntArray) -> str:
    ids = [str(trip.columns["configuration"][k]) for k in run]
    return max(dict.fromkeys(ids), key=ids.count)


def phrase(label: str) -> str:
    """A mode label in words that fit into a sentence: 'the engine alone in second'."""
    family, _, gear = label.partition(", gear ")
    words = PHRASES.get(family, family)
    if not gear.isdigit() or int(gear) == 0:
        return words
    return f"{words} in {ORDINALS[int(gear)]}" if int(gear) < len(ORDINALS) else f"{words} in gear {gear}"
