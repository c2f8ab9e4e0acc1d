"""Layouts side by side: least fuel with error bars, where the energy went, and what each can do; what differs is told first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from ems.errors import CycleNotFollowed, InputError, Mistake, Mistakes, RunError
from ems.judge.bars import Bar, litres_per_100km
from ems.judge.capability import Capability, capability
from ems.judge.gap import at_equal_charge_g
from ems.kernels.frontier import Grid
from ems.layout.digest import digest
from ems.layout.model import EngineUse, Layout, MachineUse
from ems.plant.modes import COASTING, FRICTION
from ems.plant.plant import LANES
from ems.solve.clock import Progress
from ems.solve.optimum import Optimum, optimum
from ems.strategies.course import course_of
from ems.strategies.load import load_strategy
from ems.strategies.protocol import Strategy
from ems.strategies.simulate import simulate
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import Cycle

if TYPE_CHECKING:
    import pandas as pd

SAME = ("vehicle", "battery", "engine", "machines")
"""Parts that can be taken from the first layout for all of them."""

GROUPS = ("engine", "machines", "meshes", "clutches", "drag", "hold", "battery", "brakes", "road")
"""Where fuel goes; ``road`` is road load, auxiliaries and what stores took up."""

PARTS = "mass of its parts"
"""What a difference says of the masses of a layout's parts."""

MODES = ("standstill", "electric", "regeneration", "coasting", "series", "power split", "engine alone", "boost", "charging")
"""Modes in few words; ``coasting`` holds friction braking, the last three every gear."""


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """One layout on one cycle; ``found`` is None where the layout cannot follow, and ``why`` says so.

    fuel : least fuel with its bar [l/100 km]
    strategy_l_per_100km : of the strategy asked for, at the charge the optimum ends with; None also where ``strategy_why`` says why
    strategy_soc_end : the charge the strategy itself ended with
    """

    layout: str
    cycle: str
    found: Optimum | None
    fuel: Bar | None
    why: str = ""
    strategy_l_per_100km: float | None = None
    strategy_soc_end: float | None = None
    strategy_why: str = ""

    @property
    def mode_share(self) -> dict[str, float]:
        """Share of time by ``MODES``."""
        out = dict.fromkeys(MODES, 0.0)
        for label, share in (self.found.time_share if self.found else {}).items():
            out[_mode(label)] += share
        return out

    @property
    def grouped_l_per_100km(self) -> dict[str, float]:
        """Losses by ``GROUPS``: those of the parts, and ``road``: what any car needs."""
        losses = self.losses_l_per_100km
        machines = {m.name for m in self.found.layout.machines} if self.found else set()
        out = dict.fromkeys(GROUPS, 0.0)
        for name, litres in losses.items():
            out["machines" if name in machines else name if name in GROUPS else "road"] += litres
        return out

    @property
    def losses_l_per_100km(self) -> dict[str, float]:
        """Every loss, and what stores took up, as fuel; the sum is the fuel (prices, if any, are not burnt)."""
        if self.found is None:
            return {}
        fuel = self.found.layout.engine.engine.fuel
        per_kJ = 1e3 / fuel.heating_value_J_g * 100.0 / fuel.density_g_l / self.found.distance_km
        stores = self.found.stores_kJ
        stored = {"stored": stores["kinetic"] + stores["climb"] - stores["battery"]}
        return {name: kJ * per_kJ for name, kJ in (self.found.losses_kJ | stored).items()}


@dataclass(frozen=True, slots=True, eq=False)
class Versus:
    """Layouts x cycles.

    differs : what is not the same in all layouts: what, and each layout's value      same : parts held equal
    cells : layout by layout, cycle by cycle      ties : cycle and pairs of layouts whose bars overlap
    """

    layouts: tuple[Layout, ...]
    cycles: tuple[Cycle, ...]
    same: tuple[str, ...]
    differs: tuple[dict[str, Any], ...]
    cells: tuple[Cell, ...]
    ties: tuple[dict[str, Any], ...]
    capabilities: Mapping[str, Capability]

    def ranked(self, cycle: str) -> list[Cell]:
        """The cells of a cycle, thriftiest first; those that cannot follow last."""
        return sorted((c for c in self.cells if c.cycle == cycle), key=lambda c: c.fuel.value if c.fuel else float("inf"))

    def to_dict(self) -> dict[str, Any]:
        """The JSON of ``ems versus``."""
        return {"layouts": [layout.name for layout in self.layouts], "cycles": [c.name for c in self.cycles], "same": list(self.same),
                "differs": list(self.differs), "matrix": [self._row(cell) for cell in self.cells], "ties": list(self.ties)}

    def _row(self, cell: Cell) -> dict[str, Any]:
        row: dict[str, Any] = {"layout": cell.layout, "cycle": cell.cycle, "follows": cell.found is not None, "why": cell.why,
                               "capability": self.capabilities[cell.layout].to_dict()}
        if cell.found is None or cell.fuel is None:
            return row
        found = cell.found
        return row | {
            "fuel_l_per_100km": cell.fuel.value, "low": cell.fuel.low, "high": cell.fuel.high, "co2_g_per_km": found.co2_g_per_km,
            "floor_l_per_100km": found.floor_l_per_100km, "strategy_l_per_100km": cell.strategy_l_per_100km,
            "strategy_soc_end": cell.strategy_soc_end, "strategy_why": cell.strategy_why,
            "losses_kJ": found.losses_kJ, "stores_kJ": found.stores_kJ, "energy_residual_percent": found.energy_residual_percent,
            "losses_l_per_100km": cell.losses_l_per_100km, "time_share": found.time_share, "engine_starts": found.engine_starts,
            "configuration_changes": found.configuration_changes, "soc_start": found.soc_start, "soc_end": found.soc_end,
            "gap_percent": found.gap_percent, "table_error_percent": found.table_error_percent, "distance_km": found.distance_km}

    def to_frame(self) -> pd.DataFrame:
        """One row a cell; nested figures with a dot in the name."""
        import pandas as pd

        rows = []
        for cell in self.cells:
            row = self._row(cell)
            ability = row.pop("capability")
            flat = {key: value for key, value in row.items() if not isinstance(value, dict)}
            for key in ("losses_kJ", "losses_l_per_100km", "time_share"):
                flat |= {f"{key}.{name}": value for name, value in row.get(key, {}).items()}
            for charge in ("normal", "low"):
                flat |= {f"{charge}.{name}": value for name, value in ability[charge].items() if name != "climbs"}
            rows.append(flat)
        return pd.DataFrame(rows)


def versus(layouts: Sequence[Layout], cycles: Sequence[Cycle], *, same: Sequence[str] = (), charge: tuple[float, float] | None = None,
           grid: Grid = DEFAULT_GRID, lanes: int = LANES, strategy: str | None = None, progress: Progress | None = None) -> Versus:
    """Every layout on every cycle, on equal terms.

    same : parts (see ``SAME``) that all layouts take from the first
    strategy : a word as of ``--strategy``, driven on every layout and cycle      charge, grid, lanes : as of ``optimum``
    Raises ``InputError`` for parts that cannot be shared, two layouts or cycles of one name, a strategy that is not known.
    """
    say = progress or (lambda _: None)
    mistakes = Mistakes()
    equal = mistakes.tried(lambda: sharing(layouts, same)) or list(layouts)
    _check_names([layout.name for layout in equal], "LAYOUT", mistakes)
    _check_names([cycle.name for cycle in cycles], "--cycle", mistakes)
    drivers = {layout.name: mistakes.tried(partial(load_strategy, strategy, layout)) for layout in equal} if strategy else {}
    mistakes.raise_if_any()
    cells, abilities = [], {}
    for layout in equal:
        say(f"{layout.name}: capability")
        abilities[layout.name] = capability(layout)
        for cycle in cycles:
            cells.append(_driven(_cell(layout, cycle, charge, grid, lanes, say), drivers.get(layout.name), say))
    return Versus(tuple(equal), tuple(cycles), tuple(same), tuple(differences(equal)), tuple(cells), tuple(_ties(cells)), abilities)


def _check_names(names: Sequence[str], where: str, mistakes: Mistakes) -> None:
    for name in sorted({name for name in names if names.count(name) > 1}):
        mistakes.add(where, "", f"'{name}' twice", "each only once, under a name of its own")


def _cell(layout: Layout, cycle: Cycle, charge: tuple[float, float] | None, grid: Grid, lanes: int, say: Progress) -> Cell:
    try:
        found = optimum(layout, cycle, charge=charge, grid=grid, lanes=lanes, progress=lambda w: say(f"{layout.name} on {cycle.name}: {w}"))
    except CycleNotFollowed as error:
        return Cell(layout.name, cycle.name, None, None, str(error))
    return Cell(layout.name, cycle.name, found, litres_per_100km(found))


def _driven(cell: Cell, strategy: Strategy | None, say: Progress) -> Cell:
    """The cell with the strategy's fuel; battery energy it has more or less at the end than the optimum counts at the costate."""
    if strategy is None or cell.found is None:
        return cell
    found = cell.found
    say(f"{cell.layout} on {cell.cycle}: driving the strategy")
    try:
        trip = simulate(found.layout, found.cycle, strategy, charge=(found.soc_start, found.soc_end),
                        course=course_of(found.layout, found.cycle, found.problem.plant))
    except (InputError, RunError) as error:
        return replace(cell, strategy_why=str(error))
    grams = at_equal_charge_g(found, trip.objective_g, float(trip.energy_J[-1]), float(found.layout.battery.energy_J(found.soc_end)))
    return replace(cell, strategy_soc_end=trip.soc_end,
                   strategy_l_per_100km=100.0 * grams / found.layout.engine.engine.fuel.density_g_l / found.distance_km)


def _mode(label: str) -> str:
    """A mode label in few words."""
    if label in (FRICTION, COASTING):
        return "coasting"
    return next(word for word in MODES if word in label)


def _ties(cells: Sequence[Cell]) -> list[dict[str, Any]]:
    """Pairs on the same cycle whose bars overlap."""
    return [{"cycle": a.cycle, "layouts": [a.layout, b.layout]} for i, a in enumerate(cells) for b in cells[i + 1:]
            if a.cycle == b.cycle and a.fuel and b.fuel and a.fuel.overlaps(b.fuel)]


# -- equal terms ---------------------------------------------------------------------------------------------------------------


def sharing(layouts: Sequence[Layout], same: Sequence[str]) -> list[Layout]:
    """The layouts with some parts of the first.

    Machines are shared by name, which every layout must then have.
    Raises ``InputError`` for a part that is not known, or machines of other names.
    """
    unknown = [Mistake("--same", "", f"'{part}'", f"one of {', '.join(SAME)}") for part in same if part not in SAME]
    first = layouts[0]
    names = {m.name for m in first.machines}
    if "machines" in same:
        unknown += [Mistake("--same", "machines", f"{layout.name} has {_listed(layout)}", f"the machines of {first.name}, {_listed(first)}")
                    for layout in layouts if {m.name for m in layout.machines} != names]
    if unknown:
        raise InputError(unknown)
    return [_with_parts_of(first, layout, same) for layout in layouts]


def _listed(layout: Layout) -> str:
    return ", ".join(m.name for m in layout.machines) or "none"


def _with_parts_of(first: Layout, layout: Layout, same: Sequence[str]) -> Layout:
    engine: EngineUse = replace(layout.engine, engine=first.engine.engine) if "engine" in same else layout.engine
    machines: tuple[MachineUse, ...] = layout.machines
    if "machines" in same:
        given = {m.name: m.machine for m in first.machines}
        machines = tuple(replace(use, machine=given[use.name]) for use in layout.machines)
    changed = replace(layout, vehicle=first.vehicle if "vehicle" in same else layout.vehicle,
                      battery=first.battery if "battery" in same else layout.battery, engine=engine, machines=machines)
    return replace(changed, digest=digest(changed))


def differences(layouts: Sequence[Layout]) -> list[dict[str, Any]]:
    """What is not the same in all layouts: ``what`` and ``values`` by layout."""
    rows = [_described(layout) for layout in layouts]
    return [{"what": what, "values": {layout.name: row[what] for layout, row in zip(layouts, rows, strict=True)}}
            for what in rows[0] if len({row[what] for row in rows}) > 1]


def _described(layout: Layout) -> dict[str, str]:
    """A layout in the words a comparison needs; components count by their numbers, not by their names."""
    vehicle, battery, engine = layout.vehicle, layout.battery, layout.engine.engine
    ratings = [f"{use.name} {use.machine.rated_power_W / 1e3:.0f} kW" for use in layout.machines]
    friction = len(layout.clutches) + len(layout.brakes)
    held_W = sum([c.hold_W for c in layout.clutches] + [b.hold_W for b in layout.brakes] + [s.hold_W for s in layout.shifters])
    open_Nm = sum([c.drag_Nm for c in layout.clutches] + [b.drag_Nm for b in layout.brakes] + [w.drag_Nm for w in layout.one_way])
    return {
        "vehicle": vehicle.name, "vehicle mass": f"{vehicle.mass_kg:g} kg", PARTS: f"{sum(layout.parts_kg.values()):g} kg",
        "road load": f"{vehicle.f0_N:.4g} N, {vehicle.f1_Ns_m:.4g} N s/m, {vehicle.f2_Ns2_m2:.4g} N s2/m2",
        "wheel radius": f"{vehicle.wheel_radius_m:g} m", "auxiliaries": f"{vehicle.auxiliary_W:g} W",
        "battery": f"{battery.name}, {_kWh(layout):.2f} kWh, {battery.discharge_limit_W / 1e3:g} kW, digest {digest(battery)[:8]}",
        "battery window": f"{battery.soc_low:g} to {battery.soc_high:g}, target {battery.soc_target:g}",
        "engine": f"{engine.name}, {engine.rated_power_W / 1e3:.0f} kW, best efficiency {100.0 * engine.best_efficiency():.1f} %",
        "machines": ", ".join(ratings) or "none",
        "machine maps": ", ".join(sorted({use.machine.name for use in layout.machines})) or "none",
        "machines in all": f"{sum(use.machine.rated_power_W for use in layout.machines) / 1e3:.0f} kW",
        "clutches and brakes": str(friction), "shifters": str(len(layout.shifters)), "gear pairs": str(len(layout.gears)),
        "planetary sets": str(len(layout.planetary_sets)),
        "pumps": f"{layout.pump_stopped_W:g} W, {layout.pump_running_W:g} W with the engine",
        "hold power in all": f"{held_W:g} W",
        "drag of shafts": f"{sum(p.drag_Nm for p in layout.shaft_properties.values()):g} N m",
        "drag of open clutches": f"{open_Nm:g} N m",
        "prices": f"{layout.start_price_g:g} g a start, {layout.shift_price_g:g} g a change",
    }


def _kWh(layout: Layout) -> float:
    battery = layout.battery
    return float(battery.energy_J(float(battery.soc[-1])) - battery.energy_J(float(battery.soc[0]))) / 3.6e6
