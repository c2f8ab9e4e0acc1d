"""The sheet of all configurations of a layout: one drawing each, by kind, with the interlock table; one HTML page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ems.configurations import Configuration, Derivation
from ems.configurations.listing import free_choices
from ems.layout.model import Layout
from ems.present.drawing.flow import configuration_overlay
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.stick import drawing
from ems.present.drawing.stored import placed
from ems.present.drawing.style import FONT, style_sheet
from ems.present.engagement import ENGINE, engaged_words
from ems.present.modes_text import CAUTION, MEANING, ORDER, range_words, turning
from ems.present.text import times

LAYOUT_FILE, SHEET_FILE = "layout.svg", "configurations.html"


@dataclass(frozen=True, slots=True)
class Sheet:
    """Files of a sheet: name -> text; ``told`` are shafts that could not be drawn in one piece."""

    files: dict[str, str]
    told: tuple[str, ...]


def sheet(layout: Layout, derivation: Derivation) -> Sheet:
    """The drawing of a layout, and the page with a drawing for each of its configurations."""
    g = Geometry(placed(layout))
    files = {LAYOUT_FILE: drawing(g, layout), SHEET_FILE: page(g, layout, derivation)}
    return Sheet(files, tuple(dict.fromkeys(g.made.cuts)))


def page(g: Geometry, layout: Layout, derivation: Derivation) -> str:
    """The page as HTML: self-contained, nothing fetched, everything of the user's escaped."""
    from jinja2 import Environment, StrictUndefined

    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True).from_string(PAGE)
    return template.render(_words(g, layout, derivation))


def _words(g: Geometry, layout: Layout, derivation: Derivation) -> dict[str, Any]:
    from markupsafe import Markup

    groups = []
    for kind in ORDER:
        members = [c for c in derivation.configurations if c.kind is kind]
        if members:
            cards = [_card(g, layout, c, f"c{derivation.configurations.index(c)}-") for c in members]
            groups.append({"kind": kind.value, "meaning": MEANING[kind], "cards": cards})
    rows = [(t.state.words, t.reason) for t in derivation.tie_ups]
    notes = {reason: ", ".join(n.state.words for n in derivation.notes if n.reason == reason)
             for reason in dict.fromkeys(n.reason for n in derivation.notes)}
    return {
        "layout": layout, "groups": groups, "tie_ups": rows, "notes": notes, "caution": " ".join(CAUTION),
        "count": f"{times(len(derivation.configurations), 'configuration')} from "
                 f"{times(derivation.actuator_states, 'actuator state')}; {times(len(derivation.tie_ups), 'tie-up')}",
        "drawing": Markup(drawing(g, layout, prefix="layout-", style=False, still=True)),
        "told": ", ".join(dict.fromkeys(g.made.cuts)), "style": Markup(style_sheet()), "font": Markup(FONT),
    }


def _card(g: Geometry, layout: Layout, c: Configuration, prefix: str) -> dict[str, Any]:
    from markupsafe import Markup

    svg = drawing(g, layout, configuration_overlay(g, layout, c), prefix=prefix, style=False, still=True)
    return {"id": c.id, "svg": Markup(svg), "engaged": engaged_words(layout, c), "engine": ENGINE[c.engine],
            "turning": turning(c), "range": range_words(c),
            "choices": ", ".join(free_choices(c)) or "none", "others": ", ".join(c.equivalents)}


PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ layout.title }}: configurations</title>
<style>
{{ style }}
:root { color-scheme: light dark; --ink: #222a33; --small: #55606c; --rule: #d5dae0; --paper: #ffffff; --warn: #9c2a1a }
@media screen and (prefers-color-scheme: dark) {
  :root { --ink: #e8edf2; --small: #aab4be; --rule: #353e47; --paper: #15191e; --warn: #ff9c8a }
}
body { font: 15px/1.45 {{ font }}; color: var(--ink); background: var(--paper); margin: 0 auto; padding: 1.2rem; max-width: 1500px }
h1 { font-size: 1.5rem; margin: 0 } h2 { font-size: 1.1rem; margin: 2rem 0 .6rem } h2 span { font-weight: 400; color: var(--small) }
.lead { margin: .2rem 0 1rem; color: var(--small); max-width: 60rem }
.whole, .card { container-type: inline-size }
.whole svg { width: 100%; max-width: 760px; height: auto }
.cards { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(420px, 100%), 1fr)); gap: 1rem }
.card { border: 1px solid var(--rule); border-radius: 6px; padding: .6rem .8rem; margin: 0; break-inside: avoid }
.card svg { width: 100%; height: auto }
.card h3 { font-size: .98rem; margin: 0 0 .3rem; overflow-wrap: anywhere }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem .7rem; margin: .4rem 0 0; font-size: .82rem }
dt { color: var(--small) } dd { margin: 0; overflow-wrap: anywhere }
table { border-collapse: collapse; font-size: .9rem } th, td { text-align: left; padding: .25rem .9rem .25rem 0; vertical-align: top }
tr { border-bottom: 1px solid var(--rule) } td { overflow-wrap: anywhere }
.caution { border-left: 4px solid var(--warn); padding-left: .8rem; max-width: 60rem }
ul.legend { list-style: none; padding: 0; display: flex; flex-wrap: wrap; gap: .3rem 1.4rem; font-size: .85rem; color: var(--small) }
ul.legend i { display: inline-block; width: 24px; border-top: 5px solid; vertical-align: middle; margin-right: .35rem }
ul.legend .mech { border-color: #3f7fb5 } ul.legend .elec { border-color: #009e73; border-top-style: dashed }
ul.legend .fuel { border-color: #d55e00; border-top-style: dotted }
@media print { body { max-width: none; font-size: 11px } .cards { grid-template-columns: repeat(2, 1fr) } }
</style>
</head>
<body>
<main>
<h1>{{ layout.title }}</h1>
<p class="lead">{{ count }}. {{ layout.summary }}</p>
<div class="whole">{{ drawing }}</div>
{% if told %}
<p class="lead">No plane drawing was found in which every shaft is one piece. Words below an element, and equal labels, say
what is joined: {{ told }}.</p>
{% endif %}
<ul class="legend">
<li><i class="mech"></i>can carry torque</li><li><i class="elec"></i>can carry electrical power</li><li><i class="fuel"></i>fuel</li>
<li>filled pads or sleeve: engaged</li><li>grey shaft: stands still</li>
</ul>
{% for group in groups %}
<section>
<h2>{{ group.kind }} ({{ group.cards | length }}) <span>{{ group.meaning }}</span></h2>
<div class="cards">
{% for card in group.cards %}
<article class="card">
<h3>{{ card.id }}</h3>
{{ card.svg }}
<dl>
<dt>engine</dt><dd>{{ card.engine }}</dd>
<dt>engaged</dt><dd>{{ card.engaged }}</dd>
<dt>turns for one of the wheels</dt><dd>{{ card.turning }}</dd>
<dt>speed, km/h</dt><dd>{{ card.range }}</dd>
<dt>free choices</dt><dd>{{ card.choices }}</dd>
{% if card.others %}
<dt>stands for</dt><dd>{{ card.others }}</dd>
{% endif %}
</dl>
</article>
{% endfor %}
</div>
</section>
{% endfor %}
<section>
<h2>Interlocks</h2>
{% if tie_ups %}
<p class="caution">{{ caution }}</p>
<table>
<thead><tr><th scope="col">never engaged together</th><th scope="col">why</th></tr></thead>
<tbody>
{% for state, reason in tie_ups %}
<tr><td>{{ state }}</td><td>{{ reason }}</td></tr>
{% endfor %}
</tbody>
</table>
{% else %}
<p>No actuator state locks the wheels.</p>
{% endif %}
</section>
{% if notes %}
<section>
<h2>Remarks</h2>
<table>
<thead><tr><th scope="col">remark</th><th scope="col">actuator states</th></tr></thead>
<tbody>
{% for reason, states in notes.items() %}
<tr><td>{{ reason }}</td><td>{{ states }}</td></tr>
{% endfor %}
</tbody>
</table>
</section>
{% endif %}
</main>
</body>
</html>
"""
