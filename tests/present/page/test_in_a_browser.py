"""The report page in a headless browser, its network cut: what it shows are the numbers of the trace."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from ems.present.drawing.flow import trip_flows
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.stored import placed
from ems.present.page.report import comparison_page, optimum_page, report_page
from ems.present.page.results import result_page
from ems.present.page.trip import trip_of, trip_of_comparison

EVERY = ("page", "strategy_page", "results_page", "study_page", "modes_page")
SECONDS = (0, 12, 37, 70, 101, 139)


def slide(browser, k):
    browser.run(f"(() => {{ const s = document.getElementById('slider'); s.value = {k}; s.dispatchEvent(new Event('input')); }})()")


def number(browser, column):
    return float(re.match(r"-?[\d.]+", browser.run(f"document.querySelector('[data-column={column}]').textContent")).group())


@pytest.fixture
def opened(browser, page):
    browser.open(page)
    return browser


def test_nothing_is_fetched_and_nothing_complains(opened):
    assert "short-trip: least fuel" in opened.run("document.title")
    for k in SECONDS:
        slide(opened, k)
    opened.key("End")
    assert opened.complaints() == []


def test_numbers_are_those_of_the_trace(opened, found):
    columns = found.trace.columns
    for k in SECONDS:
        slide(opened, k)
        for name, half in (("speed_kmh", 0.05), ("engine_speed_rpm", 0.5), ("engine_torque_Nm", 0.05), ("fuel_g_s", 5e-4),
                           ("battery_power_kW", 5e-3), ("mg1_torque_Nm", 0.05), ("soc_start", 5e-5)):
            stored = 1.1 * half + 1e-5        # to a tenth of what is shown
            assert number(opened, name) == pytest.approx(float(columns[name][k]), abs=stored), (name, k)
        assert opened.run("document.getElementById('configuration-now').textContent") == columns["configuration"][k]
        assert columns["mode"][k] in opened.run("document.getElementById('slider').getAttribute('aria-valuetext')")


def test_the_drawing_shows_what_is_engaged_and_where_power_flows(opened, found):
    flows = trip_flows(Geometry(placed(found.layout)), found.trace)
    directions = set()
    for k in SECONDS:
        slide(opened, k)
        for name in (c.name for c in found.layout.clutches):
            state = opened.run(f"document.querySelector('.stick-box [data-part=\"clutch:{name}\"]').dataset.state")
            assert state == ("closed" if float(found.trace.columns[name][k]) > 0.0 else "open")
        shown = opened.run("""[...document.querySelectorAll('.stick-box [data-flow]')].map(n =>
            [n.dataset.flow, n.dataset.direction, Number(n.dataset.share),
             Number(n.querySelector('.band').getAttribute('stroke-width'))])""")
        for key, direction, share, width in shown:
            power = float(flows.W.get(key, np.zeros(140))[k]) * share
            if abs(abs(power) - 20.0) > 6.0:
                assert direction == ("none" if abs(power) < 20.0 else "forward" if power > 0.0 else "backward"), (key, k)
            if direction != "none":
                assert width == pytest.approx(max(abs(power) / flows.W_per_px, 1.2), abs=0.06)
                directions.add((key.partition(":")[0], direction))
    assert {("fuel", "forward"), ("wire", "forward"), ("wire", "backward")} <= directions


def test_the_drawing_stays_still(opened):
    def where():
        return opened.run("[...document.querySelectorAll('.stick-box path.band')].map(n => n.getAttribute('d')).join()")
    slide(opened, 0)
    before = where()
    slide(opened, 90)
    assert where() == before


def test_keys_step_by_interval_and_by_change(opened, found):
    configuration = found.trace.columns["configuration"]
    value = "Number(document.getElementById('slider').value)"
    opened.key("Home")
    for key, wanted in (("ArrowRight", 1), ("ArrowRight", 2), ("ArrowLeft", 1), ("End", 139), ("Home", 0)):
        opened.key(key)
        assert opened.run(value) == wanted
    changes = [k for k in range(1, 140) if configuration[k] != configuration[k - 1]]
    for wanted in changes[:4]:
        opened.key("]")
        assert opened.run(value) == wanted
    opened.key("[")
    assert opened.run(value) == changes[2]


def test_it_opens_where_the_engine_first_drives(browser, page, found):
    browser.open(page)
    columns = found.trace.columns
    first = next(k for k in range(140) if columns["engine_power_kW"][k] > 1.0 and columns["wheel_power_kW"][k] > 1.0)
    value = "Number(document.getElementById('slider').value)"
    assert browser.run(value) == first > 0
    assert f"opens at {first} s" in browser.run("document.getElementById('trip').textContent")
    browser.run("document.getElementById('start').click()")
    assert browser.run(value) == 0


def test_words_say_what_is_engaged_and_where_power_goes(opened, found):
    columns = found.trace.columns
    told = "Object.fromEntries([...document.querySelectorAll('#now div')].map(d => [d.children[0].textContent, d.children[1].textContent]))"
    for k in SECONDS:
        slide(opened, k)
        said = opened.run(told)
        closed = [c.name for c in found.layout.clutches if columns[c.name][k] > 0.0]
        for c in found.layout.clutches:
            assert (c.name in said["Engaged"]) == (c.name in closed) and (c.name in said["Not engaged"]) == (c.name not in closed)
        assert (columns["S1"][k] in said["Engaged"]) == (columns["S1"][k] != "neutral")
        assert said["Engine"].startswith("stopped") == str(columns["configuration"][k]).startswith("off:")
        found_kW = [re.findall(r"([a-z][a-z ]*?) (\d+\.\d+)\skW", said[side]) for side in ("Power comes from", "Power goes to")]
        sides = [{w: float(n) for w, n in side} for side in found_kW]
        [digits] = {len(n.partition(".")[2]) for side in found_kW for _, n in side} or {1}
        largest = max((*sides[0].values(), *sides[1].values(), 0.0))
        assert digits == (1 if largest >= 20.0 else 2 if largest >= 1.0 else 3) or not largest
        unit = 10.0**-digits                                                    # each is rounded to it
        assert sum(sides[0].values()) == pytest.approx(sum(sides[1].values()), abs=0.5 * unit * sum(map(len, sides)) + 0.002)
        for word, kW in (("engine", columns["engine_power_kW"][k]), ("battery", columns["battery_power_kW"][k]),
                         ("wheels", -columns["wheel_power_kW"][k])):
            if abs(kW) >= 0.6 * unit:
                assert sides[0 if kW > 0.0 else 1][word] == pytest.approx(abs(float(kW)), abs=0.5 * unit + 1e-6)


def test_play_moves_and_pauses(opened):
    opened.key("Home")
    opened.run("document.getElementById('pace').value = '60'; document.getElementById('play').click()")
    opened.run("new Promise(done => setTimeout(done, 400))")
    opened.run("document.getElementById('play').click()")
    held = opened.run("Number(document.getElementById('slider').value)")
    assert held > 0
    opened.run("new Promise(done => setTimeout(done, 150))")
    assert opened.run("Number(document.getElementById('slider').value)") == held


def sums(browser):
    return dict(browser.run("[...document.querySelectorAll('#sum tbody tr')].map(r => [r.cells[0].textContent + '|' + "
                            "r.cells[1].textContent.split(' ').slice(1).join(' '), Number(r.cells[1].dataset.value)])"))


@pytest.mark.parametrize(("start", "end"), [(0, 140), (20, 61), (75, 76)])
def test_a_stretch_is_summed(opened, found, start, end):
    opened.run(f"(() => {{ const f = document.getElementById('from'), t = document.getElementById('to'); f.value = {start};"
               f"t.value = {end}; t.dispatchEvent(new Event('change')); }})()")
    told = sums(opened)
    columns = {name: np.asarray(v, float)[start:end] for name, v in found.trace.columns.items() if not isinstance(v, list)}
    dt = found.trace.demand.dt_s[start:end]
    assert told["time|s"] == pytest.approx(dt.sum())
    assert told["fuel|g"] == pytest.approx(np.sum(columns["fuel_g_s"] * dt + columns["transition_fuel_g"]), abs=0.01)
    assert told["wheels, driving|kJ"] == pytest.approx(np.sum(np.maximum(columns["wheel_power_kW"], 0) * dt), abs=0.1)
    assert told["battery, drawn from store|kJ"] == pytest.approx(
        columns["battery_energy_start_kJ"][0] - columns["battery_energy_end_kJ"][-1], abs=0.01)
    assert told["lost: engine heat|kJ"] == pytest.approx(np.sum(columns["loss_engine_kW"] * dt), abs=0.1)
    if (start, end) == (0, 140):
        assert told["fuel|g"] == pytest.approx(found.fuel_g, abs=0.01)
        assert told["fuel|l/100 km"] == pytest.approx(found.fuel_l_per_100km, rel=1e-4)


def test_dragging_selects_and_zooms(opened):
    box = opened.run("(() => { const p = document.getElementById('panel-speed'); p.scrollIntoView({block: 'center'});"
                     "const b = p.getBoundingClientRect(); return [b.left, b.top, b.width]; })()")
    inside = box[2] - 70
    opened.drag(box[0] + 58 + 0.25 * inside, box[0] + 58 + 0.5 * inside, box[1] + 60)
    told = sums(opened)["time|s"]
    assert 35 <= told <= 37
    opened.run("document.getElementById('zoom').click()")
    assert opened.run("document.querySelectorAll('#panel-speed .grid').length") > 2
    opened.run("document.getElementById('whole').click()")
    assert sums(opened)["time|s"] == 140


def test_alternatives_are_those_of_explain(opened, found):
    from ems.judge.explain import explain

    for k in (12, 70):
        slide(opened, k)
        rows = opened.run("[...document.querySelectorAll('#alternatives tbody tr')].map(r => [...r.cells].map(c => c.textContent))")
        wanted = [row for row in explain(found, float(k)).rows if row["feasible"]][:len(rows)]
        own = next(row for row in wanted if row["id"] == found.trace.columns["configuration"][k])
        assert [r[0].removesuffix(" (chosen)") for r in rows] == [row["id"] for row in wanted]
        assert [float(r[1]) for r in rows] == pytest.approx([row["total_g"] - own["total_g"] for row in wanted], abs=1e-4)


def test_what_a_user_wrote_appears_as_text(browser, found, tmp_path):
    evil = "</script><script>document.title='caught'</script><b>bold</b>"
    renamed = dataclasses.replace(found, layout=dataclasses.replace(found.layout, title=evil, name=evil),
                                  cycle=dataclasses.replace(found.cycle, source=evil, title=evil))
    path = tmp_path / "evil.html"
    path.write_text(report_page(renamed), encoding="utf-8")
    browser.open(path)
    assert browser.run("document.title").startswith("</script>")
    assert browser.run("document.querySelectorAll('body b').length") == 0
    assert evil in browser.run("document.getElementById('sources').textContent")
    assert browser.complaints() == []


def test_words_of_the_drawing_are_legible_on_a_telephone(browser, page):
    browser.open(page, 360, 740)
    told = browser.run("""[...document.querySelectorAll('.stick-box text')].filter(t => getComputedStyle(t).display !== 'none').map(t => {
        const b = t.getBoundingClientRect(); return [t.textContent, b.left, b.top, b.right, b.bottom,
        parseFloat(getComputedStyle(t).fontSize) * t.getScreenCTM().a]; })""")
    assert len(told) > 10 and sorted(row[5] for row in told)[len(told) // 4] > 7.5        # px on the screen, of three in four words
    assert all(row[1] >= 0.0 and row[3] <= 360.5 for row in told)
    for n, a in enumerate(told):
        for b in told[n + 1:]:
            assert a[3] <= b[1] + 1 or b[3] <= a[1] + 1 or a[4] <= b[2] + 6 or b[4] <= a[2] + 6, (a, b)   # a box is higher than its letters
    assert browser.run("[...document.querySelectorAll('.stick-box')].every(b => b.scrollWidth <= b.clientWidth)")


@pytest.mark.parametrize("width", [360, 768, 1920])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_wider_than_the_window(browser, page, width, scheme):
    browser.open(page, width, 800, scheme)
    assert browser.run("document.documentElement.scrollWidth") <= width
    ink, paper = browser.run("[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]")
    light = [sum(map(int, re.findall(r"\d+", c)[:3])) for c in (ink, paper)]
    assert (light[0] < light[1]) == (scheme == "light")


def test_paper_has_instants_instead_of_the_player(opened):
    pdf = opened.pdf()
    assert pdf.startswith(b"%PDF") and len(pdf) > 20_000
    opened.send("Emulation.setEmulatedMedia", media="print")
    shown = opened.run("['.player', '.stage', '.instants'].map(s => getComputedStyle(document.querySelector(s)).display)")
    opened.send("Emulation.setEmulatedMedia", media="")
    assert shown[:2] == ["none", "none"] and shown[2] != "none"
    assert opened.run("document.querySelectorAll('.instants figure svg').length") == 6


def test_a_pattern_is_used_once_a_ribbon_and_a_map(opened):
    uses = opened.run("[...document.querySelectorAll('.panel svg, .maps svg')].map(s => [...s.querySelectorAll('[fill^=url]')]"
                      ".map(n => n.getAttribute('fill')))")
    assert any(uses) and all(len(fills) == len(set(fills)) for fills in uses)      # each use makes a printed page larger


@pytest.mark.parametrize("which", EVERY)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_checker_finds_no_violation(browser, checker, request, which, scheme):
    browser.open(request.getfixturevalue(which), scheme=scheme)
    browser.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    browser.run(checker + ";0")
    found = browser.run("axe.run(document).then(r => [r.passes.length, r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html)),"
                        "r.incomplete.map(v => [v.id, v.nodes.map(n => n.html)])])")
    assert found[0] > 20 and found[1] == []
    undecided = {(rule, node.split()[0]) for rule, nodes in found[2] for node in nodes}
    assert undecided <= {("color-contrast", "<text")}        # words over shapes of a drawing: decided by test_contrast.py


def test_the_ledger_is_that_of_the_comparison(browser, strategy_page, compared):
    browser.open(strategy_page)
    rows = ("[...document.querySelectorAll('#numbers table:last-child tr')]"
            ".map(r => [r.cells[0].textContent, parseFloat(r.cells[1].textContent)])")
    for k in SECONDS:
        slide(browser, k)
        told = dict(browser.run(rows))
        assert told["all causes"] == pytest.approx(float(compared.ledger.price_g[k]), abs=6e-5)
        for cause, grams in compared.ledger.causes_g.items():
            assert told[cause] == pytest.approx(float(grams[k]), abs=6e-5)
    whole = sums(browser)
    assert whole["price|g"] == pytest.approx(compared.gap_g, abs=0.002)
    assert whole["fuel of the optimum|g"] == pytest.approx(compared.optimum.fuel_g, abs=0.01)
    assert whole["fuel|g"] == pytest.approx(compared.strategy_fuel_g, abs=0.01)
    assert browser.complaints() == []


def test_results_without_a_time_axis_need_no_script(browser, results_page, results):
    browser.open(results_page, 360, 800)
    assert browser.run("document.scripts.length") == 0 and browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth") <= 360
    text = browser.run("document.body.textContent")
    for cell in results["ems.versus/1"]["matrix"]:
        assert f"{cell['fuel_l_per_100km']:.3f}" in text and cell["layout"] in text
    for part in results["ems.worth/1"]["parts"]:
        assert part["needed"] or f"{part['l_per_100km']:+.3f}" in text
    charged = results["ems.chargeable/1"]
    assert f"{charged['electric_range_km']:.1f} km" in text and all(leg["kind"] in text for leg in charged["legs"])
    assert all(f"{w['figures']['fuel_l_per_100km']:.3f}" in text for w in charged["weighted"].values())


@pytest.mark.parametrize("which", EVERY)
def test_tables_fold_on_a_telephone_and_hide_nothing(browser, request, which):
    browser.open(request.getfixturevalue(which), 360, 800)
    browser.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.run("[...document.querySelectorAll('.wide')].filter(n => n.scrollWidth > n.clientWidth + 8)"
                       ".map(n => n.getAttribute('aria-label'))") == []
    folded = browser.run("""[...document.querySelectorAll('.fold')].map(t => {
        const heads = [...t.tHead.rows[0].cells].map(c => c.textContent);
        return [...t.tBodies[0].rows].every(r => [...r.cells].slice(1).every((c, i) => c.dataset.head === heads[i + 1]
            && (!c.textContent || getComputedStyle(c, '::before').content === JSON.stringify(heads[i + 1])))); })""")
    assert all(folded) and (which in ("page", "modes_page") or len(folded) > 2)


def test_a_second_with_a_change_says_what_its_losses_hold(opened, found):
    columns = found.trace.columns
    fuel, energy = (np.asarray(columns[name]) for name in ("transition_fuel_g", "transition_energy_kJ"))
    paid = np.flatnonzero((fuel >= 0.005) | (np.abs(energy) >= 0.06))
    words = "document.getElementById('shared').textContent"
    assert paid.size > 2
    for k in paid[:3].tolist():
        slide(opened, k)
        assert f"{abs(float(energy[k])):.1f} kJ" in opened.run(words)
    slide(opened, int(np.flatnonzero((fuel == 0.0) & (np.abs(energy) < 0.04))[0]))
    assert opened.run(words) == ""


def test_screen_readers_find_their_way(opened):
    assert opened.run("[...document.querySelectorAll('h1,h2,h3')].every((h, i, all) => !i || h.tagName[1] - all[i - 1].tagName[1] <= 1)")
    assert opened.run("[...document.querySelectorAll('svg:not([aria-hidden])')].every(s => s.querySelector(':scope > title'))")
    assert opened.run("[...document.querySelectorAll('input,select')].every(n => n.ariaLabel || n.labels.length)")
    assert opened.run("[...document.querySelectorAll('table')].every(t => t.querySelector('th[scope]'))")
    ids = opened.run("[...document.querySelectorAll('[id]')].map(n => n.id)")
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("width", [360, 1024, 1920])
def test_words_stay_inside_their_panels(browser, page, width):
    browser.open(page, width, 740)
    out = browser.run("""(() => { const e = document.querySelector("input[type=range]"), out = [];
        for (let k = 0; k <= +e.max; k++) { e.value = k; e.dispatchEvent(new Event("input", { bubbles: true }));
            for (const t of document.querySelectorAll("[id^=panel-] text")) {
                const r = t.getBoundingClientRect(), s = t.ownerSVGElement.getBoundingClientRect();
                if (r.width > 0 && (r.right > s.right + 1 || r.left < s.left - 1)) out.push(`${k}: ${t.textContent}`); } }
        return out; })()""")
    assert out == []


def test_a_telephone_shows_drawing_slider_and_words_at_once(browser, page):
    browser.open(page, 360, 640)
    browser.run("document.querySelector('.player').scrollIntoView()")
    low, high = browser.run("""(() => { const rows = [...document.querySelectorAll('#now div')].filter(d =>
        ["Engine", "Engaged", "Power comes from", "Power goes to"].includes(d.children[0].textContent));
        const parts = ["#play", "#slider", ".stick-box svg", "#chip"].map(s => document.querySelector(s));
        const all = parts.concat(rows).map(n => n.getBoundingClientRect());
        return [Math.min(...all.map(r => r.top)), Math.max(...all.map(r => r.bottom))]; })()""")
    assert low >= 0.0 and high <= 640.0


def test_the_fuel_of_a_second_is_work_and_heat(opened, found):
    """Fuel burnt, a start's too, is the engine's work and its heat; what the change itself left in the heat is told."""
    columns, heating = found.trace.columns, found.trace.plant.heating_value_J_g / 1e3
    start = int(np.flatnonzero(columns["transition_fuel_g"] > 0.0)[0])
    stop = int(np.flatnonzero((columns["transition_fuel_g"] == 0.0) & (columns["fuel_g_s"] == 0.0) & (columns["loss_engine_kW"] > 0.05))[0])
    for k, word in ((start, "the fuel of the start"), (stop, "as it comes to rest")):
        slide(opened, k)
        told = opened.run("document.getElementById('shared').textContent")
        share = float(re.search(r"Of the engine heat (\d+\.\d+) kW", told).group(1))
        steady = float(columns["fuel_g_s"][k]) * heating - float(columns["engine_power_kW"][k])
        assert word in told and share + steady == pytest.approx(float(columns["loss_engine_kW"][k]), abs=0.006)
    flows = trip_flows(Geometry(placed(found.layout)), found.trace)
    burnt_kJ = 1e-3 * float(np.sum(flows.W["fuel"] * found.trace.demand.dt_s))
    assert burnt_kJ == pytest.approx(found.fuel_g * heating, rel=1e-9)


def test_limits_of_the_charge_do_not_look_like_the_optimum(browser, strategy_page, compared):
    browser.open(strategy_page)
    told = browser.run("[...document.querySelectorAll('#panel-charge .told')].map(t => t.textContent)")
    battery = compared.layout.battery
    assert told == [f"lowest allowed {battery.soc_low:g}", f"highest allowed {battery.soc_high:g}"]
    dashes = "getComputedStyle(document.querySelector('#panel-charge {}')).strokeDasharray"
    assert browser.run(dashes.format(".limit-line")) == "none" != browser.run(dashes.format(".other"))


def test_heads_say_floor_carbon_dioxide_and_grids(compared, found, results):
    """What the issue of every page is: how much, how sure, how low it could be, with which grids."""
    strategy = dict(comparison_page(trip_of_comparison(compared), compared.to_dict()).head.facts)
    least = dict(optimum_page(trip_of(found), found.to_dict()).head.facts)
    several = dict(result_page("ems.versus/1", {**results["ems.versus/1"], "inputs": {"grid_factor": 2, "lanes": 6}}).head.facts)
    for words, floor in ((strategy, compared.optimum.floor_l_per_100km), (least, found.floor_l_per_100km), (several, None)):
        assert {"CO₂", "Floor", "Error bar", "Charge", "Solved"} <= set(words) and "g/km" in words["CO₂"]
        assert floor is None or words["Floor"].startswith(f"{floor:.3f} l/100 km")
        assert "lanes" in words["Solved"]
    own = float(re.match(r"[\d.]+", strategy["CO₂"]).group())
    carbon = compared.layout.engine.engine.fuel.co2_g_l / compared.layout.engine.engine.fuel.density_g_l
    assert own == pytest.approx(compared.strategy_fuel_g * carbon / compared.distance_km, abs=0.06)


def test_play_brings_the_drawing_into_view(browser, page):
    browser.open(page, 1280, 800)
    browser.run("document.getElementById('play').click()")
    inside = "(r => r.top >= 0 && r.bottom <= innerHeight)(document.querySelector('.stick-box').getBoundingClientRect())"
    look = f"const look = n => {inside} || !n ? done(n > 0) : setTimeout(look, 100, n - 1); look(50);"
    assert browser.run(f"new Promise(done => {{ {look} }})")
    browser.run("document.getElementById('play').click()")
