"""The quantities of a layout that a sensitivity turns: each multiplied by a factor, everything else as it is.

So a rating takes no mass along: the vehicle's mass is a quantity of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from ems.components.engine import Engine
from ems.components.machine import Machine
from ems.components.vehicle import KMH_PER_M_S
from ems.judge.ratios import in_millionths, scaled_ratio
from ems.layout.model import Layout
from ems.layout.without import digested


@dataclass(frozen=True, slots=True)
class Lever:
    """One quantity: its name (the key of the file where it is one), value in words, and the layout with it multiplied."""

    name: str
    value: str
    turned: Callable[[Layout, float], Layout]


def levers(layout: Layout) -> Iterator[Lever]:
    """Every quantity: vehicle, ratios, ratings, battery, auxiliaries, map scales."""
    vehicle, battery, engine = layout.vehicle, layout.battery, layout.engine.engine
    yield Lever("vehicle.mass_kg", f"{vehicle.mass_kg:g} kg", _vehicle("mass_kg"))
    yield Lever("vehicle.road_load_N", f"{vehicle.f0_N:g} N", _vehicle("f0_N"))
    if vehicle.f1_Ns_m:
        yield Lever("vehicle.road_load_N_per_kmh", f"{vehicle.f1_Ns_m / KMH_PER_M_S:g} N/(km/h)", _vehicle("f1_Ns_m"))
    yield Lever("vehicle.road_load_N_per_kmh2", f"{vehicle.f2_Ns2_m2 / KMH_PER_M_S**2:g} N/(km/h)2", _vehicle("f2_Ns2_m2"))
    yield Lever("vehicle.auxiliary_W", f"{vehicle.auxiliary_W:g} W", _vehicle("auxiliary_W"))
    for gear in layout.gears:
        yield Lever(f"gears.{gear.name}.ratio", f"{float(gear.ratio):g}", _gear(gear.name))
    for planetary in layout.planetary_sets:
        yield Lever(f"planetary_sets.{planetary.name}.ratio", f"{float(planetary.ratio):g}", _planetary(planetary.name))
    yield Lever("engine.rating_kW", f"{engine.rated_power_W / 1e3:.1f} kW", _engine(lambda e, k: e.scaled(k * e.rated_power_W)))
    for use in layout.machines:
        yield Lever(f"machines.{use.name}.rating_kW", f"{use.machine.rated_power_W / 1e3:.1f} kW",
                    _machine(use.name, lambda m, k: m.scaled(k * m.rated_power_W)))
    yield Lever("battery.capacity_Ah", f"{battery.capacity_As / 3600.0:g} Ah", _battery_capacity)
    yield Lever("battery resistances", "both", _battery_resistance)
    yield Lever("engine map, fuel", "all of it", _engine(lambda e, k: replace(e, fuel_g_s=k * e.fuel_g_s, start_fuel_g=k * e.start_fuel_g)))
    for use in layout.machines:
        yield Lever(f"{use.name} map, losses", "all of it", _machine(use.name, lambda m, k: replace(m, loss_W=k * m.loss_W)))
    yield Lever("mesh losses", "all gear pairs and planetary sets", _meshes)


def _vehicle(field: str) -> Callable[[Layout, float], Layout]:
    def turned(layout: Layout, factor: float) -> Layout:
        value = factor * float(getattr(layout.vehicle, field))
        changes: dict[str, float] = {field: value}
        return digested(replace(layout, vehicle=replace(layout.vehicle, **changes)))  # type: ignore[arg-type]

    return turned


def _gear(name: str) -> Callable[[Layout, float], Layout]:
    return lambda layout, factor: scaled_ratio(layout, name, factor)


def _planetary(name: str) -> Callable[[Layout, float], Layout]:
    def turned(layout: Layout, factor: float) -> Layout:
        sets = tuple(replace(p, ratio=in_millionths(float(p.ratio) * factor)) if p.name == name else p
                     for p in layout.planetary_sets)
        return digested(replace(layout, planetary_sets=sets))

    return turned


def _engine(change: Callable[[Engine, float], Engine]) -> Callable[[Layout, float], Layout]:
    return lambda layout, factor: digested(replace(layout, engine=replace(layout.engine, engine=change(layout.engine.engine, factor))))


def _machine(name: str, change: Callable[[Machine, float], Machine]) -> Callable[[Layout, float], Layout]:
    def turned(layout: Layout, factor: float) -> Layout:
        return digested(replace(layout, machines=tuple(
            replace(use, machine=change(use.machine, factor)) if use.name == name else use for use in layout.machines)))

    return turned


def _battery_capacity(layout: Layout, factor: float) -> Layout:
    return digested(replace(layout, battery=replace(layout.battery, capacity_As=factor * layout.battery.capacity_As)))


def _battery_resistance(layout: Layout, factor: float) -> Layout:
    battery = layout.battery
    return digested(replace(layout, battery=replace(
        battery, resistance_discharge_ohm=factor * battery.resistance_discharge_ohm,
        resistance_charge_ohm=factor * battery.resistance_charge_ohm)))


def _meshes(layout: Layout, factor: float) -> Layout:
    def worse(efficiency: float) -> float:
        return 1.0 - factor * (1.0 - efficiency)

    return digested(replace(layout, gears=tuple(replace(g, efficiency=worse(g.efficiency)) for g in layout.gears),
                            planetary_sets=tuple(replace(p, efficiency=worse(p.efficiency)) for p in layout.planetary_sets)))
