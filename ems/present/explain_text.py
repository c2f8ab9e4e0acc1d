"""Why a configuration was chosen at a second, as a person reads it: a ranking, and one sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ems.present.text import columns

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.explain import Explanation
    from ems.solve.optimum import Optimum

Row = Mapping[str, Any]
TIE_G = 1e-6    # grams that mean nothing


def explain_text(explanation: Explanation, found: Optimum) -> list[RenderableType]:
    """Everything ``ems explain`` prints."""
    from rich.text import Text

    head = Text.assemble(
        (found.layout.name, "bold"), " on ", (found.cycle.name, "bold"),
        f" at {explanation.time_s:g} s: {explanation.speed_kmh:.1f} km/h, {explanation.wheel_power_kW:+.2f} kW at the "
        f"wheels, charge {explanation.soc:.4f}")
    meaning = ("equivalent: fuel and battery energy at what it is worth along the optimum; change: what getting there "
               "costs from the second before; total: both, and the least wins")
    return [head, "", _ranking(explanation), "", reason(explanation), "", f"  {meaning}"]


def _ranking(explanation: Explanation) -> RenderableType:
    ordered = sorted(explanation.rows, key=lambda row: (not row["feasible"], row["rank"] if row["feasible"] else 0))
    rows = [_cells(row, explanation.chosen) for row in ordered]
    headings = ("", "configuration", "kind", "mode", "fuel g", "battery kJ", "equivalent g", "change g", "total g", "")
    return columns(rows, (True, False, False, False, True, True, True, True, True, False), headings)


def _cells(row: Row, chosen: str) -> tuple[str, ...]:
    if not row["feasible"]:
        return ("-", row["id"], row["kind"], "", "", "", "", "", "", row["limit"])
    numbers = (f"{row[key]:.{digits}f}" for key, digits in
               (("fuel_g", 4), ("battery_kJ", 2), ("equivalent_g", 4), ("transition_g", 4), ("total_g", 4)))
    mark = "chosen" if row["id"] == chosen else ""
    return (str(row["rank"]), row["id"], row["kind"], row["mode"], *numbers, mark)


def reason(explanation: Explanation) -> str:
    """One sentence on why the chosen configuration won."""
    feasible = sorted((row for row in explanation.rows if row["feasible"]), key=lambda row: row["total_g"])
    chosen = next((row for row in feasible if row["id"] == explanation.chosen), None)
    others = [row for row in feasible if row["id"] != explanation.chosen]
    if chosen is None:
        return f"{explanation.chosen} was chosen."
    if not others:
        return f"{chosen['id']} was chosen because every other configuration is stopped by a limit."
    return _against(chosen, others[0])


def _against(chosen: Row, rival: Row) -> str:
    margin = rival["total_g"] - chosen["total_g"]
    if margin < -TIE_G:
        return (f"{chosen['id']} was chosen although {rival['id']} comes out {-margin:.4f} g lower by this reckoning: "
                "the battery's limits or the steps around this second decide.")
    if margin <= TIE_G:
        return f"{chosen['id']} and {rival['id']} cost the same here; the first of equals is taken."
    gains = {
        "fuel": rival["fuel_g"] - chosen["fuel_g"],
        "battery energy": (rival["equivalent_g"] - rival["fuel_g"]) - (chosen["equivalent_g"] - chosen["fuel_g"]),
        "the change": (rival["total_g"] - rival["equivalent_g"]) - (chosen["total_g"] - chosen["equivalent_g"]),
    }
    return f"{chosen['id']} beats {rival['id']} by {margin:.4f} g: {_because(gains)}."


def _because(gains: Mapping[str, float]) -> str:
    saved = _listed([f"{abs(g):.4f} g on {name}" for name, g in _largest_first(gains) if g > TIE_G])
    lost = _listed([f"{abs(g):.4f} g on {name}" for name, g in _largest_first(gains) if g < -TIE_G])
    return f"it saves {saved}" + (f" and loses {lost}" if lost else "")


def _largest_first(gains: Mapping[str, float]) -> Sequence[tuple[str, float]]:
    return sorted(gains.items(), key=lambda item: -abs(item[1]))


def _listed(words: Sequence[str]) -> str:
    return " and ".join(words)
