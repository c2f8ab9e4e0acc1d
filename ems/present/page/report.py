"""The report of a trip as one HTML file: the answer, the trip, the player, the maps, the energy, the sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.judge.ranking import Ranking
from ems.layout.listing import layout_sources
from ems.layout.uncounted import counted_as_zero_text
from ems.output import dumps
from ems.present.drawing.flow import Flows, trip_flows
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.stick import drawing
from ems.present.drawing.stored import placed
from ems.present.drawing.style import FONT
from ems.present.engagement import engagement
from ems.present.figures import charge_finding, power_finding, speed_finding
from ems.present.inline import Html
from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.page import findings, maps
from ems.present.page.assets import script, style
from ems.present.page.columns import mode_patterns, page_columns, part_patterns
from ems.present.page.compare_sections import compare_head, compare_sections
from ems.present.page.sections import Head, Section, above_floor, solved
from ems.present.page.trip import Trip, modes, trip_of, trip_of_comparison
from ems.present.text import clock, listed, within
from ems.types import Array

if TYPE_CHECKING:
    from ems.judge.compare import Comparison
    from ems.solve.optimum import Optimum

PREFIX = "player-"
METHODS = (
    ("Dynamic programming over stored energy and configuration", "R. Bellman, Dynamic Programming, Princeton 1957"),
    ("The worth of battery energy as a costate, and the battery as a voltage behind a resistance",
     "L. Guzzella and A. Sciarretta, Vehicle Propulsion Systems, 3rd ed., Springer 2013"),
    ("Lower bound by affine values of the rest of the trip, their slopes found by cutting planes",
     "J. E. Kelley, The cutting-plane method for solving convex programs, J. SIAM 8 (1960)"),
)
COLOURS = ("Colours", "M. Okabe and K. Ito, Color Universal Design, 2008")
SETS = ("Speeds of planetary sets", "R. Willis's equation, as in J. Looman, Zahnradgetriebe, Springer")
REMARK = "Literature is named, not quoted."
TIE_UPS = ("Some actuator states of this layout lock the wheels (`ems modes` lists them): interlocks must be engineered by qualified "
           "people under the functional safety standards that apply.")
SAFETY = ("Wrongly closed clutches, over-speed and high voltage can injure. Nothing on this page is a calibration: a "
          "sequence of configurations must be made safe before a vehicle drives it.")


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """What a page shows.

    head, sections : see ``sections``      methods : what was done, and where it is written
    trip : shown second by second, if there is one      result : what ``result.json`` says
    """

    head: Head
    sections: Sequence[Section]
    cautions: Sequence[str]
    result: Mapping[str, Any]
    trip: Trip | None = None
    methods: Sequence[tuple[str, str]] = METHODS


def report_page(found: Optimum, recorded: Mapping[str, Any] | None = None) -> Html:
    """The report of an optimum as HTML text, nothing fetched and everything of the user's escaped.

    recorded : with ``inputs``, ``versions`` and ``sources`` as ``result.json`` says them; looked up when None
    """
    return html(optimum_page(trip_of(found), {**found.to_dict(), **(recorded or {})}))


def compare_page(found: Comparison, recorded: Mapping[str, Any] | None = None) -> Html:
    """The report of a strategy held against the optimum; ``recorded`` as of ``report_page``."""
    return html(comparison_page(trip_of_comparison(found), {**found.to_dict(), **(recorded or {})}))


def optimum_page(trip: Trip, result: Mapping[str, Any]) -> Page:
    """The page of an optimum's trip. result : as ``Optimum.to_dict`` says"""
    layout, cycle = trip.layout, trip.cycle
    error = within(result["gap_percent"] + result["table_error_percent"])
    least = result["fuel_l_per_100km"] * (1.0 - 0.01 * (result["gap_percent"] + result["table_error_percent"]))
    answer = (f"The least fuel of {layout.name} ({layout.title}) on {cycle.title or cycle.name}, with an error bar of {error}: no control, "
              f"not even one that knows the whole trip, can need less than {np.floor(1e4 * least) / 1e4:.4f} l/100 km.")
    head = Head(f"{layout.title} on {cycle.name}: least fuel", (layout.name, cycle.name), f"{result['fuel_l_per_100km']:.3f}", "l/100 km",
                answer, [*_facts(result), ("Where it goes", findings.whereabouts(trip.trace))])
    return Page(head, (), _cautions(trip, result, result["warm_l_per_100km"] is None), result, trip)


def comparison_page(trip: Trip, result: Mapping[str, Any]) -> Page:
    """The page of a strategy's trip. result : as ``Comparison.to_dict`` says"""
    head = compare_head(result, trip.layout.title, trip.cycle.title or trip.cycle.name)
    head = replace(head, facts=[*head.facts, ("Where it goes", findings.whereabouts(trip.trace))])
    return Page(head, compare_sections(result), _cautions(trip, result, True), result, trip)


def html(page: Page) -> Html:
    """The page as HTML text."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(loader=PackageLoader("ems.present.page", "files"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    labels = list(page.trip.time_share) if page.trip else []
    return Html(environment.get_template("report.html").render(
        head=page.head, sections=page.sections, cautions=page.cautions, css=Markup(style()), font=Markup(FONT),
        script=Markup(script()), patterns=mode_patterns(labels), part_patterns=part_patterns(), remark=REMARK,
        methods=[*page.methods, COLOURS, *([SETS] if page.trip and page.trip.layout.planetary_sets else [])],
        sources=_sources(page), inputs=_inputs(page),
        versions=page.result.get("versions") or _versions(), trip=None if page.trip is None else _shown(page.trip, page.result)))


def _shown(trip: Trip, result: Mapping[str, Any]) -> dict[str, Any]:
    """Everything the template says of a trip."""
    from markupsafe import Markup

    trace, labels = trip.trace, list(trip.time_share)
    g = Geometry(placed(trip.layout))
    flows, runner_up, fuel = trip_flows(g, trace), _runner_up_g(trip.ranked), findings.fuel_table(trace)
    first, why = findings.opening(trace)
    return {
        "data": Markup(_inlined(page_columns(trip, flows))), "share": trip.time_share, "beside": trip.beside,
        "drawing": Markup(drawing(g, trip.layout, flows.at(first, trip.cycle.name), prefix=PREFIX, style=False)),
        "opening": {"time_s": f"{trace.demand.time_s[first]:g}", "why": why, "first_s": f"{trace.demand.time_s[0]:g}"},
        "width": round(g.width), "told": ", ".join(dict.fromkeys(g.made.cuts)), "instants": _instants(trip, g, flows), "fuel": fuel,
        "captions": {
            "speed": speed_finding(modes(trace), trip.time_share), "power": power_finding(trip), "charge": charge_finding(trip),
            "fuel": findings.fuel_finding(fuel), "energy": findings.energy_finding(trace),
            "alternatives": findings.alternatives_finding(trace, runner_up), "changes": findings.changes_finding(trace),
            "ledger": "" if trip.beside is None else findings.ledger_finding(trip.beside.price_g, trace.demand.dt_s)},
        "maps": _maps(trip, labels),
        "flow": Markup("".join(maps.energy_flow(trace, f"Flow of energy. {findings.energy_finding(trace)}", n) for n in (False, True))),
        "energy": findings.energy_rows(trace), "zero": counted_as_zero_text(trip.layout),
        "optimum_energy": None if trip.beside is None else findings.energy_rows(trip.beside.optimum),
        "close": closest(trip)}


def _inlined(data: Mapping[str, Any]) -> str:
    """JSON that may stand inside a script element: no text of a user's can end it."""
    return dumps(data, indent=None).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _runner_up_g(ranked: Ranking) -> Array:
    """(K,) extra cost of the best configuration other than the chosen one; inf where there is none."""
    extra = np.where(np.isfinite(ranked.extra_g), ranked.extra_g, np.inf)
    extra[np.arange(extra.shape[0]), ranked.chosen] = np.inf
    least: Array = extra.min(axis=1)
    return least


def closest(trip: Trip) -> list[dict[str, Any]]:
    """Configurations that were driven: time, fuel, and how often the second best came within a milligram."""
    configurations, dt, ranked = trip.trace.plant.derivation.configurations, trip.trace.demand.dt_s, trip.ranked
    fuel, runner_up = trip.fuel_g, _runner_up_g(ranked)
    rows = []
    for c in np.unique(ranked.chosen):
        here = ranked.chosen == c
        rows.append({"id": configurations[c].id, "kind": configurations[c].kind.value, "time_s": float(dt[here].sum()),
                     "fuel_g": float(fuel[here].sum()), "close_s": float(dt[here & (runner_up <= 0.001)].sum())})
    return sorted(rows, key=lambda row: -row["time_s"])


def _facts(result: Mapping[str, Any]) -> list[tuple[str, str]]:
    floor, fuel = result["floor_l_per_100km"], result["fuel_l_per_100km"]
    error = result["gap_percent"] + result["table_error_percent"]
    surplus = f", {result['surplus_J'] / 1000.0:.1f} kJ above the target" if result["surplus_J"] >= 50.0 else ""
    facts = [
        ("Fuel", f"{result['fuel_g']:.2f} g over {result['distance_km']:.2f} km in {clock(result['duration_s'])}"),
        ("CO₂", f"{result['co2_g_per_km']:.1f} g/km"),
        ("Error bar", f"{within(error)}, {max(np.ceil(100.0 * error * fuel), 1.0) / 1e4:.4f} l/100 km: proof within "
                      f"{within(result['gap_percent'])}, tables within {within(result['table_error_percent'])}"),
        ("Floor", f"{floor:.3f} l/100 km, which no transmission can go below{above_floor(fuel, floor, 'the optimum')}"),
        ("Charge", f"{result['soc_start']:.4f} at the start, {result['soc_end']:.4f} at the end{surplus}"),
        ("Braking", f"{result['recovered_percent']:.1f} % of its energy at the wheels is recovered"),
        *solved(result),
    ]
    if result["price_g"] > 0.0:
        facts.insert(1, ("Prices", f"{result['price_g']:.2f} g for starts and changes, counted but not burnt"))
    if result["warm_l_per_100km"] is not None:
        facts.insert(1, ("Engine warm", f"{result['warm_l_per_100km']:.3f} l/100 km"))
    return facts


def _cautions(trip: Trip, result: Mapping[str, Any], warm: bool) -> list[str]:
    layout = trip.layout
    parts: list[Any] = [layout.vehicle, layout.battery, layout.engine.engine, *(u.machine for u in layout.machines)]
    invented = list(dict.fromkeys(part.name for part in parts if part.invented))
    words = f"Invented data, of no real product: {', '.join(invented)}." if invented else ""
    locks = TIE_UPS if trip.trace.plant.derivation.tie_ups else ""
    return [w for w in (NO_TYPE_APPROVAL, assumptions(warm), words, locks, SAFETY,
                        *result.get("warnings", ())) if w]


def _maps(trip: Trip, labels: Sequence[str]) -> list[dict[str, Any]]:
    """Maps with the trip's operating points; of a strategy the engine and the modes of the optimum beside it."""
    made: list[tuple[str, str, str]] = []
    own = "" if trip.beside is None else f", {trip.beside.strategy}"
    both = [(own, trip.trace), *([] if trip.beside is None else [(", optimum", trip.beside.optimum)])]
    for word, trace in both:
        finding = findings.engine_finding(trace)
        made.append((f"Engine{word}", maps.engine_map(trace, f"Engine map{word}. {finding}", trace is trip.trace), finding))
    for i, use in enumerate(trip.layout.machines):
        finding = findings.machine_finding(trip.trace, use.name)
        made.append((f"{use.name}{own}", maps.machine_map(trip.trace, i, f"Map of {use.name}. {finding}"), finding))
    for word, trace in both:
        finding = findings.mode_finding(trace)
        made.append((f"Modes over speed and wheel force{word}",
                     maps.mode_map(trace, labels, f"Mode that takes the most time, over speed and wheel force{word}. {finding}"),
                     f"{finding} In each cell the mode that takes the most time, as in the legend of the trip."))
    from markupsafe import Markup

    return [{"title": title, "svg": Markup(svg), "words": words} for title, svg, words in made]


def _instants(trip: Trip, g: Geometry, flows: Flows) -> list[dict[str, Any]]:
    """Drawings of six telling intervals, for paper."""
    from markupsafe import Markup

    columns = trip.trace.columns
    made = []
    for n, (k, why) in enumerate(findings.instants(trip.trace)):
        overlay = flows.at(k, f"{float(columns['time_s'][k]):g} s")
        shown = Markup(_still(drawing(g, trip.layout, overlay, prefix=f"instant-{n}-", style=False)))
        made.append({**engagement(trip.layout, flows.configurations[k]), "why": why, "time_s": float(columns["time_s"][k]),
                     "svg": shown, "configuration": columns["configuration"][k],
                     "speed_kmh": float(columns["speed_kmh"][k]), "wheel_kW": float(columns["wheel_power_kW"][k]),
                     "engine_kW": float(columns["engine_power_kW"][k]), "battery_kW": float(columns["battery_power_kW"][k])})
    return made


def _still(svg: str) -> str:
    """A drawing without the paths on which nothing flows."""
    import re

    return re.sub(r'<g class="flow [a-z]+"[^>]*data-direction="none"[^>]*>.*?</g>', "", svg)


def _sources(page: Page) -> list[tuple[str, str]]:
    """(what, where it comes from); parts of several layouts that come from the same place together."""
    said = page.result.get("sources")
    if said is None:
        said = {} if page.trip is None else {**layout_sources(page.trip.layout), "cycle": page.trip.cycle.source}
    owners: dict[tuple[str, str], list[str]] = {}
    for key, text in said.items():
        what, _, of = key.partition(" of ")
        owners.setdefault((what, text), []).append(of)
    return [(f"{what} of {listed(of)}" if of != [""] else what, text) for (what, text), of in owners.items()]


def _inputs(page: Page) -> list[tuple[str, str]]:
    said = page.result.get("inputs")
    if said is None and page.trip is not None:
        layout = page.trip.layout
        said = {"layout": layout.name, "layout_digest": layout.digest, "cycle": page.trip.cycle.name}
    rows = []
    for key, value in (said or {}).items():
        shown = ", ".join(f"{name} ({digest[:8]})" for name, digest in value.items()) if key == "files" else _words(value)
        rows.append((key.replace("_", " "), shown))
    return rows


def _words(value: Any) -> str:
    """A value of the inputs as a person says it."""
    if isinstance(value, Mapping):
        return ", ".join(f"{k.replace('_', ' ')} {_words(v)}" for k, v in value.items()) or "none"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "none"
    return {None: "none", True: "yes", False: "no"}[value] if value is None or isinstance(value, bool) else str(value)


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    from ems import __version__

    return {"ems": __version__, **{p: version(p) for p in ("numpy", "numba")}}
