"""Layouts of every element, maps of their own and trips, drawn at random and valid by construction."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from ems.trips.cycle import Cycle

RPM = np.pi / 30.0
PETROL_J_G = 43_000.0       # more than any petrol holds, so that no efficiency is above one
SOMETIMES = st.booleans()


def csv(*columns: tuple[str, np.ndarray]) -> str:
    """A CSV file of named columns."""
    rows = zip(*(values for _, values in columns), strict=True)
    return "\n".join([",".join(name for name, _ in columns), *(",".join(f"{v:.9g}" for v in row) for row in rows)]) + "\n"


def grid_csv(x: tuple[str, np.ndarray], y: tuple[str, np.ndarray], value: tuple[str, np.ndarray]) -> str:
    """A CSV file of a map: (name, axis), (name, axis), (name, (n, m) values)."""
    first, second = np.meshgrid(x[1], y[1], indexing="ij")
    return csv((x[0], first.ravel()), (y[0], second.ravel()), (value[0], value[1].ravel()))


@st.composite
def engines(draw):
    """(table, files): friction and an efficiency (Willans), both rough by up to a tenth; a bent full-load curve."""
    noise = np.random.default_rng(draw(st.integers(0, 2**32)))
    idle, top = draw(st.sampled_from([800.0, 1100.0])), draw(st.sampled_from([4500.0, 6200.0]))
    power_W = 1e3 * draw(st.floats(60.0, 120.0))
    speed = np.linspace(idle, top, draw(st.integers(3, 6)))
    most_Nm = power_W / (0.8 * top * RPM)
    torque = np.linspace(0.0, 1.02 * most_Nm, draw(st.integers(3, 7)))
    friction_Nm, efficiency = draw(st.floats(0.06, 0.15)) * most_Nm, draw(st.floats(0.3, 0.42))
    fuel = speed[:, None] * RPM * (torque + friction_Nm) / efficiency / PETROL_J_G * noise.uniform(0.95, 1.1, (speed.size, torque.size))
    full_Nm = most_Nm * noise.uniform(0.75, 1.0, speed.size)
    files = {"engine.csv": grid_csv(("speed_rpm", speed), ("torque_Nm", torque), ("fuel_g_s", fuel)),
             "full.csv": csv(("speed_rpm", speed), ("full_load_Nm", full_Nm)),
             "motoring.csv": csv(("speed_rpm", np.array([0.0, top])), ("motoring_Nm", friction_Nm * np.array([0.7, 1.2])))}
    table = {"map": "engine.csv", "full_load": "full.csv", "motoring": "motoring.csv", "fuel": "petrol-e5", "idle_speed_rpm": idle,
             "max_speed_rpm": top, "inertia_kgm2": draw(st.floats(0.05, 0.2)), "start_fuel_g": draw(st.floats(0.0, 0.6)),
             "cranking_torque_Nm": draw(st.floats(0.0, 50.0)), "cranking_time_s": 0.3}
    return table, files


@st.composite
def machines(draw, name, least_kW):
    """(table, files): copper, iron and standing losses, rough by a tenth, other ones when braking; peak torque, then peak power."""
    noise = np.random.default_rng(draw(st.integers(0, 2**32)))
    power_W, top = 1e3 * draw(st.floats(least_kW, 2.0 * least_kW)), draw(st.sampled_from([9000.0, 15000.0]))
    corner_rad_s = draw(st.floats(0.3, 0.5)) * top * RPM
    most_Nm = power_W / corner_rad_s
    speed, half = np.linspace(0.0, top, draw(st.integers(3, 6))), np.linspace(0.0, 1.02 * most_Nm, draw(st.integers(2, 5)))
    torque = np.concatenate([-half[:0:-1], half])
    share = draw(st.floats(0.02, 0.08)) * power_W
    loss = share * ((torque / most_Nm) ** 2 + 0.5 * (speed[:, None] / top) ** 1.5 + 0.02)
    loss = loss * noise.uniform(0.9, 1.1, loss.shape)
    curve = np.linspace(0.0, top, 12)
    peak = most_Nm * np.minimum(1.0, corner_rad_s / np.maximum(curve * RPM, 1e-9))
    files = {f"{name}.csv": grid_csv(("speed_rpm", speed), ("torque_Nm", torque), ("loss_W", loss)),
             f"{name}-limits.csv": csv(("speed_rpm", curve), ("peak_Nm", peak), ("continuous_Nm", 0.55 * peak))}
    table = {"map": f"{name}.csv", "limits": f"{name}-limits.csv", "max_speed_rpm": top, "inertia_kgm2": draw(st.floats(0.01, 0.06)),
             "standby_W": draw(st.sampled_from([0.0, 30.0])), "peak_time_s": 20}
    return table, files


@st.composite
def batteries(draw):
    """(table, files): rising voltage, resistances that differ both ways, perhaps limits over charge; from 0.3 to 2 kWh."""
    noise = np.random.default_rng(draw(st.integers(0, 2**32)))
    soc = np.linspace(0.1, 0.9, draw(st.integers(2, 6)))
    voltage = draw(st.floats(240.0, 340.0)) * (0.9 + 0.2 * np.sort(noise.uniform(0.0, 1.0, soc.size)))
    ohm = draw(st.floats(0.03, 0.12)) * noise.uniform(0.8, 1.5, (2, soc.size))
    limit_kW = draw(st.floats(60.0, 90.0))
    columns = [("soc", soc), ("voltage_V", voltage), ("resistance_discharge_ohm", ohm[0]), ("resistance_charge_ohm", ohm[1])]
    if draw(SOMETIMES):
        columns.append(("discharge_limit_kW", 0.999 * limit_kW * np.linspace(0.75, 1.0, soc.size)))
    table = {"table": "battery.csv", "capacity_Ah": draw(st.floats(1.0, 6.0)), "soc_low": 0.35, "soc_high": 0.75, "soc_target": 0.55,
             "discharge_limit_kW": limit_kW, "charge_limit_kW": limit_kW, "discharge_limit_A": 450, "charge_limit_A": 450}
    return table, {"battery.csv": csv(*columns)}


def some(draw, *texts: str) -> Decimal:
    return Decimal(draw(st.sampled_from(texts)))


def wheels_side(draw) -> dict[str, dict[str, object]]:
    """How the driving machine reaches the wheels: a gear, two by a shifter, or a planetary set held by a brake, perhaps locked too."""
    way = draw(st.sampled_from(["gear", "shifter", "set"]))
    if way == "gear":
        drive = {"from": "r2", "to": "diff", "ratio": some(draw, "7", "9", "10"), "efficiency": some(draw, "0.96", "1")}
        return {"gears": {"drive": drive}}
    if way == "shifter":
        gears = {"low": {"from": "r2", "to": "w1", "ratio": some(draw, "2.4", "3"), "efficiency": some(draw, "0.97", "1")},
                 "high": {"from": "r2", "to": "w2", "ratio": some(draw, "1.6", "2")},
                 "end": {"from": "out", "to": "diff", "ratio": Decimal("3.5")}}
        return {"gears": gears, "shifters": {"S2": {"hub": "out", "positions": {"low": "w1", "high": "w2"}, "hold_W": 2,
                                                    "neutral": draw(SOMETIMES)}}}
    locked = {"C1": {"joins": ["r2", "r"], "hold_W": 20}} if draw(SOMETIMES) else {}
    return {"gears": {"end": {"from": "out", "to": "diff", "ratio": Decimal(3)}}, "clutches": locked,
            "planetary_sets": {"reduction": {"sun": "r2", "ring": "r", "carrier": "out", "ratio": some(draw, "2.1", "2.4"),
                                             "efficiency": some(draw, "0.97", "1")}},
            "brakes": {"B1": {"holds": "r", "hold_W": 15, **({"drag_Nm": Decimal("0.4")} if draw(SOMETIMES) else {})}}}


def engine_side(draw) -> dict[str, dict[str, object]]:
    """Engine and first machine: by a gear or a planetary set; to the wheels by a clutch that may slip, a one-way clutch or a shifter."""
    parts: dict[str, dict[str, object]] = {"gears": {}, "planetary_sets": {}, "clutches": {}, "one_way": {}, "shifters": {}}
    if draw(SOMETIMES):
        parts["planetary_sets"]["split"] = {"sun": "r1", "ring": "lay", "carrier": "crank", "ratio": some(draw, "2.2", "2.6")}
        parts["gears"]["lay"] = {"from": "lay", "to": "diff", "ratio": some(draw, "2.6", "3.4")}
    else:
        parts["gears"]["step"] = {"from": "crank", "to": "r1", "ratio": some(draw, "0.5", "1", "-0.6")}
        if draw(SOMETIMES):
            parts["gears"] |= {"second": {"from": "lay", "to": "l2", "ratio": Decimal("1.8")}, "fourth": {"from": "lay", "to": "l4",
                               "ratio": some(draw, "0.9", "1")}, "last": {"from": "side", "to": "diff", "ratio": Decimal("3.2")}}
            parts["shifters"]["S1"] = {"hub": "side", "positions": {"second": "l2", "fourth": "l4"}, "hold_W": 2}
        else:
            parts["gears"]["lay"] = {"from": "lay", "to": "diff", "ratio": some(draw, "2.6", "3.4")}
    drag = {"drag_Nm": Decimal("0.5")} if draw(SOMETIMES) else {}
    way = draw(st.sampled_from(["clutch", "slipping", "one-way"]))
    if way == "one-way":
        parts["one_way"]["F1"] = {"from": "crank", "to": "lay", **drag}
    else:
        parts["clutches"]["K1"] = {"joins": ["crank", "lay"], "hold_W": 20, **drag,
                                   **({"slips": True, "capacity_Nm": 250} if way == "slipping" else {})}
    return parts


@st.composite
def layouts(draw, folder: Path):
    """Raw content of a layout that can drive, with maps of its own in ``folder`` or the shipped ones."""
    parts: dict[str, dict[str, object]] = {}
    for side in (wheels_side(draw), engine_side(draw)):
        for kind, table in side.items():
            parts[kind] = parts.get(kind, {}) | table
    used: dict[str, object] = {"engine": "dedicated-1500", "mg1": "machine-75", "mg2": "machine-120", "battery": "hybrid-1k5"}
    drawn = {"engine": engines(), "mg1": machines("mg1", 45.0), "mg2": machines("mg2", 75.0), "battery": batteries()}
    for name, of in drawn.items():
        if draw(st.integers(0, 3)):
            used[name], files = draw(of)
            for file, text in files.items():
                (folder / file).write_text(text, encoding="utf-8")
    starter = {"started_by": "mg1"} if draw(SOMETIMES) else {}
    loss = {"inertia_kgm2": Decimal("0.05"), "drag_Nm": Decimal("0.3"), "drag_Nms_rad": Decimal("0.005")} if draw(SOMETIMES) else {}
    return {
        "name": "drawn", "vehicle": "hill-taxi", "battery": used["battery"], "axles": {"front": {"shaft": "diff"}},
        "engine": {"shaft": "crank", "map": used["engine"], "fuel_cut": draw(SOMETIMES), **starter},
        "machines": {"mg1": {"shaft": "r1", "map": used["mg1"]}, "mg2": {"shaft": "r2", "map": used["mg2"]}},
        "shafts": {"diff": loss}, "pump": {"engine_running_W": draw(st.sampled_from([0, 35]))}, **parts,
    }


@st.composite
def cycles(draw) -> Cycle:
    """From a stop to a stop through two to four speeds, half a minute to a minute, perhaps up or down a slope; what 70 kW can follow."""
    tops = [draw(st.integers(8, 16)), *draw(st.lists(st.integers(0, 16), min_size=2, max_size=4))]
    speed = [0.0, 0.0]
    for top in [*tops, 0.0]:
        gap = top - speed[-1]
        steps = max(2, int(np.ceil(abs(gap) / draw(st.floats(0.8, 1.4)))))
        speed += list(speed[-1] + gap * np.arange(1, steps + 1) / steps) + [top] * draw(st.integers(2, 8))
    speed_m_s = np.array([*speed, 0.0])
    grade = draw(st.sampled_from([0.0, 0.02, 0.03, -0.01, 0.01, -0.05])) * (np.arange(speed_m_s.size) > draw(st.integers(0, 20)))
    return Cycle(name="drawn", title="drawn", time_s=np.arange(speed_m_s.size, dtype=float), speed_m_s=speed_m_s, grade=grade,
                 auxiliary_W=np.full(speed_m_s.size - 1, draw(st.sampled_from([0.0, 400.0]))))
