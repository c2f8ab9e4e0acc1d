"""A strategy held against the optimum, on a page: how far, why, when; from ``result.json`` alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ems.judge.ledger import CAUSES
from ems.present.compare_text import CAUSES as MEANING
from ems.present.compare_text import METHODS, NONE_KNOWN
from ems.present.page.charts import Bar, Chart, bars
from ems.present.page.parts_sections import LESS, MORE
from ems.present.page.sections import Head, Section, above_floor, litres, solved, table
from ems.present.text import within

Row = Mapping[str, Any]
MOST_PAIRS = 16


def compare_head(result: Row, title: str, cycle: str) -> Head:
    """The top of the page: how far the strategy is from the least."""
    name, least, own = result["layout"], result["optimum_l_per_100km"], result["strategy_l_per_100km"]
    uncertain = result["optimum_gap_percent"] + result["table_error_percent"]
    error, bound_g = within(uncertain), result["optimum_objective_g"] * (1.0 - 0.01 * uncertain)
    answer = (f"Driven by {result['strategy']}, {name} ({title}) needs {own:.3f} l/100 km on {cycle} and ends at a charge of "
              f"{result['soc_end']:.4f}, {_against(result)}; the least possible that ends there too is {least:.3f}, "
              f"proven within an error bar of {error}. Of the {result['gap_g']:.1f} g above the proven bound "
              f"at least {result['calibration_g']:.1f} g are calibration, at most {result['foresight_g']:.1f} g need foresight, "
              f"{result['optimum_slack_g']:.1f} g the proof leaves open.")
    corrected = ", ".join(f"{what} in {n} intervals" for what, n in result["corrections"].items()) or "nothing; all it asked was possible"
    return Head(f"{result['strategy']} on {name} over {result['cycle']}", (f"{result['strategy']} on {name}", result["cycle"]), litres(own),
                f"l/100 km, {100.0 * (own / least - 1.0):.1f} % above the least" if least > 0.0 else "l/100 km", answer, [
        ("Fuel", f"{result['strategy_fuel_g']:.2f} g over {result['distance_km']:.2f} km"),
        ("The least possible", f"{result['optimum_objective_g']:.2f} g; no control can need less than "
                               f"{math.floor(100.0 * bound_g) / 100.0:.2f} g"),
        *_terms(result, own, least),
        ("Charge", f"{result['soc_start']:.4f} at the start, {result['soc_end']:.4f} at the end, the optimum's too"),
        ("Error bar", f"{error} of the least possible: proof within {within(result['optimum_gap_percent'])}, tables within "
                      f"{within(result['table_error_percent'])}"),
        *solved(result),
        ("Corrected by the plant", corrected)])


def _terms(result: Row, own: float, least: float) -> list[tuple[str, str]]:
    """Carbon dioxide and floor; not in results of before they were kept."""
    if "floor_l_per_100km" not in result:
        return []
    floor = result["floor_l_per_100km"]
    return [("CO₂", f"{result['co2_g_per_km']:.1f} g/km; the least possible {result['optimum_co2_g_per_km']:.1f}"),
            ("Floor", f"{floor:.3f} l/100 km, which no transmission can go below{above_floor(own, floor, 'the strategy')}"
                      f"{above_floor(least, floor, 'the least possible')}")]


def _against(result: Row) -> str:
    """The charge at the end against that at the start, in words."""
    start, end = round(result["soc_start"], 4), round(result["soc_end"], 4)
    return "as at the start" if start == end else f"{'higher' if end > start else 'lower'} than the {start:.4f} of the start"


def compare_sections(result: Row) -> list[Section]:
    """Gap and causes, where it is lost, the costliest stretches."""
    return [_gap(result), _where(result), _stretches(result)]


def _gap(result: Row) -> Section:
    best = f"above the best known controller that does not see ahead: {METHODS[result['causal']]}"
    causal = best if result.get("causals", True) else NONE_KNOWN
    split = [("calibration, at least", result["calibration_g"], causal),
             ("foresight, at most", result["foresight_g"], "what that controller loses to the optimum, which knows the trip"),
             ("left open", result["optimum_slack_g"], "by the proof")]
    causes = [(name, result["by_cause"][name], MEANING[name]) for name in CAUSES]
    largest = max(causes, key=lambda row: row[1])
    total = result["gap_g"]
    share = f", {100.0 * largest[1] / total:.0f} % of it" if total > 1e-9 else ""
    return Section("ledger", "Why it needs more", f"The largest cause is {largest[0]}: {largest[1]:.1f} g of {total:.1f} g{share}.",
                   [Chart(bars([_bar(n, g) for n, g, _ in causes], "price by cause [g]",
                               ", ".join(f"{n} {g:.1f} g" for n, g, _ in causes)), "The ledger by cause", ()),
                    Chart(bars([_bar(n, g) for n, g, _ in split], "gap [g]", ", ".join(f"{n} {g:.1f} g" for n, g, _ in split)),
                          "Who could have saved it", ())],
                   [table(("cause", "what it is", "g"), [(n, why, f"{g:.2f}") for n, g, why in causes]
                          + [("together", "every second's price", f"{result['ledger_sum_g']:.2f}")], 2),
                    table(("part of the gap", "what it is", "g"), [(n, why, f"{g:.2f}") for n, g, why in split]
                          + [("together", "strategy minus lower bound", f"{total:.2f}")], 2)],
                   ["The price of a second is what its choice costs above the certified value of the rest of the trip; prices are never "
                    "negative and add up to the gap without a balancing item."])


def _bar(name: str, grams: float) -> Bar:
    return Bar(name, [(grams, MORE if grams > 0.0 else LESS)], f"{grams:.1f} g")


def _where(result: Row) -> Section:
    pairs: Sequence[Row] = result["by_mode"]
    shown, rest = pairs[:MOST_PAIRS], pairs[MOST_PAIRS:]
    rows = [_entry(e) for e in shown]
    if rest:
        sums = {key: sum(e[key] for e in rest) for key in ("seconds", "price_g", *(f"{c}_g" for c in CAUSES))}
        rows.append(_entry({"name": f"{len(rest)} others", **sums}))
    head = ("time s", "price g", *(f"{c} g" for c in CAUSES))
    first = pairs[0] if pairs else None
    finding = "" if first is None else f"Dearest: {_pair(first['name'])}, {first['price_g']:.1f} g in {first['seconds']:.0f} s."
    return Section("where", "Where it is lost", finding, (), [
        table(("chosen → best at that state", *head), rows),
        *(table((word, *head), [_entry(e) for e in result[key]], 1, f"By {word}")
          for word, key in (("speed", "by_speed_band"), ("wheel power", "by_power_band"), ("phase", "by_phase")))])


def _pair(name: str) -> str:
    """'series where electric was best'; of the best mode itself, what else was not."""
    chosen, _, best = name.partition(" -> ")
    return f"{chosen}, the best mode there but not at its best point" if chosen == best else f"{chosen} where {best} was best"


def _entry(e: Row) -> tuple[str, ...]:
    grams = [f"{round(e[key], 2) + 0.0:.2f}" for key in ("price_g", *(f"{c}_g" for c in CAUSES))]
    return (e["name"].replace("->", "→"), f"{e['seconds']:.0f}", *grams)


def _stretches(result: Row) -> Section:
    rows = [(f"{s['start_s']:g} to {s['end_s']:g} s", _happened(s["sentence"]), f"{s['price_g']:.2f}") for s in result["stretches"]]
    return Section("stretches", "The costliest stretches", "" if rows else "No stretch costs anything to speak of.", (),
                   [table(("when", "what happened", "price g"), rows, 2)] if rows else ())


def _happened(sentence: str) -> str:
    """A sentence without the seconds before its colon, which stand beside it."""
    return sentence.partition(": ")[2] or sentence
