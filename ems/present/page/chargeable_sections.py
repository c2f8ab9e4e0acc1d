"""Depleting, sustaining and weighted on a page; from ``result.json`` alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ems.present.page.charts import Bar, Chart, bars
from ems.present.page.sections import Head, Section, Table, litres, solved, table
from ems.present.text import times, within
from ems.regulations.weightings import WEIGHTINGS

Row = Mapping[str, Any]
FILLS = {"depleting": "part-battery", "blended": "part-machines", "sustaining": "part-engine", "weighted": "part-road"}
KEY = ((FILLS["depleting"], "depleting"), (FILLS["blended"], "depleting, trip known"), (FILLS["sustaining"], "sustaining"),
       (FILLS["weighted"], "weighted by a regulation"))


def chargeable_head(result: Row) -> Head:
    """The top of the page: how far without fuel, and what it needs then."""
    weighted = [w["figures"]["fuel_l_per_100km"] for w in result["weighted"].values()]
    span = f" Weighted by the regulations: {min(weighted):.3f} to {max(weighted):.3f} l/100 km." if weighted else ""
    sustaining = result["sustaining"]["fuel_l_per_100km"]
    error = within(result["sustaining_bar_percent"])
    answer = (f"Charged from the mains, {result['layout']} drives {result['electric_range_km']:.1f} km on {result['cycle']} before it "
              f"burns fuel. Once the charge is used up it needs {sustaining:.3f} l/100 km at least, proven within {error}.{span}")
    full, depleted = result["charge"]
    return Head(f"{result['layout']} charged from the mains, on {result['cycle']}", (result["layout"], result["cycle"]),
                f"{result['electric_range_km']:.1f}", "km until fuel is first burnt", answer, [
        ("Charge", f"{full:g} full, {depleted:g} depleted"),
        ("Depleting cycles", f"{result['depleting_range_km']:.1f} km, {times(result['transition'], 'cycle')}, the transition cycle last"),
        ("UN GTR 15", f"actual depleting range {result['actual_depleting_range_km']:.1f} km, equivalent electric range "
                      f"{result['equivalent_electric_range_km']:.1f} km"),
        ("CO₂", f"{result['sustaining']['co2_g_per_km']:.1f} g/km sustaining, {result['depleting']['co2_g_per_km']:.1f} depleting; that "
                "of the mains is not counted"),
        ("Charger", f"{100.0 * result['charger_efficiency']:.0f} % of what is drawn from the mains is stored"),
        ("Solved", f"{times(len(result['legs']), 'cycle')} driven one after the other, the last as an optimum, with "
                   f"{dict(solved(result)).get('Solved', 'grids that are not told')}")])


def chargeable_sections(result: Row) -> list[Section]:
    """Figures of every kind, the sequence of cycles, the regulations."""
    return [_figures(result), _sequence(result), _regulations(result)]


def _figures(result: Row) -> Section:
    kinds = [("depleting", "depleting, electric first", result["depleting"], "", "")]
    if result["blended"] is not None:
        bar = within(result["blended_bar_percent"])
        kinds.append(("blended", f"depleting, {times(max(result['transition'], 1), 'cycle')} known", result["blended"], "", bar))
    kinds.append(("sustaining", "sustaining", result["sustaining"], "", within(result["sustaining_bar_percent"])))
    kinds += [("weighted", WEIGHTINGS[name].title, w["figures"], f"{100.0 * w['depleting_share']:.1f} %", "")
              for name, w in result["weighted"].items()]
    rows = [Bar(title, [(f["fuel_l_per_100km"], FILLS[kind])], litres(f["fuel_l_per_100km"])) for kind, title, f, _, _ in kinds]
    words = ", ".join(f"{title} {f['fuel_l_per_100km']:.3f} l/100 km" for _, title, f, _, _ in kinds)
    cells = [(title, litres(f["fuel_l_per_100km"]), f"{f['co2_g_per_km']:.1f}", f"{f['electricity_kWh_per_100km']:.2f}", share, bar)
             for _, title, f, share, bar in kinds]
    head = ("figures", "l/100 km", "CO₂ g/km", "kWh/100 km from the mains", "way counted as depleting", "proven within")
    return Section("figures", "Fuel and electricity, always together", "A low fuel figure alone says how often the car is charged.",
                   [Chart(bars(rows, "fuel [l/100 km]", words), "", KEY)], [table(head, cells)], _balance(result))


def _balance(result: Row) -> list[str]:
    found = result["correction"]
    if found is None:
        return []
    spread = max(found["corrected_l_per_100km"]) - min(found["corrected_l_per_100km"])
    before = max(found["fuel_l_per_100km"]) - min(found["fuel_l_per_100km"])
    return [f"Charge balance: {found['slope']:.4f} l/kWh by regression over {len(found['fuel_l_per_100km'])} runs, "
            f"{found['costate_slope']:.4f} from the costate; it brings their spread from {before:.4f} to {spread:.4f} l/100 km."]


def _sequence(result: Row) -> Section:
    legs = result["legs"]
    cells = [(str(i), leg["kind"], f"{leg['soc_start']:.3f}", f"{leg['soc_end']:.3f}", f"{leg['distance_km']:.2f}",
              litres(leg["fuel_l_per_100km"]), f"{leg['co2_g_per_km']:.1f}", f"{leg['battery_kWh']:.3f}",
              f"{round(leg['balance_percent'], 1) + 0.0:+.1f} %", "depleting" if i <= result["transition"] else "ends it")
             for i, leg in enumerate(legs, 1)]
    head = ("cycle", "driven", "charge", "to", "km", "l/100 km", "CO₂ g/km", "battery kWh", "of cycle energy", "counts as")
    electric = sum(leg["kind"] == "electric" for leg in legs)
    finding = (f"{times(electric, 'cycle')} of {len(legs)} without fuel, {result['electric_range_km']:.1f} km until it is first burnt; the "
               "last only confirms that the charge is used up.")
    numeric = [1 < i < len(head) - 1 for i in range(len(head))]
    return Section("sequence", "Cycle after cycle from full charge", finding, (), [Table(head, cells, numeric)])


def _regulations(result: Row) -> Section:
    rows = [(text["name"], "; ".join(dict.fromkeys(where for where, _ in text["paragraphs"])), text["source"], "; ".join(text["left_out"]),
             text["in_force"]) for text in result["regulations"]]
    head = ("regulation", "followed", "read in", "left out", "in force")
    return Section("regulations", "What was followed, and what of it was left out", "", (), [table(head, rows, len(head))])
