"""A strategy held against the optimum, as a person reads it: the answer first, then where the gap arose, then the costliest stretches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ems.present.optimum_text import NO_TYPE_APPROVAL, battery_words
from ems.present.text import bar, columns, times, within

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.compare import Comparison
    from ems.judge.rollup import Entry

MOST_PAIRS = 8
CAUTION = ("The ledger says where fuel is lost, not what is safe: before a changed calibration is driven, check it against the limits of "
           "battery, machines and clutches, and on a test bench first.")
CAUSES = {
    "configuration": "fuel and battery energy of seconds in another configuration than the best; negative: it was the cheaper one",
    "division": "within the configuration: operating point of the engine, machines, brakes",
    "transition": "changes made, and those that being there makes necessary; negative: changes saved",
    "charge": "what no choice at the charge it had come to could save, and the slack of the proof",
}
NONE_KNOWN = "not known how much: no other controller that does not see ahead was found to end with this charge"
METHODS = {
    "instantaneous": "an instantaneous controller tuned on this cycle",
    "stochastic": "a stochastic dynamic programme on this cycle's statistics",
    "strategy": "the strategy itself",
}


def compare_text(found: Comparison, *, cycle_given: bool = True, words: str | None = None, out: Path | None = None) -> list[RenderableType]:
    """Everything ``ems compare`` prints.

    cycle_given : whether the user named the cycle      words : layout and options, as typed behind the command
    out : the folder of ``--out``, which then need not be recommended
    """
    parts: list[RenderableType] = [*_answer(found, cycle_given), "", _split(found), "", _causes(found), "", _pairs(found)]
    for heading, entries in (("at speeds", found.by_speed_band), ("at wheel powers", found.by_power_band), ("in phases", found.by_phase)):
        parts += ["", _bands(heading, entries, found.gap_g)]
    return [*parts, "", *_stretches(found), "", f"{NO_TYPE_APPROVAL} {CAUTION}", *_next_steps(words or found.layout.name, out)]


def _answer(found: Comparison, cycle_given: bool) -> list[RenderableType]:
    from rich.text import Text

    head = Text.assemble((found.strategy, "bold"), " on ", (found.layout.name, "bold"), " over ", (found.cycle.name, "bold"),
                         "" if cycle_given else " (no --cycle given, so this one)")
    answer = Text.assemble("  ", (f"{found.strategy_l_per_100km:.3f} l/100 km", "bold"), "   the least possible is ",
                           (f"{found.optimum_l_per_100km:.3f}", "bold green"),
                           f", certified within {within(found.optimum_gap_percent)}, tables within {within(found.table_error_percent)}")
    facts = [("charge", f"{found.soc_start:.4f} at the start, {found.soc_end:.4f} at the end, the optimum's too"),
             ("fuel", f"{found.strategy_fuel_g:.2f} g over {found.distance_km:.2f} km{_prices(found)}"),
             ("engine", f"{times(found.counted['engine_starts'], 'start')}, the optimum {found.counted['optimum_engine_starts']}"),
             ("changes", f"{found.counted['configuration_changes']} of configuration, the optimum "
                         f"{found.counted['optimum_configuration_changes']}")]
    facts += [(f"battery, {who}", words) for who, use in (("strategy", found.battery_use), ("optimum", found.optimum_battery_use))
              if (words := battery_words(use))]
    if found.corrections:
        facts.append(("corrected", ", ".join(f"{name} in {times(n, 'interval')}" for name, n in found.corrections.items())))
    return [head, "", answer, "", columns(facts, (False, False))]


def _prices(found: Comparison) -> str:
    price = found.strategy_objective_g - found.strategy_fuel_g
    return f", and {price:.2f} g of prices for starts and changes, counted but not burnt" if price > 0.005 else ""


def _split(found: Comparison) -> RenderableType:
    other = [METHODS[c["method"]] for c in found.causals][:1]
    best = METHODS[found.causal] if found.causal != "strategy" or not other else f"the strategy itself, better than {other[0]}"
    above = f"above the best known controller that does not see ahead: {best}" if other else NONE_KNOWN
    rows = [
        ("calibration, at least", found.calibration_g, above),
        ("foresight, at most", found.foresight_g, "what that controller loses to the optimum, which knows the trip"),
        ("left open", found.optimum_slack_g, f"by the proof; the optimum's own ledger comes to {found.optimum_ledger_g:.2f} g"),
    ]
    cells = [(name, f"{g:.2f}", _percent(g, found.strategy_objective_g), bar(_share(g, found.gap_g)), why) for name, g, why in rows]
    cells.append(("together: strategy minus lower bound", f"{found.gap_g:.2f}", _percent(found.gap_g, found.strategy_objective_g), "", ""))
    return columns(cells, (False, True, True, False, False), ("the gap", "g", "of its cost", "", ""))


def _causes(found: Comparison) -> RenderableType:
    rows = [(name, f"{g:.2f}", bar(_share(g, found.gap_g)), CAUSES[name]) for name, g in found.by_cause.items()]
    rows.append(("together: every second's price", f"{found.ledger_sum_g:.2f}", "", f"least price of a second {found.min_price_g:.1e} g"))
    return columns(rows, (False, True, False, False), ("causes", "g", "", ""))


def _pairs(found: Comparison) -> RenderableType:
    shown, rest = found.by_mode[:MOST_PAIRS], found.by_mode[MOST_PAIRS:]
    rows = [_row(e.name, e.seconds, e.price_g, found.gap_g) for e in shown]
    if rest:
        rows.append(_row(f"{len(rest)} others", sum(e.seconds for e in rest), sum(e.price_g for e in rest), found.gap_g))
    return columns(rows, (False, True, True, False), ("chosen -> best at that state", "s", "g", ""))


def _bands(heading: str, entries: Sequence[Entry], whole: float) -> RenderableType:
    return columns([_row(e.name, e.seconds, e.price_g, whole) for e in entries], (False, True, True, False), (heading, "s", "g", ""))


def _row(name: str, seconds: float, price_g: float, whole: float) -> tuple[str, str, str, str]:
    return name, f"{seconds:.0f}", f"{price_g + 0.0:.2f}", bar(_share(price_g, whole))


def _stretches(found: Comparison) -> list[RenderableType]:
    if not found.stretches:
        return ["No stretch costs anything to speak of."]
    rows = [(f"{i}.", s.sentence) for i, s in enumerate(found.stretches, 1)]
    return [columns(rows, (True, False), ("", "the costliest stretches"))]


def _next_steps(words: str, out: Path | None) -> list[RenderableType]:
    kept = f"Every second: {out}/ledger.csv, drawn in {out}/figure.png." if out else "Every second, and a figure: --out DIR."
    return [f"{kept} One second of it: `ems explain {words} --at T`."]


def _share(part: float, whole: float) -> float:
    return part / whole if whole > 1e-9 else 0.0


def _percent(part: float, whole: float) -> str:
    return f"{100.0 * _share(part, whole):.2f} %"
