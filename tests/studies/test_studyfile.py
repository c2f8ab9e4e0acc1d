"""A study file is checked whole, and told in one go."""

from __future__ import annotations

import pytest

from ems.errors import InputError
from ems.studies.cases import load_cases
from ems.studies.run import prepare_study
from ems.studies.studyfile import read_study


def mistakes(path) -> list[str]:
    with pytest.raises(InputError) as told:
        prepare_study(str(path))
    return str(told.value).splitlines()


def test_cases_are_layouts_times_points_times_cycles(write):
    path = write('name = "x"\nlayouts = ["series", "three-clutch"]\ncycles = ["UDDS", "nedc"]\n[vary]\nvehicle.mass_kg = [1800, 1900]\n'
                 'battery.soc_target = { from = 0.5, to = 0.6, steps = 3 }\n[set]\nvehicle.auxiliary_W = 300\n')
    plan = read_study(str(path))
    cases = load_cases(plan)
    assert len(cases) == plan.case_count == 2 * 2 * 2 * 3 and [c.number for c in cases] == list(range(1, 25))
    assert len({c.digest for c in cases}) == 24
    assert cases[0].changes == ("vehicle.auxiliary_W=300", "vehicle.mass_kg=1800", "battery.soc_target=0.5")
    assert [c.cycle for c in cases[:3]] == ["udds", "nedc", "udds"]
    assert cases[2].varied == {"vehicle.mass_kg": 1800, "battery.soc_target": 0.55}


def test_every_mistake_of_the_file_at_once(write):
    told = mistakes(write('name = "x"\nlayouts = ["series"]\ncycles = ["udds"]\nsolve = ["optimun", "optimum"]\ngird = 2\n'
                          '[vary]\nvehicle.mass_kg = []\n[sample]\nmethod = "sobol"\n[require]\nfuel_l_per_100km = { under = 4 }\n'))
    assert any("gird: found a key that is not known" in line and "(nearest: grid)" in line for line in told)
    assert any("require.fuel_l_per_100km.under" in line for line in told)
    assert any("vary.vehicle.mass_kg: found an empty list" in line for line in told)


def test_every_mistake_of_what_it_means_at_once(write):
    told = mistakes(write('name = "x"\nlayouts = ["series"]\ncycles = ["udds", "udds"]\nsolve = ["optimun", "optimum"]\n'
                          '[vary]\nvehicle.mass_kg = { from = 1, to = 2 }\n[sample]\nmethod = "sobol"\n'
                          '[require]\nfuel_l = { below = 4 }\nco2_g_per_km = {}\n[keep]\ncolumns = ["fuel_gg"]\n'))
    expected = ("solve.1: found 'optimun'; expected one of optimum", "cycles.2: found 'udds' twice", "sample.count: found nothing",
                "require.fuel_l: found a column that nothing in `solve` gives", "require.co2_g_per_km: found no limit",
                "keep.columns.1: found 'fuel_gg'")
    for words in expected:
        assert any(words in line for line in told), (words, told)


def test_what_is_not_there_to_solve_is_a_clear_mistake(write):
    (told,) = mistakes(write('name = "x"\nlayouts = "series"\ncycles = "udds"\nsolve = "miracle"\n'))
    assert "solve.1: found 'miracle'; expected one of optimum" in told


def test_a_wrong_value_is_told_once_at_its_key(write):
    told = mistakes(write('name = "x"\nlayouts = ["series", "three-clutch"]\ncycles = ["udds", "nedc"]\n[vary]\n'
                          'vehicle.mass_kg = [1900, -5]\n'
                          'vehicle.auxiliary_W = [1, 2, 3]\n'))
    assert len(told) == 1 and "trial.toml: vary.vehicle.mass_kg: found -5" in told[0]


def test_a_mistake_in_a_component_says_at_which_point(write):
    told = mistakes(write('name = "x"\nlayouts = "series"\ncycles = "udds"\n[vary]\nbattery.discharge_limit_kW = [50, 2, 1]\n'))
    assert any("(with battery.discharge_limit_kW = 2)" in line for line in told), told


def test_a_wrong_path_layout_and_cycle_are_told_together(write):
    told = mistakes(write('name = "x"\nlayouts = ["series", "tree-clutch"]\ncycles = ["uddss"]\n[vary]\nvehicle.mas_kg = [1900]\n'))
    assert any("layouts: found 'tree-clutch'" in line and "(nearest: three-clutch)" in line for line in told)
    assert any("cycles: found 'uddss'" in line and "(nearest: udds)" in line for line in told)
    assert any("vary.vehicle.mas_kg" in line and "mass_kg" in line for line in told)


def test_charge_grid_and_lanes_are_varied_too(write):
    path = write('name = "x"\nlayouts = "series"\ncycles = "udds"\n[vary]\ncharge = ["0.6:0.5", "0.5:0.5"]\ngrid = [1, 2]\n')
    cases = prepare_study(str(path)).cases
    assert [(c.how.charge, c.how.grid) for c in cases] == [((0.6, 0.5), 1), ((0.6, 0.5), 2), ((0.5, 0.5), 1), ((0.5, 0.5), 2)]
    assert len({c.digest for c in cases}) == 4
    told = mistakes(write('name = "x"\nlayouts = "series"\ncycles = "udds"\n[vary]\ncharge = ["0.9:0.5", "much"]\ngrid = [0]\n'))
    assert any("vary.charge: found 0.9" in line for line in told) and any("vary.charge: found 'much'" in line for line in told)
    assert any("vary.grid: found 0" in line for line in told)


def test_csv_of_cases(write, tmp_path):
    (tmp_path / "cases.csv").write_text("# invented\nvehicle.mass_kg, battery.soc_target\n1800, 0.5\n1900, 0.6\n", encoding="utf-8")
    path = write('name = "x"\nlayouts = "series"\ncycles = "udds"\n[sample]\nmethod = "csv"\nfile = "cases.csv"\n')
    assert [c.varied for c in prepare_study(str(path)).cases] == [
        {"vehicle.mass_kg": 1800, "battery.soc_target": 0.5}, {"vehicle.mass_kg": 1900, "battery.soc_target": 0.6}]
    (tmp_path / "cases.csv").write_text("vehicle.mass_kg, vehicle.mass_kg\n1800\n1,'\n", encoding="utf-8")
    told = mistakes(path)
    assert any("cases.csv: line 1: found column 'vehicle.mass_kg' 2 times" in line for line in told)
    assert any("cases.csv: line 2: found 1 values; expected 2" in line for line in told)
    assert any("cases.csv: line 3, column vehicle.mass_kg" in line for line in told)


def test_too_many_combinations_are_refused_before_they_are_made(write):
    axes = "".join(f'"gears.{g}.ratio" = {{ from = 1, to = 2, steps = 2000 }}\n' for g in ("first", "second", "third"))
    (told,) = mistakes(write(f'name = "x"\nlayouts = "three-clutch"\ncycles = "udds"\n[vary]\n{axes}'))
    assert "8000000000 combinations; expected at most 1000000" in told


def test_digest_knows_all_that_determines_a_result(write, tmp_path):
    def digest(**changes: str) -> str:
        words = {"set": "", "cycle": "udds", "charge": "", "solve": "optimum", "grid": "1", "lanes": "1", "name": "x"} | changes
        path = write(f'name = "{words["name"]}"\nlayouts = "series"\ncycles = "{words["cycle"]}"\nsolve = "{words["solve"]}"\n'
                     f'grid = {words["grid"]}\nlanes = {words["lanes"]}\n{words["charge"]}\n[set]\n{words["set"]}\n')
        return prepare_study(str(path)).cases[0].digest

    base = digest()
    assert base == digest(name="other") == digest(set="vehicle.mass_kg = 1900")      # 1900 is what the file says
    others = [digest(set="vehicle.mass_kg = 1901"), digest(cycle="nedc"), digest(charge='charge = "0.55:0.55"'), digest(solve="quick"),
              digest(grid="2"), digest(lanes="2"), digest(set='battery.title = "of another name"')]
    assert others.pop() == base and base not in others and len(set(others)) == len(others)


def test_digest_changes_with_a_row_of_a_map(write, tmp_path):
    from ems.library import data_root

    for file in (data_root() / "maps" / "batteries").iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    path = write(f'name = "x"\nlayouts = "series"\ncycles = "udds"\n[set]\nbattery = "{tmp_path}/hybrid-1k5.toml"\n')
    before = prepare_study(str(path)).cases[0].digest
    table = tmp_path / "hybrid-1k5.csv"
    lines = table.read_text(encoding="utf-8").splitlines()
    cells = lines[-3].split(",")
    cells[1] = str(float(cells[1]) + 0.01)
    table.write_text("\n".join([*lines[:-3], ",".join(cells), *lines[-2:]]), encoding="utf-8")
    assert prepare_study(str(path)).cases[0].digest != before


def test_results_carry_words_as_the_studys_folder_sees_them(write):
    plan = read_study(str(write('name = "x"\nlayouts = ["mine.toml", "series"]\ncycles = ["trips/./town.csv", "udds"]\n')))
    assert [plan.seen(word) for word in plan.layouts] == ["mine.toml", "series"]
    assert [plan.seen(word) for word in plan.cycles] == ["trips/town.csv", "udds"]
