"""Components for the tests: the shipped ones, their generator, and small ones of a few rows that tests change."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from ems.components.battery import Battery, load_battery
from ems.components.engine import Engine, load_engine
from ems.components.machine import Machine, load_machine
from ems.components.vehicle import Vehicle, load_vehicle
from ems.library import data_root

LOADERS: dict[str, Callable[..., object]] = {
    "engine": load_engine, "machine": load_machine, "battery": load_battery, "vehicle": load_vehicle,
}
ENGINE = """\
map = "map.csv"
full_load = "full.csv"
fuel = "petrol-e5"
idle_speed_rpm = 1000
max_speed_rpm = 3000
inertia_kgm2 = 0.1
start_fuel_g = 0.4
cranking_torque_Nm = 40
cranking_time_s = 0.3
minimum_on_s = 5
speed_ramp_rpm_s = 1500
motoring = "drag.csv"
[cold]
curve = "cold.csv"
heat_capacity_kJ_K = 60
heat_share = 0.25
heat_loss_W_K = 10
"""
ENGINE_MAP = """\
speed_rpm,torque_Nm,fuel_g_s
1000,0,0.1
1000,50,0.4
1000,100,0.7
3000,0,0.3
3000,50,1.2
3000,100,2.1
"""
DRAG = "speed_rpm,motoring_Nm\n0,12\n3000,20\n"
COLD = "engine_C,fuel_factor\n-20,1.8\n20,1.3\n80,1\n"
FULL = "speed_rpm,full_load_Nm\n1000,80\n3000,100\n"
MACHINE = """\
map = "map.csv"
limits = "limits.csv"
max_speed_rpm = 6000
inertia_kgm2 = 0.02
peak_time_s = 20
"""
MACHINE_MAP = """\
speed_rpm,torque_Nm,loss_W
0,-100,900
0,0,50
0,100,900
6000,-100,3000
6000,0,300
6000,100,3000
"""
LIMITS = "speed_rpm,peak_Nm,continuous_Nm\n0,100,60\n6000,50,30\n"
BATTERY = """\
table = "table.csv"
capacity_Ah = 5
soc_low = 0.3
soc_high = 0.8
soc_target = 0.5
discharge_limit_kW = 60
charge_limit_kW = 50
discharge_limit_A = 240
charge_limit_A = 200
discharge_2s_kW = 70
discharge_continuous_kW = 30
temperature = "degrees.csv"
"""
TABLE = """\
soc,voltage_V,resistance_discharge_ohm,resistance_charge_ohm,discharge_limit_kW
0.1,280,0.16,0.12,20
0.5,310,0.13,0.12,60
0.9,340,0.12,0.15,60
"""
DEGREES = "temperature_C,resistance_factor,discharge_factor,charge_factor\n-10,3,0.4,0.2\n25,1,1,1\n45,0.6,1,1\n"
VEHICLE = """\
mass_kg = 1900
rotating_mass_kg = 40
wheel_radius_m = 0.33
auxiliary_W = 350
road_load_N = 175
road_load_N_per_kmh = 0.9
road_load_N_per_kmh2 = 0.036
test_mass_kg = 2000
friction = 0.9
[regeneration]
fade_from_kmh = 12
fade_to_kmh = 4
[axles.front]
weight_share = 0.6
regeneration_share = 0.7
regeneration_m_s2 = 2.5
"""
FILES: dict[str, dict[str, str]] = {
    "engine": {"c.toml": ENGINE, "map.csv": ENGINE_MAP, "full.csv": FULL, "drag.csv": DRAG, "cold.csv": COLD},
    "machine": {"c.toml": MACHINE, "map.csv": MACHINE_MAP, "limits.csv": LIMITS},
    "battery": {"c.toml": BATTERY, "table.csv": TABLE, "degrees.csv": DEGREES},
    "vehicle": {"c.toml": VEHICLE},
}


class Small:
    """Components from small files in a folder of their own.

    ``small("engine", ("map.csv", "0.4", "-0.4"), beside=...)`` loads one after replacing text: (file, old, new).
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.files = folder, FILES

    def __call__(self, kind: str, *changes: tuple[str, str, str], **options: object) -> Any:
        files = dict(FILES[kind])
        for name, old, new in changes:
            assert old in files[name], old
            files[name] = files[name].replace(old, new, 1)
        for name, text in files.items():
            (self.folder / name).write_text(text, encoding="utf-8")
        return self.again(kind, **options)

    def again(self, kind: str, **options: object) -> Any:
        """Load from the files as they are now."""
        return LOADERS[kind]("./c.toml", where="my.toml", key=kind, beside=self.folder, **options)


@pytest.fixture
def small(tmp_path: Path) -> Small:
    return Small(tmp_path)


@pytest.fixture(scope="session")
def engine() -> Engine:
    return load_engine("dedicated-1500", where="t", key="e")


@pytest.fixture(scope="session")
def machine() -> Machine:
    return load_machine("machine-75", where="t", key="m")


@pytest.fixture(scope="session")
def battery() -> Battery:
    return load_battery("hybrid-1k5", where="t", key="b")


@pytest.fixture(scope="session")
def vehicle() -> Vehicle:
    return load_vehicle("hill-taxi", where="t", key="v")


@pytest.fixture(scope="session")
def generator() -> ModuleType:
    """The script that writes the shipped maps."""
    spec = importlib.util.spec_from_file_location("generate_maps", data_root() / "maps" / "generate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["generate_maps"] = module
    spec.loader.exec_module(module)
    return module
