"""What each part is worth and what each quantity changes, on a page; from ``result.json`` alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ems.present.page.charts import Bar, Chart, bars
from ems.present.page.sections import Head, Section, litres, seconds, solved, table
from ems.present.text import listed

Row = Mapping[str, Any]
SHOWN = 24               # bars of a chart; the table has all
MORE, LESS, TIE = "bar-more", "bar-less", "bar-tie"
FUEL_MAP = "engine map, fuel"      # as in judge/levers.py: one per cent of it is one per cent of fuel, which says nothing
FORBIDDEN = {"control": "forbidden", "hardware": "deleted"}
KEY = ((MORE, "more fuel"), (LESS, "less fuel"), (TIE, "a tie: the range holds zero"))


def fill(value: float, tie: bool) -> str:
    """Pattern of a signed bar."""
    return TIE if tie else MORE if value > 0.0 else LESS


def worth_head(result: Row) -> Head:
    """The top of a page of worths."""
    base = list(result["base"].items())
    section = worth_section(result)
    return Head(f"What each part of {result['layout']} is worth", (result["layout"], listed([c for c, _ in base])),
                litres(base[0][1]["value"]), "l/100 km with everything", section.finding,
                [*((cycle, f"{bar['value']:.3f} l/100 km, from {bar['low']:.3f} to {bar['high']:.3f}") for cycle, bar in base),
                 *solved(result, result.get("solved"))])


def worth_section(result: Row) -> Section:
    """More fuel without each part."""
    used = [r for r in result["parts"] if r["used"]]
    known = sorted((r for r in used if not r["needed"]), key=lambda r: -r["l_per_100km"])
    rows = [Bar(f"{_named(r)}, {FORBIDDEN[r['what']]}", [(r["l_per_100km"], fill(r["l_per_100km"], r["tie"]))],
                "tie" if r["tie"] else litres(r["l_per_100km"], True), r["low"], r["high"]) for r in known[:SHOWN]]
    words = ", ".join(f"{_named(r)} {r['l_per_100km']:+.3f}" for r in known[:SHOWN])
    cells = [(r["part"], r["kind"], FORBIDDEN[r["what"]], r["how"], "cannot do without" if r["needed"] else litres(r["l_per_100km"], True),
              "" if r["needed"] else f"{r['low']:+.3f} to {r['high']:+.3f}", "tie" if r["tie"] else "",
              seconds(r["time_0_100_s_without"]) if "time_0_100_s_without" in r else "") for r in result["parts"]]
    unused = sorted({r["part"] for r in result["parts"] if not r["used"]})
    needed = "; ".join(f"{_named(r)}, {FORBIDDEN[r['what']]}{': ' * bool(r['why'])}{r['why']}" for r in used if r["needed"])
    notes = [f"The layout cannot do without: {needed}."] if needed else []
    notes += [f"The optimum does not use {listed(unused)}."] if unused else []
    head = ("part", "kind", "without", "how", "more fuel l/100 km", "range", "told", "0-100 km/h without")
    charts = [Chart(bars(rows, "more fuel without it [l/100 km]", words), "", KEY)] if rows else []
    all_parts = table(head, cells, 4, "All parts as a table")
    return Section("worth", "What each part is worth", _dearest(known, bool(needed)), charts, [all_parts],
                   [*notes, "Forbidden: it is carried and not used. Deleted: its mass, drag and hold power are gone too, and the car may "
                    "be weaker."])


def _named(r: Row) -> str:
    """'gear third'; machines together by their names alone."""
    return str(r["part"]) if r["kind"] in ("machines together", "configuration") else f"{r['kind']} {r['part']}"


def _dearest(known: list[Any], needed: bool) -> str:
    """What a page of worths finds: the part worth most, of those that can be done without, the dearest first."""
    clear = [r for r in known if not r["tie"]]
    if not known:
        return f"The {'layout can do without' if needed else 'optimum uses'} none of the parts that were asked for."
    if not clear:
        return f"No part {'that it can do without ' if needed else ''}is worth more than the error bar."
    r = clear[0]
    if r["l_per_100km"] < 0.0:
        return (f"None of the parts saves fuel on the whole: {FORBIDDEN[r['what']]}, {_named(r)} leaves a car that needs at least "
                f"{-r['high']:.3f} l/100 km less.")
    return (f"{_named(r)[:1].upper()}{_named(r)[1:]} is worth most: {FORBIDDEN[r['what']]}, it leaves a car that needs at least "
            f"{r['low']:.3f} l/100 km more. {len(known) - len(clear)} of {len(known)} figures are ties.")


def sensitivity_head(result: Row) -> Head:
    """The top of a page of sensitivities."""
    fuel = result["fuel_l_per_100km"]
    return Head(f"What moves the fuel of {result['layout']}", (result["layout"], result["cycle"]), litres(fuel["value"]), "l/100 km",
                sensitivity_section(result).finding, [("Error bar", f"from {fuel['low']:.3f} to {fuel['high']:.3f} l/100 km"),
                                                      ("Costate", f"{result['costate']:.3f} J of fuel for a joule from the battery"),
                                                      *solved(result)])


def sensitivity_section(result: Row) -> Section:
    """One per cent more of each quantity."""
    rows: list[Bar] = []
    now: list[str] = []
    cells: list[tuple[str, ...]] = []
    for q in result["quantities"]:
        solved, slope = q["per_percent"], q["envelope_per_percent"]
        value = solved["value"] if solved else slope
        cells.append((q["quantity"], q["value"], "–" if solved is None else f"{1e3 * solved['value']:+.2f}",
                      "" if solved is None else f"{1e3 * solved['low']:+.2f} to {1e3 * solved['high']:+.2f}",
                      "–" if slope is None else f"{1e3 * slope:+.2f}", _word(q)))
        if value is not None and len(rows) < SHOWN:
            now.append(q["value"])
            rows.append(Bar(q["quantity"], [(1e3 * value, fill(value, q["tie"]))], f"{1e3 * value:+.2f}",
                            None if solved is None else 1e3 * solved["low"], None if solved is None else 1e3 * solved["high"],
                            None if slope is None or solved is None else 1e3 * slope))
    words = ", ".join(f"{r.name} {r.told}" for r in rows)
    most = next((i for i, r in enumerate(rows) if r.name != FUEL_MAP), None)
    after = "After the engine's own fuel map, fuel" if any(r.name == FUEL_MAP for r in rows) else "Fuel"
    finding = "" if most is None else (f"{after} depends most on {rows[most].name}, now {now[most]}: one per cent more of it changes the "
                                       f"fuel by {rows[most].told} ml/100 km.")
    head = ("quantity", "now", "ml/100 km", "range", "by costate", "told")
    return Section("sensitivity", "What one per cent more of each quantity changes", finding,
                   [Chart(bars(rows, "ml/100 km for one per cent more", words), "", KEY)] if rows else [],
                   [table(head, cells, 2, "As a table")],
                   ["By costate: the slope of the certificate, in which the costate prices the battery; upright stroke in the chart.",
                    "A name with a dot in it is that of the layout file, as --set takes it."])


def _word(q: Row) -> str:
    return "tie" if q["tie"] else q["why"] if q["agrees"] is None else "" if q["agrees"] else "does not agree"
