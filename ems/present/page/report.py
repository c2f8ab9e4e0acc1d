"""The report of an optimum as one HTML file: the answer, the trip, the player, the maps, the energy, the sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.judge.ranking import Ranking, ranking
from ems.layout.listing import layout_sources
from ems.output import dumps
from ems.present.drawing.flow import Flows, trip_flows
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.stick import drawing
from ems.present.drawing.stored import placed
from ems.present.drawing.style import FONT, style_sheet
from ems.present.figures import charge_finding, power_finding, speed_finding
from ems.present.optimum_text import ASSUMPTIONS, NO_TYPE_APPROVAL
from ems.present.page import findings, maps
from ems.present.page.columns import mode_patterns, page_columns
from ems.present.text import clock, within
from ems.types import Array

if TYPE_CHECKING:
    from ems.solve.optimum import Optimum

PREFIX = "player-"
METHODS = (
    ("Dynamic programming over stored energy and configuration", "R. Bellman, Dynamic Programming, Princeton 1957"),
    ("The worth of battery energy as a costate, and the battery as a voltage behind a resistance",
     "L. Guzzella and A. Sciarretta, Vehicle Propulsion Systems, 3rd ed., Springer 2013"),
    ("Lower bound by affine values of the rest of the trip, their slopes found by cutting planes",
     "J. E. Kelley, The cutting-plane method for solving convex programs, J. SIAM 8 (1960)"),
    ("Colours", "M. Okabe and K. Ito, Color Universal Design, 2008"),
)
SETS = ("Speeds of planetary sets", "R. Willis's equation, as in J. Looman, Zahnradgetriebe, Springer")
REMARK = "Literature is quoted from memory."
TIE_UPS = ("Some actuator states of this layout lock the wheels (`ems modes` lists them): interlocks must be engineered by qualified "
           "people under the functional safety standards that apply.")
SAFETY = ("Wrongly closed clutches, over-speed and high voltage can injure. Nothing on this page is a calibration: a "
          "sequence of configurations must be made safe before a vehicle drives it.")


def report_page(found: Optimum, recorded: Mapping[str, Any] | None = None) -> str:
    """The report as HTML text, nothing fetched and everything of the user's escaped.

    recorded : ``inputs`` and ``versions`` as ``result.json`` says them; versions are looked up when None
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    g = Geometry(placed(found.layout))
    flows, ranked = trip_flows(g, found.trace), ranking(found)
    labels = list(found.time_share)
    fuel = findings.fuel_table(found)
    runner_up = _runner_up_g(ranked)
    environment = Environment(loader=PackageLoader("ems.present.page", "files"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    source = environment.loader
    assert source is not None
    css, script = (source.get_source(environment, name)[0] for name in ("report.css", "report.js"))
    return environment.get_template("report.html").render(
        found=found, answer=findings.answer(found), facts=_facts(found), cautions=_cautions(found), css=Markup(css + style_sheet()),
        font=Markup(FONT), script=Markup(script), data=Markup(_inlined(page_columns(found, flows, ranked))),
        patterns=mode_patterns(labels), drawing=Markup(drawing(g, found.layout, flows.at(0, found.cycle.name), prefix=PREFIX, style=False)),
        told=", ".join(dict.fromkeys(g.made.cuts)), instants=_instants(found, g, flows, ranked), fuel=fuel, captions={
            "speed": speed_finding([str(m) for m in found.trace.columns["mode"]], found.time_share), "power": power_finding(found),
            "charge": charge_finding(found), "fuel": findings.fuel_finding(fuel), "energy": findings.energy_finding(found),
            "alternatives": findings.alternatives_finding(found, runner_up), "changes": findings.changes_finding(found)},
        engine=Markup(maps.engine_map(found, f"Engine map. {findings.engine_finding(found)}")), engine_words=findings.engine_finding(found),
        machines=_machines(found), modes=Markup(maps.mode_map(found, labels, "Mode that takes the most time, over speed and wheel force.")),
        flow=Markup(maps.energy_flow(found, f"Flow of energy. {findings.energy_finding(found)}")), energy=findings.energy_rows(found),
        close=closest(found, ranked),
        methods=[*METHODS, *([SETS] if found.layout.planetary_sets else [])], remark=REMARK, sources=_sources(found),
        inputs=_inputs(found, recorded),
        versions=dict(recorded["versions"]) if recorded else _versions())


def _inlined(data: Mapping[str, Any]) -> str:
    """JSON that may stand inside a script element: no text of a user's can end it."""
    return dumps(data, indent=None).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _runner_up_g(ranked: Ranking) -> Array:
    """(K,) extra cost of the best configuration other than the chosen one; inf where there is none."""
    extra = np.where(np.isfinite(ranked.extra_g), ranked.extra_g, np.inf)
    extra[np.arange(extra.shape[0]), ranked.chosen] = np.inf
    least: Array = extra.min(axis=1)
    return least


def closest(found: Optimum, ranked: Ranking) -> list[dict[str, Any]]:
    """Configurations that were driven: time, fuel, and how often the second best came within a milligram."""
    configurations, dt = found.trace.plant.derivation.configurations, found.trace.demand.dt_s
    fuel, runner_up = findings.interval_fuel_g(found), _runner_up_g(ranked)
    rows = []
    for c in np.unique(ranked.chosen):
        here = ranked.chosen == c
        rows.append({"id": configurations[c].id, "kind": configurations[c].kind.value, "time_s": float(dt[here].sum()),
                     "fuel_g": float(fuel[here].sum()), "close_s": float(dt[here & (runner_up <= 0.001)].sum())})
    return sorted(rows, key=lambda row: -row["time_s"])


def _facts(found: Optimum) -> list[tuple[str, str]]:
    floor = found.floor_l_per_100km
    above = f"; the optimum is {100.0 * (found.fuel_l_per_100km / floor - 1.0):.0f} % above it" if floor > 0.0 else ""
    surplus = f", {found.surplus_J / 1000.0:.1f} kJ above the target" if found.surplus_J >= 50.0 else ""
    facts = [
        ("Fuel", f"{found.fuel_g:.2f} g over {found.distance_km:.2f} km in {clock(found.duration_s)}"),
        ("CO₂", f"{found.co2_g_per_km:.1f} g/km"),
        ("Error bar", f"proof within {within(found.gap_percent)}, tables within {within(found.table_error_percent)}"),
        ("Floor", f"{floor:.3f} l/100 km, which no transmission can go below{above}"),
        ("Charge", f"{found.soc_start:.4f} at the start, {found.soc_end:.4f} at the end{surplus}"),
        ("Braking", f"{found.recovered_percent:.1f} % of its energy at the wheels is recovered"),
        ("Solved", f"{found.grid['nodes']} discrete states, {found.grid['points']} table points, {found.grid['battery_nodes']} nodes of "
                   f"charge, {found.grid['lanes']} lanes of free engine speed"),
    ]
    if found.price_g > 0.0:
        facts.insert(1, ("Prices", f"{found.price_g:.2f} g for starts and changes, counted but not burnt"))
    if found.warm_l_per_100km is not None:
        facts.insert(1, ("Engine warm", f"{found.warm_l_per_100km:.3f} l/100 km"))
    return facts


def _cautions(found: Optimum) -> list[str]:
    warm = "warm" if found.warm_l_per_100km is None else "cold at the start"
    parts: list[Any] = [found.layout.vehicle, found.layout.battery, found.layout.engine.engine, *(u.machine for u in found.layout.machines)]
    invented = list(dict.fromkeys(part.name for part in parts if part.invented))
    words = f"Invented data, of no real product: {', '.join(invented)}." if invented else ""
    locks = TIE_UPS if found.trace.plant.derivation.tie_ups else ""
    return [w for w in (NO_TYPE_APPROVAL, ASSUMPTIONS.format(warm), words, locks, SAFETY, *found.warnings) if w]


def _machines(found: Optimum) -> list[dict[str, Any]]:
    from markupsafe import Markup

    made = []
    for i, use in enumerate(found.layout.machines):
        words = findings.machine_finding(found, use.name)
        made.append({"name": use.name, "words": words, "svg": Markup(maps.machine_map(found, i, f"Map of {use.name}. {words}"))})
    return made


def _instants(found: Optimum, g: Geometry, flows: Flows, ranked: Ranking) -> list[dict[str, Any]]:
    """Drawings of six telling intervals, for paper."""
    from markupsafe import Markup

    columns = found.trace.columns
    made = []
    for n, (k, why) in enumerate(findings.instants(found)):
        overlay = flows.at(k, f"{float(columns['time_s'][k]):g} s")
        shown = Markup(_still(drawing(g, found.layout, overlay, prefix=f"instant-{n}-", style=False)))
        made.append({"why": why, "time_s": float(columns["time_s"][k]), "svg": shown, "configuration": columns["configuration"][k],
                     "speed_kmh": float(columns["speed_kmh"][k]), "wheel_kW": float(columns["wheel_power_kW"][k]),
                     "engine_kW": float(columns["engine_power_kW"][k]), "battery_kW": float(columns["battery_power_kW"][k])})
    return made


def _still(svg: str) -> str:
    """A drawing without the paths on which nothing flows."""
    import re

    return re.sub(r'<g class="flow [a-z]+"[^>]*data-direction="none"[^>]*>.*?</g>', "", svg)


def _sources(found: Optimum) -> dict[str, str]:
    return {**layout_sources(found.layout), "cycle": found.cycle.source}


def _inputs(found: Optimum, recorded: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    layout = found.layout
    said = dict(recorded["inputs"]) if recorded else {"layout": layout.name, "layout_digest": layout.digest, "cycle": found.cycle.name}
    rows = []
    for key, value in said.items():
        words = ", ".join(f"{k} {v}" for k, v in value.items()) if isinstance(value, Mapping) else \
            ", ".join(str(v) for v in value) if isinstance(value, list | tuple) else str(value)
        rows.append((key.replace("_", " "), words or "none"))
    return rows


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    from ems import __version__

    return {"ems": __version__, **{p: version(p) for p in ("numpy", "numba")}}
