"""A sensible calibration for any layout, derived from its plant alone: no cycle is looked at, nothing is tuned.

The rule. Every configuration is asked what it costs to drive steadily at speeds from 2.5 km/h to the most that can be held, with
accelerations around nothing (normal, 0.45 m/s2, above 50 km/h less, so that their power does not grow), in fuel plus a price of battery
energy: the one at which such driving at speeds up to 120 km/h, each as often as any other, neither drains the battery nor charges it. Then

* *gear ladders*: the sequence of gears, shortest first, of least mean cost over speed, a change costing ``CHANGE_G_S``; the electric
  ladder from configurations without engine, the engine's from those with a fixed ratio to the wheels, while driving. A demand that a
  gear cannot meet costs what it costs in the gear that meets it, and ``SHIFT_DOWN_G_S``: the rules take that gear then. Up and down
  lines lie 3 km/h on either side of the change;
* *series*: below the speed from which a gear of the engine's ladder is cheaper than the best configuration with a free engine speed; a
  launch clutch slips in the gear in which it closes, only until it can;
* *electric limits*: the power above which running the engine is cheaper than not, the median over 20 to 70 km/h, and for its stop the one
  below which it is dearer by more than a start costs, spread over ``RUN_S``; the speed above which it is cheaper even when the car just
  holds its speed;
* *depleting*: where the window reaches far above the charge to be sustained, as that of a battery charged from the mains does, it is
  drained without the engine until that charge is near;
* *engine load*: the share between following the demand and the line of best efficiency that comes nearest to the cheapest load.

Times, hystereses and gains are the defaults of the calibration's models; common practice, no source. Shipped layouts have theirs
frozen in ``shipped/calibrations``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ems import library
from ems.configurations import Kind
from ems.kernels.frontier import Demands
from ems.kernels.plant import COUPLED
from ems.plant.plant import Plant
from ems.strategies.calibration import (
    Calibration,
    ChargeTable,
    ElectricTable,
    EngineTable,
    GearsTable,
    Rung,
    SeriesTable,
    load_calibration,
    per_charge_kW,
    to_toml,
)
from ems.strategies.course import undivided
from ems.strategies.engine_lines import best_line_share
from ems.tables.build import DEFAULT_GRID, axle_least_Nm, coarse
from ems.tables.rows import search
from ems.types import Array, IntArray

PRICES = (1.0, 6.0)         # of battery energy, looked at
USUAL_TOP_KMH = 120.0
SPREAD_M_S2 = 0.45          # standard deviation of accelerations in usual driving; no source
SPREAD_KMH = 50.0           # speed above which it falls as one over speed, so that the power of accelerating does not grow; no source
CHANGE_G_S = 0.03           # by how much a further gear must be better, summed over steps of speed [g/s]
SHIFT_DOWN_G_S = 0.2        # of demands that a gear cannot meet and another gear does, over that gear's cost [g/s]
HALF_HYSTERESIS_KMH = 3.0
RUN_S = 10.0                # over which a start is spread; no source
STEP_KMH = 2.5
TOP_KMH = 160.0
DEPLETED = 0.3              # charge that the window holds above the target, from which on that is there to be drained
DEPLETE_ABOVE, SUSTAIN_BELOW = 0.1, 0.02    # charge above the target at which depleting begins and ends; no source
NOTHING = 1e3               # cost of what is not possible [g/s]


def default_calibration(plant: Plant) -> Calibration:
    """The frozen calibration of a shipped layout in its shipped form, or the one derived."""
    path = frozen_path(plant)
    if path is not None:
        from ems.layout.load import load_layout

        if load_layout(plant.layout.name, where="default calibration").digest == plant.layout.digest:
            return load_calibration(path, path.name)
    return first_calibration(plant)


def frozen_path(plant: Plant) -> Path | None:
    """File of the frozen calibration of a shipped layout."""
    path = library.folder("layout") / "calibrations" / f"{plant.layout.name}.toml"
    return path if path.is_file() else None


def freeze(names: Sequence[str] = ()) -> list[Path]:
    """Write the first calibrations of shipped layouts (all of them when none is named) where ``default_calibration`` finds them."""
    from ems.layout.load import load_layout
    from ems.plant.plant import build_plant

    folder = library.folder("layout") / "calibrations"
    folder.mkdir(exist_ok=True)
    written = []
    for name in names or library.names("layout"):
        path = folder / f"{name}.toml"
        path.write_text(to_toml(first_calibration(build_plant(load_layout(name), lanes=1))), encoding="utf-8")
        written.append(path)
    return written


def first_calibration(plant: Plant) -> Calibration:
    """The calibration that the rule above gives."""
    costs = _Costs(undivided(plant))
    electric = costs.ladder(costs.nodes(Kind.ELECTRIC), costs.usual)
    engaged = costs.ladder(costs.engaged(), costs.driving)
    beside = costs.beside(engaged)
    series_kmh = costs.series_below(engaged, beside) if beside is not None else 0.0
    speed_kmh, power_kW, stop_kW = costs.electric_limits()
    battery = plant.layout.battery
    return Calibration(
        title=f"{plant.layout.title}: first calibration, derived, not tuned",
        layout=plant.layout.name,
        charge=_charge(battery.soc_target, battery.soc_high),
        electric=ElectricTable(speed_kmh=speed_kmh, power_kW=power_kW, power_per_charge_kW=per_charge_kW(power_kW),
                               power_hysteresis_kW=round(power_kW - stop_kW, 1)),
        engine=EngineTable(best_line_share=costs.load_share()),
        series=SeriesTable(configuration="" if beside is None else costs.id(beside), below_kmh=series_kmh),
        gears=GearsTable(electric=electric, engine=engaged))


def _charge(target: float, high: float) -> ChargeTable:
    """The charge to sustain, and from where on to deplete: never, where the window holds little above it."""
    if high - target < DEPLETED:
        return ChargeTable(target=target, deplete_above=1.0, sustain_below=1.0)
    return ChargeTable(target=target, deplete_above=round(target + DEPLETE_ABOVE, 3), sustain_below=round(target + SUSTAIN_BELOW, 3))


class _Costs:
    """Equivalent cost of steady driving on a grid of speed and acceleration; V speeds, A accelerations, N nodes.

    cost : (V, A, N) [g/s]      power_W : (V, A) at the wheels      engine_W : (V, A, N) of the cheapest choice
    """

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        vehicle = plant.layout.vehicle
        self.kmh = np.arange(STEP_KMH, TOP_KMH + 1e-9, STEP_KMH)
        self.accelerations = np.linspace(-1.0, 1.0, 17)
        v = self.kmh[:, None] / 3.6
        mass = vehicle.mass_kg + vehicle.rotating_mass_kg
        self.force = vehicle.f0_N + vehicle.f1_Ns_m * v + vehicle.f2_Ns2_m2 * v**2 + mass * self.accelerations[None, :]
        self.power_W = self.force * v
        spread = SPREAD_M_S2 * np.minimum(SPREAD_KMH / self.kmh, 1.0)[:, None]
        bell = np.exp(-0.5 * (self.accelerations / spread) ** 2)
        self.usual = bell / bell.sum(axis=1, keepdims=True)
        ahead = np.where(self.power_W > 0.0, self.usual, 0.0)
        self.driving = ahead / np.maximum(ahead.sum(axis=1, keepdims=True), 1e-12)
        self.cost, self.engine_W = self._solved()

    def _solved(self) -> tuple[Array, Array]:
        plant, vehicle = self.plant, self.plant.layout.vehicle
        V, A, N = *self.force.shape, len(plant.nodes)
        speed = np.repeat(self.kmh / 3.6, A) / vehicle.wheel_radius_m
        torque = self.force.reshape(-1) * vehicle.wheel_radius_m
        demands = Demands(speed, np.tile(self.accelerations, V) / vehicle.wheel_radius_m, torque, np.full(V * A, vehicle.auxiliary_W),
                          axle_least_Nm(plant, speed, torque))
        row_demand, row_node = np.repeat(np.arange(V * A), N), np.tile(np.arange(N), V * A)
        grid = coarse(DEFAULT_GRID)
        out = search(plant, plant.arrays, demands, row_demand, row_node, np.zeros((V * A, 0)), grid, grid.capacity)
        used = np.arange(grid.capacity)[None, :] < out.count[:, None]
        fuel, P = np.where(used, out.fuel, NOTHING), np.where(used, out.power, 0.0)
        internal = 2.0 * P / (1.0 + np.sqrt(np.maximum(1.0 - 4.0 * P * plant.nominal_x, 0.0)))
        slope = self._balanced(fuel, internal, N) / plant.heating_value_J_g
        engine = plant.layout.engine.engine
        self.start_g = engine.start_fuel_g + slope * (engine.cranking_energy_J + 0.5 * engine.inertia_kgm2 * engine.idle_rad_s**2)
        best = np.argmin(fuel + slope * internal, axis=1)
        rows = np.arange(row_node.size)
        cost = (fuel + slope * internal)[rows, best]
        engine_w = plant.arrays.source_wheel[row_node, 0] * speed[row_demand]
        engine_w = engine_w + plant.arrays.source_free[row_node, 0] * out.choice[rows, best, 0]
        engine_W = np.where(used[rows, best], engine_w * out.choice[rows, best, 2], 0.0)
        return cost.reshape(V, A, N), engine_W.reshape(V, A, N)

    def _balanced(self, fuel: Array, internal: Array, nodes: int) -> float:
        """Price of battery energy (fuel energy per electrochemical energy) at which usual driving neither drains nor charges, by
        bisection; within ``PRICES``."""
        low, high = PRICES
        weight = np.where(self.kmh <= USUAL_TOP_KMH, 1.0, 0.0)[:, None] * self.usual
        for _ in range(16):
            price = 0.5 * (low + high)
            cost = fuel + price / self.plant.heating_value_J_g * internal
            best = np.argmin(cost, axis=1)
            rows = np.arange(best.size)
            at = np.argmin(cost[rows, best].reshape(*weight.shape, nodes), axis=2)
            drawn = np.take_along_axis(internal[rows, best].reshape(*weight.shape, nodes), at[:, :, None], axis=2)[:, :, 0]
            if float(np.sum(weight * drawn)) > 0.0:
                low = price
            else:
                high = price
        return 0.5 * (low + high)

    # -- groups of nodes ---------------------------------------------------------------------------------------------------

    def id(self, node: int) -> str:
        """Id of a node's configuration."""
        return self.plant.configuration(node).id

    def nodes(self, *kinds: Kind) -> list[int]:
        """Nodes of these kinds."""
        return [n for n in range(len(self.plant.nodes)) if self.plant.configuration(n).kind in kinds]

    def engaged(self) -> list[int]:
        """Nodes with the engine at a fixed ratio to the wheels."""
        return [n for n in range(len(self.plant.nodes)) if self.plant.configuration(n).ratio and
                self.plant.arrays.engine_mode[n] == COUPLED]

    def beside(self, engaged: list[Rung]) -> int | None:
        """The cheapest node in which a running engine's speed is free and the wheels are driven; a slipping clutch in the gear in which it
        closes."""
        nodes = self.nodes(Kind.SERIES, Kind.POWER_SPLIT) or self.nodes(Kind.LAUNCH)
        closing = [n for n in nodes if engaged and "~" in self.id(n) and self.id(n).replace("~", "") == engaged[0].configuration]
        nodes = closing or nodes
        mean = [self._mean(n, self.usual).mean() for n in nodes]
        return nodes[int(np.argmin(mean))] if nodes else None

    def _mean(self, node: int, weight: Array) -> Array:
        """(V,) mean cost of a node."""
        mean: Array = np.sum(self.cost[:, :, node] * weight, axis=1)
        return mean

    # -- what the rule derives -----------------------------------------------------------------------------------------------

    def ladder(self, nodes: list[int], weight: Array) -> list[Rung]:
        """Gears of least mean cost over speed, shortest first, by dynamic programming over speed."""
        if not nodes:
            return []
        each = self.cost[:, :, nodes]
        possible = each < NOTHING
        best = np.where(possible.any(axis=2), each.min(axis=2), 0.0)[:, :, None]
        cost = np.sum(np.where(possible, each, best + SHIFT_DOWN_G_S) * weight[:, :, None], axis=1)
        able = (possible.any(axis=2) & (weight > 0.0)).any(axis=1)
        path = _cheapest_path(cost[able], self._longer(nodes))
        kmh = self.kmh[able]
        changes = np.flatnonzero(np.diff(path)) + 1
        lines = [0.5 * (kmh[i - 1] + kmh[i]) for i in changes]
        rungs = []
        for i, start in enumerate([0, *changes]):
            up = lines[i] + HALF_HYSTERESIS_KMH if i < len(lines) else 300.0
            down = max(lines[i - 1] - HALF_HYSTERESIS_KMH, 0.0) if i > 0 else 0.0
            rungs.append(Rung(configuration=self.id(nodes[path[start]]), up_kmh=up, down_kmh=down))
        return rungs

    def _longer(self, nodes: list[int]) -> Array:
        """(n, n) whether a change from one node to another is to a gear that is not shorter: by the fastest source per wheel speed."""
        fastest = np.abs(self.plant.arrays.source_wheel[nodes]).max(axis=1)
        longer: Array = (fastest[None, :] <= fastest[:, None] + 1e-9).astype(float)
        return longer

    def series_below(self, engaged: list[Rung], beside: int) -> float:
        """Speed from which the engine's ladder is cheaper than the node beside it, while driving; a slipping clutch closes as soon as
        it can."""
        if not engaged:
            return 300.0
        if self.plant.configuration(beside).kind is Kind.LAUNCH:
            return 0.0
        ids = {self.id(n): n for n in self.engaged()}
        ladder = np.min([self._mean(ids[r.configuration], self.driving) for r in engaged], axis=0)
        cheaper = ladder < self._mean(beside, self.driving)
        return float(self.kmh[int(np.argmax(cheaper))] - 0.5 * STEP_KMH) if cheaper.any() else 300.0

    def electric_limits(self) -> tuple[float, float, float]:
        """(speed [km/h], power [kW]) above which running the engine is cheaper than not, and the power below which it is dearer by more
        than a start costs, spread over ``RUN_S``."""
        electric, running = self.nodes(Kind.ELECTRIC), [*self.engaged(), *self.nodes(Kind.SERIES, Kind.POWER_SPLIT)]
        if not electric or not running:
            return (0.0, 0.0, 0.0) if running else (300.0, 500.0, 500.0)
        gain = self.cost[:, :, electric].min(axis=2) - self.cost[:, :, running].min(axis=2)
        holding = gain[:, int(np.argmin(np.abs(self.accelerations)))] > 0.0
        speed_kmh = float(self.kmh[int(np.argmax(holding))]) if holding.any() else 300.0
        start_kW, stop_kW = self._power_kW(gain, 0.0), self._power_kW(gain, -self.start_g / RUN_S)
        return speed_kmh, start_kW, min(max(stop_kW, 0.0), start_kW)

    def _power_kW(self, gain: Array, above: float) -> float:
        """Power at the wheels from which a gain is above a limit, the median over usual speeds."""
        usual = (self.kmh >= 20.0) & (self.kmh <= 70.0)
        powers = [self.power_W[v, int(np.argmax(gain[v] > above))] for v in np.flatnonzero(usual) if (gain[v] > above).any()]
        return round(float(np.median(powers)) / 1e3, 1) if powers else 500.0

    def load_share(self) -> float:
        """Share of the line of best efficiency in the cheapest load of the engine, where running it is cheapest."""
        running = [*self.engaged(), *self.nodes(Kind.SERIES, Kind.POWER_SPLIT)]
        if not running:
            return 0.0
        best = np.array(running)[np.argmin(self.cost[:, :, running], axis=2)]
        v, a = np.nonzero((self.cost.min(axis=2) < NOTHING) & (self.power_W > 0.0) & np.isin(np.argmin(self.cost, axis=2), running))
        if v.size == 0:
            return 0.5
        node = best[v, a]
        return round(best_line_share(self.plant, node, self.kmh[v] / 3.6, self.power_W[v, a], self.engine_W[v, a, node]), 2)


def _cheapest_path(cost: Array, allowed: Array) -> IntArray:
    """(V,) index of the cheapest sequence over rows of cost (V, n), each change costing ``CHANGE_G_S`` and only where allowed (n, n)."""
    V, n = cost.shape
    change = np.where(np.eye(n) > 0, 0.0, np.where(allowed > 0, CHANGE_G_S, np.inf))
    value, back = cost[0].copy(), np.zeros((V, n), np.int64)
    for v in range(1, V):
        total = value[:, None] + change
        back[v] = np.argmin(total, axis=0)
        value = total[back[v], np.arange(n)] + cost[v]
    path = np.zeros(V, np.int64)
    path[-1] = int(np.argmin(value))
    for v in range(V - 1, 0, -1):
        path[v - 1] = back[v, path[v]]
    return path
