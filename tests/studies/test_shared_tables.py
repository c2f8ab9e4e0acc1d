"""First tables kept for the next case are those it would have built, to the last bit."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import ems
from ems.plant.plant import build_plant
from ems.tables import shared
from ems.tables.build import DEFAULT_GRID, Tables, build_tables, coarse
from ems.trips.demand import demand as demand_of_cycle
from tests.studies.conftest import TRIP

GRID = coarse(DEFAULT_GRID._replace(free_points=6, torque_points=5, inner_points=4, capacity=12))


@pytest.fixture(autouse=True)
def counted(monkeypatch):
    """How often tables are really built."""
    built = []
    monkeypatch.setattr(shared, "_kept", type(shared._kept)())
    monkeypatch.setattr(shared, "build_tables", lambda *given: built.append(given) or build_tables(*given))
    return built


def both(*changes: str, layout: str = "three-clutch") -> tuple[Tables, Tables]:
    """Shared and own tables of a layout with changes."""
    loaded = ems.load_layout(layout, overrides=changes)
    plant, demand = build_plant(loaded), demand_of_cycle(ems.load_cycle(str(TRIP)), loaded.vehicle)
    return shared.shared_tables(plant, demand, GRID, np.zeros(0)), build_tables(plant, demand, GRID, np.zeros(0))


def same(one: Tables, other: Tables) -> bool:
    arrays = ("demand_of", "first", "count", "fuel_g_s", "power_W", "choice")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in arrays) and (
        one.plant is other.plant and one.demand is other.demand)


def test_prices_window_and_forbidden_configurations_share(counted):
    ids = [c.id for c in ems.derive(ems.load_layout("three-clutch")).configurations]
    driving = [i for i in ids if not i.startswith("off:")]
    assert same(*both())
    for change in ("prices.start_g=2", "battery.soc_low=0.4", f'forbid=["{driving[0]}"]', f'forbid=["{driving[-1]}", "{driving[3]}"]'):
        assert same(*both(change)), change
    assert len(counted) == 1


def test_what_tables_depend_on_is_built_anew(counted):
    for change in ("vehicle.mass_kg=1901", "gears.first.ratio=2.876", "battery.discharge_limit_kW=59", "battery.soc_target=0.56",
                   "clutches.K1.hold_W=1"):
        before = len(counted)
        assert same(*both(change)) and len(counted) == before + 1, change


def test_every_forbidden_configuration_alone_gives_its_own_bits():
    layout = ems.load_layout("series")
    for configuration in ems.derive(layout).configurations:
        assert same(*both(f'forbid=["{configuration.id}"]', layout="series")), configuration.id


def test_only_a_few_are_kept(counted):
    for mass in (1900, 1910, 1920, 1900):
        both(f"vehicle.mass_kg={mass}", layout="series")
    assert len(counted) == 4 and len(shared._kept) == shared.KEPT


def test_an_optimum_has_the_same_bits_with_them():
    layout = ems.load_layout("series")
    cycle = ems.load_cycle(str(TRIP))
    for charge in (None, (0.6, 0.55)):
        own = ems.optimum(layout, cycle, charge=charge).to_dict()
        one = ems.optimum(dataclasses.replace(layout), cycle, charge=charge, first_tables=shared.shared_tables).to_dict()
        clock = ("compile_s", "tables_s", "solve_s", "certificate_s")
        assert {k: v for k, v in own.items() if k not in clock} == {k: v for k, v in one.items() if k not in clock}
