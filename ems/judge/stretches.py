"""The costliest stretches of a trip, each in a plain sentence.

A stretch is a run of seconds with the same mode chosen and the same mode best at the driven states; up to ``BRIDGED`` seconds of something
else in between do not end it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ems.judge.ledger import CAUSES, Ledger
from ems.plant import modes
from ems.plant.trace import Trace
from ems.types import IntArray

BRIDGED = 2
COUNT = 10
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
    """One stretch: start_s, end_s, modes, speeds, what the best choices would have saved, its causes, and the sentence."""

    start_s: float
    end_s: float
    chosen: str
    optimal: str
    low_kmh: float
    high_kmh: float
    saved_g: float
    causes_g: dict[str, float]
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """All of it, causes as keys."""
        return {"start_s": self.start_s, "end_s": self.end_s, "chosen": self.chosen, "optimal": self.optimal, "low_kmh": self.low_kmh,
                "high_kmh": self.high_kmh, "saved_g": self.saved_g, **{f"{c}_g": g for c, g in self.causes_g.items()},
                "sentence": self.sentence}


def costliest(entries: Ledger, chosen: Trace, best: Trace, count: int = COUNT) -> tuple[Stretch, ...]:
    """The stretches in which other choices at the driven states would have saved most, dearest first.

    chosen : the trip      best : the choices of least price at its states, played second by second
    """
    saved = entries.price_g - entries.causes_g["charge"]
    runs = _runs([str(m) for m in chosen.columns["mode"]], [str(m) for m in best.columns["mode"]])
    runs.sort(key=lambda run: -float(saved[run].sum()))
    return tuple(_stretch(entries, chosen, best, run, float(saved[run].sum())) for run in runs[:count] if saved[run].sum() > 5e-4)


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


def _stretch(entries: Ledger, chosen: Trace, best: Trace, run: IntArray, saved_g: float) -> Stretch:
    demand = chosen.demand
    start, end = float(demand.time_s[run[0]]), float(demand.time_s[run[-1]] + demand.dt_s[run[-1]])
    speeds = demand.boundary_speed_m_s[run[0]:run[-1] + 2] * 3.6
    labels = str(chosen.columns["mode"][run[0]]), str(best.columns["mode"][run[0]])
    low, high = float(speeds.min()), float(speeds.max())
    causes = {c: float(entries.causes_g[c][run].sum()) for c in CAUSES}
    did, could = _contrast(entries, chosen, best, run, labels)
    sentence = f"seconds {start:g}-{end:g}: {did}{_speeds(low, high)} where {could} would have saved {saved_g:.2f} g"
    return Stretch(start, end, *labels, low, high, saved_g, causes, sentence)


def _speeds(low: float, high: float) -> str:
    if high < 0.5:
        return ""
    return f" at {low:.0f} km/h" if round(low) == round(high) else f" at {low:.0f}-{high:.0f} km/h"


def _contrast(entries: Ledger, chosen: Trace, best: Trace, run: IntArray, labels: tuple[str, str]) -> tuple[str, str]:
    """What was done and what would have been better, told by what differs most plainly."""
    if labels[0] != labels[1]:
        return phrase(labels[0]), phrase(labels[1])
    engine = _mean_kW(chosen, "engine_power_kW", run), _mean_kW(best, "engine_power_kW", run)
    if abs(engine[0] - engine[1]) >= NOTICED_KW:
        return f"{phrase(labels[0])} with the engine giving {engine[0]:.1f} kW", f"{engine[1]:.1f} kW"
    ids = _most_common(chosen, run), _most_common(best, run)
    if ids[0] != ids[1]:
        return f"{phrase(labels[0])} in {ids[0]}", ids[1]
    brakes = _mean_kW(chosen, "brake_power_kW", run), _mean_kW(best, "brake_power_kW", run)
    if abs(brakes[0] - brakes[1]) >= NOTICED_KW:
        return f"{phrase(labels[0])} with {brakes[0]:.1f} kW in the friction brakes", f"{brakes[1]:.1f} kW"
    if np.any(entries.driven.node[run] != entries.best_node[run]):
        return phrase(labels[0]), "changing configuration at other seconds"
    speed = _mean_kW(chosen, "engine_speed_rpm", run), _mean_kW(best, "engine_speed_rpm", run)
    if abs(speed[0] - speed[1]) >= 50.0:
        return f"{phrase(labels[0])} with the engine at {speed[0]:.0f} rpm", f"{speed[1]:.0f} rpm"
    return phrase(labels[0]), "another division between the machines"


def _mean_kW(trip: Trace, column: str, run: IntArray) -> float:
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
