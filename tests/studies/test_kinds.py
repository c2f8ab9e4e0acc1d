"""What a study can solve beside the optimum, and the options of the commands as its keys."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import click
import pytest

from ems import library
from ems.cli.case import OPTIONS as CASE_OPTIONS
from ems.cli.case import case_options
from ems.errors import InputError, RunError
from ems.judge.capability import capability
from ems.judge.sensitivity import sensitivity
from ems.layout.load import load_layout
from ems.studies.how import How, check_file, with_file
from ems.studies.options import OPTIONS
from ems.studies.results import load_study
from ems.studies.run import prepare_study, run_study
from ems.studies.solve_optimum import optimum_of
from ems.studies.solvers import SOLVERS, flat
from ems.trips.cycle import load_cycle
from tests.studies.conftest import TRIP, table


@pytest.fixture(scope="module")
def problem():
    """``series`` on fifty seconds to the first stop."""
    whole = load_cycle(str(TRIP))
    cycle = dataclasses.replace(whole, time_s=whole.time_s[:51], speed_m_s=whole.speed_m_s[:51], grade=whole.grade[:51],
                                auxiliary_W=whole.auxiliary_W[:50], phases=())
    return load_layout("series"), cycle, How(strategy="ecms-adaptive", quantities=("vehicle.mass_kg",), costate_only=True)


def told(path) -> str:
    with pytest.raises(InputError) as found:
        prepare_study(str(path))
    return str(found.value)


# ------------------------------------------------------------------------------------------------------- what is solved


@pytest.mark.parametrize("kind", ["ecms", "strategy"])
def test_a_strategy_is_held_against_the_bound_of_the_same_case(problem, kind):
    solved = flat(SOLVERS[kind](*problem).outputs)
    assert tuple(solved) == SOLVERS[kind].columns
    best = optimum_of(*problem)
    layout, km = problem[0], best.distance_km
    grams = solved[f"{kind}.equal_charge_l_per_100km"] * km / 100.0 * layout.engine.engine.fuel.density_g_l
    assert solved[f"{kind}.gap_percent"] == pytest.approx(100.0 * (grams / best.bound.bound_g - 1.0), abs=1e-9)
    assert solved[f"{kind}.gap_percent"] >= 0.0         # else the certificate would be wrong
    battery = layout.battery
    missing_kJ = (best.problem.target_J - float(battery.energy_J(solved[f"{kind}.soc_end"]))) / 1e3
    extra = grams - solved[f"{kind}.fuel_l_per_100km"] * km / 100.0 * layout.engine.engine.fuel.density_g_l
    heating_kJ_g = layout.engine.engine.fuel.heating_value_J_g / 1e3
    assert extra == pytest.approx(best.costate * missing_kJ / heating_kJ_g, rel=0.05, abs=1e-6)     # the costate hardly moves in 50 s


def test_capability_is_the_commands(problem):
    solved = flat(SOLVERS["capability"](*problem).outputs)
    assert tuple(solved) == SOLVERS["capability"].columns
    found = capability(problem[0], climbs=())
    assert solved["capability.time_0_100_s"] == found.normal.time_0_100_s
    assert solved["capability.low.top_speed_kmh"] == found.low.top_speed_kmh
    slippery = flat(SOLVERS["capability"](problem[0], problem[1], How(grip=0.2)).outputs)
    assert slippery["capability.start_grade_percent"] < solved["capability.start_grade_percent"]


def test_sensitivity_is_the_commands(problem):
    solved = flat(SOLVERS["sensitivity"](*problem).outputs)
    found = sensitivity(problem[0], problem[1], quantities=("vehicle.mass_kg",), resolve=False)
    assert solved == {"sensitivity.vehicle.mass_kg": 100.0 * found.rows[0].envelope_per_percent / found.fuel.value}


def test_one_that_fails_leaves_what_the_others_found(write, tmp_path, monkeypatch):
    import quick_solver

    def fails(layout, cycle, how):
        raise RunError("no way")

    monkeypatch.setattr(quick_solver, "fails", fails, raising=False)
    from ems.studies.worker import FAILED, Task, solve_case

    solvers = (dataclasses.replace(quick_solver.SOLVER, place="quick_solver:fails"), quick_solver.SOLVER)
    layout = SimpleNamespace(vehicle=SimpleNamespace(mass_kg=1500.0))
    task = Task("x", layout, load_cycle(str(TRIP)), How(), solvers, ("answer",), False)
    outcome = solve_case(task)
    assert (outcome.status, outcome.message, outcome.outputs) == (FAILED, "no way", {"answer": 640.0})


def test_a_figure_that_does_not_exist_breaks_its_limit(write, tmp_path, monkeypatch):
    monkeypatch.setenv("QUICK_NONE", "1502")
    run_study(str(write(cases=3, more="[require]\nanswer = { below = 1000 }\n")), tmp_path / "out")
    assert [(row["meets"], row["broken"]) for row in table(tmp_path / "out")] == [
        (True, ""), (False, "answer none, not < 1000"), (True, "")]
    assert load_study(tmp_path / "out").best("answer").rows[0]["case"] == 1


# ---------------------------------------------------------------------------------------------------------- options


def test_every_option_of_a_case_is_a_key_with_the_same_limits_and_default():
    @case_options
    def any_command(**_: object) -> None: ...

    options = {o.name: o for o in any_command.__click_params__ if o.name != "cycle"}  # type: ignore[attr-defined]
    assert set(options) == set(CASE_OPTIONS) - {"cycle"} < set(OPTIONS)
    for name, option in options.items():
        assert getattr(How(), name) == option.default, name
        if isinstance(option.type, click.IntRange | click.FloatRange):
            for value in (option.type.min, option.type.max, option.type.min - 1, option.type.max + 1):
                assert OPTIONS[name].fits(value) == (option.type.min <= value <= option.type.max), name


def test_options_are_set_and_varied(write):
    path = write(f'name = "x"\nlayouts = "series"\ncycles = "{TRIP}"\nsolve = ["optimum", "ecms"]\ngap = 0.5\nlanes = 2\n'
                 '[vary]\ngrid = { from = 1, to = 2, step = 1 }\n')
    cases = prepare_study(str(path)).cases
    assert [(c.how.gap, c.how.lanes, c.how.grid) for c in cases] == [(0.5, 2, 1), (0.5, 2, 2)]
    path = write(f'name = "x"\nlayouts = "series"\ncycles = "{TRIP}"\ncold = true\n[vary]\ndwell = [0, 2.5]\nengine_on = [3]\n')
    cases = prepare_study(str(path)).cases
    assert [(c.how.dwell, c.how.engine_on, c.how.cold) for c in cases] == [(0.0, 3.0, True), (2.5, 3.0, True)]
    assert len({c.digest for c in cases}) == 2 and cases[0].neighbours == cases[1].neighbours


def test_options_reach_the_optimum(problem):
    layout, cycle, _ = problem
    free, waiting = optimum_of(layout, cycle, How()), optimum_of(layout, cycle, How(engine_on=3.0, gap=0.2))
    assert waiting.waits_s["engine_on"] == 3.0 and waiting.gap_asked_percent == 0.2 and free.gap_asked_percent is None


def test_wrong_options_are_told_all_at_once(write):
    lines = told(write('name = "x"\nlayouts = "series"\ncycles = "udds"\nsolve = ["optimum", "ecms"]\ndwell = 7\ncold = "yes"\ngrip = 0.9\n'
                       'gap = nan\n[vary]\nengine_on = [3]\n'))
    for words in ("dwell: found 7; expected a number from 0 to 6", "cold: found 'yes'; expected true or false", "gap: found NaN",
                  "grip: found an option that nothing in `solve` heeds; expected it with capability",
                  "vary.engine_on: found an option that 'ecms' does not know; expected it in a study without ecms"):
        assert words in lines, (words, lines)
    lines = told(write('name = "x"\nlayouts = "series"\ncycles = "udds"\nsolve = ["strategy", "sensitivity"]\nquantities = "vehicel"\n'
                       '[vary]\nstrategy = ["rulez", "rules:none.toml", "python:json:JSONDecoder"]\n'))
    for words in ("quantities: found 'vehicel'", "vary.strategy: found 'rulez'", "vary.strategy: found 'none.toml'",
                  "vary.strategy: found 'python:json:JSONDecoder'; expected rules, rules:FILE"):
        assert words in lines, (words, lines)


def test_columns_of_a_group_are_known_beforehand(write):
    lines = told(write('name = "x"\nlayouts = "series"\ncycles = "udds"\nsolve = "capability"\n[require]\n'
                       '"capability.time_0_100" = { below = 9 }\n'))
    assert "a column that nothing in `solve` gives" in lines and "(nearest: capability.time_0_100_s)" in lines


def test_a_strategys_file_is_part_of_what_a_case_is_known_by(write, tmp_path):
    file, shipped = tmp_path / "mine.toml", library.folder("layout") / "calibrations" / "series.toml"
    file.write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    path = write(f'name = "x"\nlayouts = "series"\ncycles = "{TRIP}"\nsolve = "strategy"\nstrategy = "rules:mine.toml"\n')
    (case,) = prepare_study(str(path)).cases
    assert case.how.strategy == f"rules:{file}" and with_file("ecms", tmp_path) == ("ecms", "")
    check_file(case.how)
    file.write_text(shipped.read_text(encoding="utf-8") + "# another\n", encoding="utf-8")
    with pytest.raises(RunError, match=r"mine\.toml is gone, or was changed while the study ran"):
        check_file(case.how)
    assert prepare_study(str(path)).cases[0].digest != case.digest
    file.write_text("[electric]\nspeed = 3\n", encoding="utf-8")
    assert "mine.toml" in told(path)


def test_the_page_says_whether_engines_start_cold(write, tmp_path):
    from ems.present.study_page import study_page

    text = f'name = "x"\nlayouts = "series"\ncycles = "{TRIP}"\nsolve = "quick"\n'
    for number, (more, cold, said) in enumerate([("", False, "engine warm"), ("cold = true\n", True, "engine cold at the start"),
                                                 ("[vary]\ncold = [true, false]\n", False, "Where the column cold says True")]):
        run_study(str(write(text + more)), tmp_path / f"out-{number}")
        study = load_study(tmp_path / f"out-{number}")
        assert study.cold is cold and said in study_page(study)
