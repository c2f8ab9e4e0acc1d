"""Layouts side by side on a page: the matrix, where the fuel goes, what differs, and what each can do; from ``result.json`` alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ems.present.page.charts import Bar, Chart, bars
from ems.present.page.sections import Head, Section, Table, litres, seconds, solved, table
from ems.present.text import listed, within
from ems.present.versus_figures import PARTS

Row = Mapping[str, Any]
CAPABILITY = (("0-50 km/h", "time_0_50_s"), ("0-100 km/h", "time_0_100_s"), ("80-120 km/h", "time_80_120_s"))
CHARGES = (("normal", "at its target"), ("low", "at its lowest"))
ROAD = ("air", "tyres", "auxiliaries", "stored")
NAMED = ("engine", "meshes", "clutches", "battery", "brakes")


def versus_head(result: Row) -> Head:
    """The top of the page: who needs least, and with how much doubt."""
    layouts, cycles = result["layouts"], result["cycles"]
    cells = [c for c in result["matrix"] if c["follows"]]
    least = {cycle: min((c for c in cells if c["cycle"] == cycle), key=lambda c: c["fuel_l_per_100km"], default=None) for cycle in cycles}
    said = "; ".join(_least(result, cell, cycle) for cycle, cell in least.items())
    held = listed(result["same"]) if result["same"] else "vehicle, battery and maps as each file says"
    best = least[cycles[0]]
    where = f" on {cycles[0]}" if len(cycles) > 1 else ""
    return Head("Side by side: " + ", ".join(layouts), (listed(layouts), listed(cycles)),
                litres(best["fuel_l_per_100km"]) if best else "–", f"l/100 km, {best['layout']}{where}" if best else "none follows",
                f"{said[:1].upper()}{said[1:]}.",
                [("Held equal", held), ("Ties", _ties(result) or "none"), *_terms(result, cells), *solved(result, len(cells))])


def _terms(result: Row, cells: Sequence[Row]) -> list[tuple[str, str]]:
    """Carbon dioxide, floor, error bar and charge, of all layouts together: by cycle, or the widest."""
    if not cells:
        return []
    said: dict[str, list[str]] = {"CO₂": [], "Floor": []}
    for cycle in result["cycles"]:
        own = [c for c in cells if c["cycle"] == cycle]
        where = f" on {cycle}" if len(result["cycles"]) > 1 else ""
        for word, key, digits, unit in (("CO₂", "co2_g_per_km", 1, "g/km"), ("Floor", "floor_l_per_100km", 3, "l/100 km")):
            if own:
                said[word].append(f"{_span([c[key] for c in own], digits)} {unit}{where}")
    error = max(c["gap_percent"] + c["table_error_percent"] for c in cells)
    ends = [_span([c[key] for c in cells], 2) for key in ("soc_start", "soc_end")]
    return [("CO₂", "; ".join(said["CO₂"])), ("Floor", f"{'; '.join(said['Floor'])}, which no transmission can go below"),
            ("Error bar", f"{within(error)} at most, in each row of the table"),
            ("Charge", f"{ends[0]} at the start, {ends[1]} at the end")]


def _span(values: Sequence[float], digits: int) -> str:
    """'112.9 to 131.4'; one figure where all are the same."""
    low, high = (f"{v:.{digits}f}" for v in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _least(result: Row, cell: Row | None, cycle: str) -> str:
    if cell is None:
        return f"no layout follows {cycle}"
    own = cell["layout"]
    tied = [n for t in result["ties"] if t["cycle"] == cycle and own in t["layouts"] for n in t["layouts"] if n != own]
    words = f", level with {listed(tied)}" if tied else ""
    return f"on {cycle} {own} needs least, {cell['fuel_l_per_100km']:.3f} l/100 km (no control can need less than {cell['low']:.3f}){words}"


def _ties(result: Row) -> str:
    return "; ".join(f"{listed(t['layouts'])} on {t['cycle']}" for t in result["ties"])


def versus_sections(result: Row) -> list[Section]:
    """Matrix, parts, differences, capability."""
    return [_matrix(result), _differs(result), capability_section({c["layout"]: c["capability"] for c in result["matrix"]})]


def _matrix(result: Row) -> Section:
    charts = [_chart(result, cycle) for cycle in result["cycles"] if any(c["follows"] and c["cycle"] == cycle for c in result["matrix"])]
    head = ("layout", "cycle", "l/100 km", "from", "to", "floor", "CO₂ g/km", "engine starts", "changes")
    rows = [(c["layout"], c["cycle"], litres(c["fuel_l_per_100km"]), litres(c["low"]), litres(c["high"]), litres(c["floor_l_per_100km"]),
             f"{c['co2_g_per_km']:.1f}", str(c["engine_starts"]), str(c["configuration_changes"]))
            for c in result["matrix"] if c["follows"]]
    why = [c["why"] for c in result["matrix"] if not c["follows"]]
    several = len(result["cycles"]) > 1
    tables = [*([_across_cycles(result)] if several else []),
              table(head, rows, 2, "With error bars, floors, starts and changes" if several else ""), _parts_table(result)]
    return Section("matrix", "Least fuel side by side", "", charts, tables,
                   [*why, "From and to: what certificate and finer tables leave. Layouts whose ranges overlap are ties. Upright stroke: "
                    "the floor, which no transmission can go below."])


def _across_cycles(result: Row) -> Table:
    """A row a layout, a column a cycle: fuel, and how much that is above the least on this cycle."""
    fuel = {(c["layout"], c["cycle"]): c["fuel_l_per_100km"] for c in result["matrix"] if c["follows"]}

    def cell(layout: str, cycle: str) -> str:
        own = fuel.get((layout, cycle))
        if own is None:
            return "does not follow"
        above = 100.0 * (own / min(v for (_, c), v in fuel.items() if c == cycle) - 1.0)
        return f"{own:.3f}, the least" if above == 0.0 else f"{own:.3f}, +{above:.1f} %"

    rows = [(layout, *(cell(layout, cycle) for cycle in result["cycles"])) for layout in dict.fromkeys(result["layouts"])]
    return table(("l/100 km", *result["cycles"]), rows)


def grouped(cell: Row) -> dict[str, float]:
    """Fuel [l/100 km] by where it goes: the parts of the chart."""
    out = {key: 0.0 for key, *_ in PARTS}
    for name, value in cell["losses_l_per_100km"].items():
        key = "meshes" if name in ("meshes", "clutches", "drag") else "road" if name in ROAD else name if name in NAMED else "machines"
        out[key] += value
    return out


def _chart(result: Row, cycle: str) -> Chart:
    cells = sorted((c for c in result["matrix"] if c["follows"] and c["cycle"] == cycle), key=lambda c: c["fuel_l_per_100km"])
    rows = [Bar(c["layout"], [(value, f"part-{key}") for key, value in grouped(c).items()], litres(c["fuel_l_per_100km"]), c["low"],
                c["high"], c["floor_l_per_100km"]) for c in cells]
    words = ", ".join(f"{c['layout']} {c['fuel_l_per_100km']:.3f} l/100 km" for c in cells)
    caption = f"{cycle}: {_difference(cells)}"
    return Chart(bars(rows, "least fuel [l/100 km]", f"Least fuel on {cycle}: {words}."), caption, [(f"part-{k}", w) for k, w, *_ in PARTS])


def _difference(cells: Sequence[Row]) -> str:
    if len(cells) < 2:
        return "one layout alone."
    best, others = cells[0], [cells[1], *([cells[-1]] if len(cells) > 2 else [])]
    said = [f"{other['layout']} needs {other['fuel_l_per_100km'] - best['fuel_l_per_100km']:.3f} l/100 km more, "
            f"{_largest_part(best, other)}" for other in others]
    return f"{best['layout']} needs least; {'; '.join(said)}."


def _largest_part(best: Row, other: Row) -> str:
    """Where most of a difference goes: 'most of it in engine heat, +0.938'."""
    a, b = grouped(best), grouped(other)
    key, words = max(((k, w) for k, w, *_ in PARTS), key=lambda part: b[part[0]] - a[part[0]])
    return f"the largest part in {words}, {b[key] - a[key]:+.3f}"


def _parts_table(result: Row) -> Table:
    rows = [(c["layout"], c["cycle"], *(litres(v) for v in grouped(c).values()), litres(sum(grouped(c).values())))
            for c in result["matrix"] if c["follows"]]
    return table(("layout", "cycle", *(words for _, words, *_ in PARTS), "together"), rows, 2, "Where the fuel goes, as a table")


def _differs(result: Row) -> Section:
    layouts = result["layouts"]
    rows = [(d["what"], *(str(d["values"][name]) for name in layouts)) for d in result["differs"]]
    finding = f"{len(rows)} things differ besides the way parts are joined." if rows else "Nothing differs but the way parts are joined."
    return Section("differs", "What differs", finding, (), [Table(("what", *layouts), rows, [False] * (1 + len(layouts)))] if rows else ())


def capability_section(abilities: Mapping[str, Row], charts: Sequence[Chart] = ()) -> Section:
    """What each layout can do on the road. abilities : layout -> as ``Capability.to_dict`` says"""
    quickest = min(abilities.items(), key=lambda item: item[1]["normal"]["time_0_100_s"] or float("inf"))
    head = ("layout", "charge", *(word for word, _ in CAPABILITY), "top km/h", "steepest start", "most kW", "lasting kW")
    rows = [(name, word, *(seconds(ability[key][time]) for _, time in CAPABILITY), f"{ability[key]['top_speed_kmh']:.0f}",
             f"{ability[key]['start_grade_percent']:.0f} %", f"{ability[key]['most_power_kW']:.0f}",
             f"{ability[key]['lasting_power_kW']:.0f}")
            for name, ability in abilities.items() for key, word in CHARGES]
    climbs = [(name, word, f"{c['grade_percent']:g} % at {c['speed_kmh']:g} km/h", f"{c['held_s']:.0f} s", f"{c['then_kmh']:.0f} km/h")
              for name, ability in abilities.items() for key, word in CHARGES for c in ability[key]["climbs"]]
    slowest = max(abilities.items(), key=lambda item: item[1]["normal"]["time_0_100_s"] or float("inf"))
    finding = f"{quickest[0]} reaches 100 km/h in {seconds(quickest[1]['normal']['time_0_100_s'])} with charge at its target"
    finding += f"; {slowest[0]} takes longest, {seconds(slowest[1]['normal']['time_0_100_s'])}." if len(abilities) > 1 else "."
    return Section("capability", "What each can do" if len(abilities) > 1 else "What it can do", finding, charts,
                   [table(head, rows, 2), table(("layout", "charge", "climb", "held for", "then"), climbs, 3, "Climbs for ten minutes")],
                   ["A weaker car can pass for a thriftier one: read fuel and capability together. Short-time ratings; lasting: continuous "
                    "ones.",
                    "Acceleration and climbing on a road belong to qualified drivers, on closed ground."])


def capability_head(result: Row) -> Head:
    """The top of a page of one layout's capability."""
    normal, low = result["normal"], result["low"]
    return Head(f"What {result['layout']} can do", (result["layout"], "the road"), seconds(normal["time_0_100_s"]), "to 100 km/h",
                f"With a charge at its target {result['layout']} reaches 100 km/h in {seconds(normal['time_0_100_s'])}; at its lowest "
                f"charge in {seconds(low['time_0_100_s'])}.",
                [("Top speed", f"{normal['top_speed_kmh']:.0f} km/h; {normal['lasting_top_speed_kmh']:.0f} lasting"),
                 ("Steepest start", f"{normal['start_grade_percent']:.0f} %"),
                 ("Largest wheel power", f"{normal['most_power_kW']:.0f} kW")])
