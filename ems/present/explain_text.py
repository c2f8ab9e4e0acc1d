"""Why a configuration was chosen at a second, as a person reads it: a ranking, and one sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ems.present.text import columns

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.explain import Decision, Explanation

Row = Mapping[str, Any]
TIE_G = 1e-6    # grams that mean nothing
PARTS = {       # key of a row: what it is called in the sentence
    "fuel_g": "fuel", "equivalent_g": "battery energy", "transition_g": "the change", "later_g": "what follows",
}
MEANINGS = (
    "  fuel and battery: each configuration at the division of power that costs it least here; what was driven stands in trace.csv",
    "  worth: the battery energy, at the fuel it stands for along the optimum",
    "  change: fuel, energy and price of getting there from the second before",
    "  later: the least the rest of the trip costs from there, beyond the cheapest place to be",
    "  total: fuel, worth, change and later; the least wins",
)


def explain_text(explanation: Explanation, *, layout: str, cycle: str) -> list[RenderableType]:
    """Everything ``ems explain`` prints."""
    from rich.text import Text

    head = Text.assemble(
        (layout, "bold"), " on ", (cycle, "bold"),
        f" at {explanation.time_s:g} s: {explanation.speed_kmh:.1f} km/h, {explanation.wheel_power_kW:+.2f} kW at the "
        f"wheels, charge {explanation.soc:.4f}")
    why = [reason(explanation)] if explanation.decision is None else decision_text(explanation.decision)
    return [head, "", _ranking(explanation), "", *why, "", *MEANINGS]


def _ranking(explanation: Explanation) -> RenderableType:
    ordered = sorted(explanation.rows, key=lambda row: (not row["feasible"], row["rank"] if row["feasible"] else 0))
    rows = [_cells(row, explanation.chosen) for row in ordered]
    headings = ("", "configuration", "mode, or why not", "fuel g", "battery kJ", "worth g", "change g", "later g", "total g", "")
    return columns(rows, (True, False, False, True, True, True, True, True, True, False), headings)


def _cells(row: Row, chosen: str) -> tuple[str, ...]:
    if not row["feasible"]:
        return ("-", row["id"], f"not possible: {row['limit']}", "", "", "", "", "", "", "")
    digits = {"fuel_g": 4, "battery_kJ": 2, "equivalent_g": 4, "transition_g": 4, "later_g": 4, "total_g": 4}
    numbers = (f"{row[key]:.{places}f}" for key, places in digits.items())
    mark = "chosen" if row["id"] == chosen else ""
    return (str(row["rank"]), row["id"], row["mode"], *numbers, mark)


def decision_text(decision: Decision) -> list[str]:
    """What a strategy did, what was best at its state, and what the difference cost."""
    parts = ", ".join(f"{round(g, 4) + 0.0:.4f} g {name}" for name, g in decision.causes_g.items())
    if decision.price_g - decision.causes_g["charge"] <= TIE_G:
        return [f"The strategy chose the best there is at its state: {_side(decision.chosen)}."]
    return [f"The strategy chose {_side(decision.chosen)}.", f"Best at its state: {_side(decision.best)}.",
            f"The choice cost {decision.price_g:.4f} g: {parts}."]


def _side(side: Mapping[str, Any]) -> str:
    brakes = f", {side['brakes_kW']:.1f} kW in the friction brakes" if side["brakes_kW"] >= 0.05 else ""
    return (f"{side['id']} ({side['mode']}; engine {side['engine_kW']:.1f} kW, {side['fuel_g']:.4f} g of fuel, "
            f"{side['battery_kJ']:.2f} kJ from the battery{brakes})")


def reason(explanation: Explanation) -> str:
    """One sentence on why the chosen configuration won."""
    rows: Sequence[Row] = explanation.rows
    feasible = sorted((row for row in rows if row["feasible"]), key=lambda row: row["total_g"])
    chosen = next((row for row in feasible if row["id"] == explanation.chosen), None)
    others = [row for row in feasible if row["id"] != explanation.chosen]
    if chosen is None:
        return f"{explanation.chosen} was chosen."
    if not others:
        return f"{chosen['id']} was chosen because a limit rules out every other configuration."
    return _against(chosen, others[0])


def _against(chosen: Row, rival: Row) -> str:
    margin = rival["total_g"] - chosen["total_g"]
    if margin < -TIE_G:
        return (f"{chosen['id']} was chosen although {rival['id']} comes out {-margin:.4f} g lower at one price of stored energy: "
                "that price is not exact where engine starts are few or the battery is at a limit.")
    if margin <= TIE_G:
        return f"{chosen['id']} and {rival['id']} cost the same here; the first of equals is taken."
    gains = {name: rival[key] - chosen[key] for key, name in PARTS.items()}
    return f"{chosen['id']} beats {rival['id']} by {margin:.4f} g: {_because(gains)}."


def _because(gains: Mapping[str, float]) -> str:
    shown = {name: g for name, g in _largest_first(gains) if abs(g) >= 0.00005}
    saved = _listed([f"{g:.4f} g on {name}" for name, g in shown.items() if g > 0.0])
    lost = _listed([f"{-g:.4f} g on {name}" for name, g in shown.items() if g < 0.0])
    if not saved:
        return "by less than any single part shows"
    return f"it saves {saved}" + (f" and loses {lost}" if lost else "")


def _largest_first(gains: Mapping[str, float]) -> Sequence[tuple[str, float]]:
    return sorted(gains.items(), key=lambda item: -abs(item[1]))


def _listed(words: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
