"""Scattered bench points made a grid: exact where it must be, honest about its error, refused where points are missing."""

from __future__ import annotations

import math
import re
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import SmoothBivariateSpline

from ems.components.engine import Engine, load_engine
from ems.errors import InputError

RPM = math.pi / 30.0
SCATTERED = ("c.toml", "inertia_kgm2", "scattered = true\ninertia_kgm2")


def points(count: int, seed: int) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Speeds from 1000 to 3000 and torques from 5 to 100, scattered evenly, no two alike."""
    draw = np.random.default_rng(seed)
    return np.round(draw.uniform(1000, 3000, count), 1), np.round(draw.uniform(5, 100, count), 2)


def willans_g_s(rpm: Any, torque_Nm: Any) -> Any:
    """Fuel by Willans' line, straight in torque at constant speed and in speed over each turn: 5 g/kWh-like numbers, invented."""
    return rpm / 1000.0 * (0.08 + 0.005 * torque_Nm + 0.01 * rpm / 1000.0)


def engine_rows(count: int = 80, seed: int = 1) -> str:
    rpm, torque = points(count, seed)
    return "speed_rpm,torque_Nm,fuel_g_s\n" + "".join(
        f"{n},{t},{float(willans_g_s(n, t))!r}\n" for n, t in zip(rpm, torque, strict=True))


def engine_of(small: Any, rows: str) -> Any:
    return small("engine", SCATTERED, ("map.csv", small.files["engine"]["map.csv"], rows))


def test_a_willans_line_comes_back_exactly(small: Any) -> None:
    """Fuel over speed is a plane: the polynomial under the spline holds it, wherever the points lie, down to torque 0."""
    e = engine_of(small, engine_rows())
    rpm = e.speed_rad_s / RPM
    assert rpm[0] == pytest.approx(1000) and rpm[-1] == pytest.approx(3000) and e.torque_Nm[0] == 0.0
    assert np.allclose(e.fuel_g_s, willans_g_s(rpm[:, None], e.torque_Nm), rtol=1e-6)
    (note,) = e.notes
    assert note.startswith("./map.csv: 80 bench points made a grid of 31 x 41; error at the points ")


def test_a_machine_of_quadratic_losses_comes_back_exactly(small: Any) -> None:
    """Copper by the square of torque, iron by speed and its square: the machine's polynomial is of degree two."""
    draw = np.random.default_rng(2)
    rpm, torque = np.round(draw.uniform(0, 6000, 90), 1), np.round(draw.uniform(-100, 100, 90), 2)

    def loss_W(n: Any, t: Any) -> Any:
        return 50.0 + 0.05 * n + 1e-5 * n**2 + 0.09 * t**2
    rows = "speed_rpm,torque_Nm,loss_W\n" + "".join(
        f"{n},{t},{float(loss_W(n, t))!r}\n" for n, t in zip(rpm, torque, strict=True))
    m = small("machine", SCATTERED, ("map.csv", small.files["machine"]["map.csv"], rows))
    assert 0.0 in m.torque_Nm and m.torque_Nm[0] == -m.torque_Nm[-1] and m.speed_rad_s[0] == 0.0
    assert np.allclose(m.loss_W, loss_W(m.speed_rad_s[:, None] / RPM, m.torque_Nm), rtol=1e-6)
    assert "W root mean square" in m.notes[0]


def stated(note: str) -> tuple[float, float, float]:
    """Root mean square, worst and left-out error of a note [g/s]."""
    found = re.search(r"points ([\d.e-]+) g/s root.*mean\), ([\d.e-]+) g/s at worst.*fit ([\d.e-]+) g/s", note)
    assert found is not None, note
    return float(found[1]), float(found[2]), float(found[3])


def test_shipped_bench_points_give_the_engine_they_came_from(engine: Engine, generator: ModuleType) -> None:
    """166 points of the formula, each 0.4 % off at random: between them, too, the map is off by less than is told. The true
    values are the formula's, not the shipped grid's."""
    bench = load_engine("bench-1500", where="t", key="e")
    rms, worst, left_out = stated(bench.notes[0])
    speed = np.linspace(1100, 5900, 25)
    torque = np.linspace(0.05, 0.97, 20)[None, :] * np.array([generator.full_load_Nm(n) for n in speed])[:, None]
    true = np.array([[generator.engine_fuel_g_s(n, t) for t in row] for n, row in zip(speed, torque, strict=True)])
    error = bench.fuel_rate_g_s(speed[:, None] * RPM, torque) - true
    assert float(np.sqrt(np.mean(error**2))) < left_out and 0 < rms < worst
    assert np.max(np.abs(error) / true) < 0.02
    assert bench.best_efficiency() == pytest.approx(engine.best_efficiency(), rel=0.004)
    assert bench.invented and bench.rated_power_W == engine.rated_power_W


def test_against_another_method(small: Any) -> None:
    """Tensor-product splines of FITPACK (P. Dierckx; scipy's ``SmoothBivariateSpline``), cubic both ways: within 0.5 % inside the
    points, on a surface with some bend."""
    rpm, torque = points(200, 3)
    fuel = willans_g_s(rpm, torque) * (1.0 + 0.1 * (torque / 100.0) ** 2)
    rows = "speed_rpm,torque_Nm,fuel_g_s\n" + "".join(
        f"{n},{t},{float(f)!r}\n" for n, t, f in zip(rpm, torque, fuel, strict=True))
    other = SmoothBivariateSpline(rpm / 2000, torque / 100, fuel, s=1e-4)
    n, t = np.linspace(1150, 2850, 15), np.linspace(10, 95, 15)
    expected = other(n / 2000, t / 100)
    assert np.max(np.abs(engine_of(small, rows).fuel_rate_g_s(n[:, None] * RPM, t) / expected - 1)) < 0.005


def test_a_wrong_point_is_told_by_its_line(small: Any) -> None:
    """One reading 40 % too high among 80: the note's worst point is that one."""
    lines = engine_rows().splitlines()
    n, t, fuel = lines[40].split(",")
    lines[40] = f"{n},{t},{1.4 * float(fuel)}"
    assert "(line 41, " in engine_of(small, "\n".join(lines)).notes[0]


def test_the_same_points_give_the_same_map_in_any_order(small: Any) -> None:
    header, *rows = engine_rows().splitlines()
    first = engine_of(small, "\n".join([header, *rows]))
    assert np.allclose(engine_of(small, "\n".join([header, *rows[::-1]])).fuel_g_s, first.fuel_g_s, rtol=1e-6)


@pytest.mark.parametrize("keep, message", [
    (lambda n, t, i: i < 8, r"map\.csv: found 8 bench points; expected 12 to 2000 of them"),
    (lambda n, t, i: not (n > 2000 and t > 45), r"speed_rpm \d+, torque_Nm \d+.*: found no bench point near; the nearest is in "
                                                r"line \d+, [\d.]+ rpm and [\d.]+ N m; expected one within 25 %"),
    (lambda n, t, i: t < 30, r"found no bench point near"),
])
def test_too_few_or_a_hole(small: Any, keep: Any, message: str) -> None:
    header, *rows = engine_rows().splitlines()
    kept = [row for i, row in enumerate(rows) if keep(*map(float, row.split(",")[:2]), i)]
    with pytest.raises(InputError, match=message):
        engine_of(small, "\n".join([header, *kept]))


def test_all_mistakes_of_bench_points_at_once(small: Any) -> None:
    lines = engine_rows().splitlines()
    lines[10] = lines[9]
    lines[20] = "1500,50,-0.3"
    lines[30] = "1500,60,x"
    with pytest.raises(InputError) as caught:
        engine_of(small, "\n".join(lines))
    assert [m.key for m in caught.value.mistakes] == ["line 31, column fuel_g_s", "line 21, column fuel_g_s"]
    lines[20], lines[30] = "1500,50,0.6", "1500,60,0.7"
    with pytest.raises(InputError, match=r"line 11: found speed_rpm .* again \(first in line 10\); expected each point once; keep"):
        engine_of(small, "\n".join(lines))


def test_points_on_a_line_are_no_surface(small: Any) -> None:
    rows = "speed_rpm,torque_Nm,fuel_g_s\n" + "".join(f"{1000 + 100 * i},{5 + 4.5 * i},{0.2 + 0.1 * i}\n" for i in range(21))
    with pytest.raises(InputError, match=r"map\.csv: .*(found no bench point near|found bench points on one curve)"):
        engine_of(small, rows)


def test_the_error_stands_in_no_digest() -> None:
    import dataclasses

    import ems
    from ems.layout.digest import digest

    layout = ems.load_layout("series")
    engine = dataclasses.replace(layout.engine.engine, notes=("told",))
    told = dataclasses.replace(layout, engine=dataclasses.replace(layout.engine, engine=engine))
    assert digest(told) == digest(layout) == layout.digest


def test_a_path_of_the_users_is_told_as_written(tmp_path: Path, small: Any) -> None:
    engine_of(small, engine_rows())
    assert load_engine(str(small.folder / "c.toml"), where="t", key="e").notes[0].startswith(f"{small.folder}/map.csv: ")
