"""What ``tables.npz`` says and proves, with nothing but numpy: bounds computed anew, and trips looked for by a search of its own.

Nothing here imports ems. ``file`` is what ``numpy.load`` gives of ``tables.npz``, or a dictionary with its arrays; their meaning stands
in ``ems/solve/dump.py``.

Source: weak duality - a function that nowhere exceeds stage cost plus next value bounds the optimum (Bertsekas, Dynamic Programming and
Optimal Control, sec. 6.2; from memory). Battery: voltage behind a resistance (Guzzella and Sciarretta, Vehicle Propulsion Systems, ch. 4;
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


def electrochemical(power, x):
    """Power out of the store [W] of a power at the terminals, x = R / V^2; infinite where the battery cannot give it."""
    root = 1 - 4 * power * x
    return np.where(root < 0, np.inf, 2 * power / (1 + np.sqrt(np.maximum(root, 0.0))))


class Battery:
    """Voltage, resistances and limits at any stored energy: V dq = de with V straight over charge, solved for the charge."""

    def __init__(self, file):
        self.file, self.soc, self.volt = file, file["battery_soc"], file["battery_voltage_V"]
        self.knots_J, self.capacity_As = file["battery_energy_J"], float(file["battery_capacity_As"])

    def at(self, energy_J):
        """(state of charge, voltage, resistance giving, resistance taking)."""
        i = np.clip(np.searchsorted(self.knots_J, energy_J, side="right") - 1, 0, self.soc.size - 2)
        slope = (self.volt[i + 1] - self.volt[i]) / (self.soc[i + 1] - self.soc[i])
        charge = (energy_J - self.knots_J[i]) / self.capacity_As
        v = np.sqrt(self.volt[i] ** 2 + 2 * slope * charge)
        soc = self.soc[i] + 2 * charge / (self.volt[i] + v)
        return soc, v, *(np.interp(soc, self.soc, self.file[f"battery_{way}_ohm"]) for way in ("discharge", "charge"))

    def losses(self, energy_J):
        """(R / V^2 giving, taking)."""
        _, v, out, into = self.at(energy_J)
        return out / v**2, into / v**2

    def limits(self, energy_J):
        """(most power given, most power taken) at the terminals [W]."""
        soc, v, out, into = self.at(energy_J)
        current = np.minimum(self.file["battery_discharge_A"], v / (2 * out))
        gives = np.minimum(np.interp(soc, self.soc, self.file["battery_discharge_W"]), v * current - out * current**2)
        amps = self.file["battery_charge_A"]
        return gives, np.minimum(np.interp(soc, self.soc, self.file["battery_charge_W"]), v * amps + into * amps**2)

    def edges(self, cells, with_knots):
        """Edges of so many equal cells of the window [J], the knots of the table among them where they are asked for."""
        low, high = self.file["window_J"]
        inside = self.knots_J[(self.knots_J > low) & (self.knots_J < high)]
        return np.unique(np.concatenate([np.linspace(low, high, cells + 1), inside])) if with_knots else np.linspace(low, high, cells + 1)


def points_of(file, k, n):
    """(fuel of interval k [g], terminal power [W]) of the points of a node; empty where there are none."""
    u = file["demand_of"][k]
    chosen = slice(file["first"][u, n], file["first"][u, n] + file["count"][u, n])
    return file["fuel_g_s"][chosen] * file["burn_s"][k], file["power_W"][chosen]


# -- the affine bound --------------------------------------------------------------------------------------------------


def stage_costs(file, slope, cells):
    """(K, N) rigorous lower bounds of the stage costs, resistance and voltage bounded over each cell, and the least on the edges alone."""
    battery = Battery(file)
    at = battery.edges(cells, with_knots=True)
    edge, on_edges = at - float(file["target_J"]), battery.losses(at)
    _, v, *resistances = battery.at(at)
    least = [np.minimum(r[1:], r[:-1]) / np.maximum(v[1:], v[:-1]) ** 2 for r in resistances]
    K, N = file["demand_of"].size, file["first"].shape[1]
    bounded, sampled = np.full((K, N), np.inf), np.full((K, N), np.inf)
    for k in range(K):
        dt, tilt = file["dt_s"][k], slope[k] - slope[k + 1]
        nearer = np.minimum(tilt * edge[1:], tilt * edge[:-1])
        for n in np.flatnonzero(file["count"][file["demand_of"][k]]):
            fuel, power = points_of(file, k, n)
            power = power[:, None]
            cell = nearer + slope[k + 1] * dt * electrochemical(power, np.where(power > 0, *least))
            spot = tilt * edge + slope[k + 1] * dt * electrochemical(power, np.where(power > 0, *on_edges))
            bounded[k, n], sampled[k, n] = (fuel + cell.min(axis=1)).min(), (fuel + spot.min(axis=1)).min()
    return bounded, sampled


def affine_bound_g(file, slope, stage):
    """Backward over states: the value from rest, less what the energy at hand is worth."""
    node = file["state_node"]
    value, driven = np.zeros(node.size - 1), node[:-1]
    for k in range(stage.shape[0] - 1, -1, -1):
        possible = np.isfinite(file["stored_J"][k])
        paid = np.where(possible, file["fixed_g"] + slope[k] * np.where(possible, file["stored_J"][k], 0.0), np.inf)
        paid = np.where(file["state_open"], paid[node][:, driven], np.inf)
        from_any = (paid + stage[k][driven] + value).min(axis=1)
        value, rest = from_any[:-1], from_any[-1]
    return float(rest - slope[0] * (file["start_J"] - file["target_J"]))


# -- the bound in cells ------------------------------------------------------------------------------------------------


def reached(index, most, least):
    """(first, last) cell that can be reached from the cells ``index`` by falling ``least`` to ``most`` cells; not falling: its own."""
    still = (most == 0) & (least == 0)
    return (np.where(still, index, index + np.floor(-most - 1e-9).astype(int)),
            np.where(still, index, index + 1 + np.floor(-least + 1e-9).astype(int)))


def least_between(values, first, last):
    """Least of values (C,) from cell ``first`` to ``last`` (arrays alike); infinite where all of them are outside the window."""
    padded = np.append(values, np.inf)
    least = np.full(first.shape, np.inf)
    for step in range(int((last - first).max()) + 1):
        at = first + step
        least = np.minimum(least, padded[np.where((at <= last) & (at >= 0) & (at < values.size), at, values.size)])
    return least


class Cells:
    """The window in equal cells: extremes of R / V^2 in each, (least, most) giving and taking, and the most power it gives and takes.

    Resistance and voltage are straight between knots, so extreme at edges and knots; powers are looked at in nine places as well."""

    def __init__(self, file, count):
        battery = Battery(file)
        edge = battery.edges(count, with_knots=False)
        knots = battery.knots_J[(battery.knots_J > edge[0]) & (battery.knots_J < edge[-1])]
        self.at = np.concatenate([edge, knots])
        self.cell = np.clip(np.searchsorted(edge, knots, side="right") - 1, 0, count - 1)
        self.count, self.edge = count, edge - float(file["target_J"])
        self.width = (edge[-1] - edge[0]) / count
        _, v, *resistances = battery.at(self.at)
        (v_low, v_high), self.losses = self._extremes(v), []
        for r in resistances:
            r_low, r_high = self._extremes(r)
            self.losses.append((r_low / v_high**2, r_high / v_low**2))
        inner = edge[:-1, None] + self.width * np.linspace(0, 1, 9)
        self.gives, self.takes = (np.maximum(self._extremes(at)[1], inside.max(axis=1)) * (1 + 1e-9)
                                  for at, inside in zip(battery.limits(self.at), battery.limits(inner), strict=True))

    def _extremes(self, values):
        ends, knots = values[:self.count + 1], values[self.count + 1:]
        low, high = np.minimum(ends[1:], ends[:-1]), np.maximum(ends[1:], ends[:-1])
        np.minimum.at(low, self.cell, knots)
        np.maximum.at(high, self.cell, knots)
        return low, high


def bound_in_cells_g(file, slope, count):
    """Lower bound of every trip: X_k(state, cell) is at most cost to go plus slope_k times energy, for every energy of the cell."""
    cells, index = Cells(file, count), np.arange(count)
    edge, node, opened = cells.edge, file["state_node"], file["state_open"]
    K, S, start = file["demand_of"].size, node.size - 1, float(file["start_J"] - file["target_J"])
    value = np.tile(np.where(edge[1:] >= 0, slope[K] * np.maximum(edge[:-1], 0.0), np.inf), (S, 1))
    for k in range(K - 1, -1, -1):
        tilt = slope[k] - slope[k + 1]
        nearer = np.minimum(tilt * edge[1:], tilt * edge[:-1])
        driven = np.array([_driven(file, cells, k, node[c], value[c], slope[k + 1], nearer, index) for c in range(S)])
        before, value = range(S) if k else (S,), np.full((S, count), np.inf)
        best = np.inf
        for a in before:
            for c in np.flatnonzero(opened[a] & np.isfinite(file["stored_J"][k, node[a], node[:-1]])):
                stored = file["stored_J"][k, node[a], node[c]]
                paid = file["fixed_g"][node[a], node[c]] + slope[k] * stored
                if k:
                    moved = np.full(count, stored / cells.width)
                    value[a] = np.minimum(value[a], paid + least_between(driven[c], *reached(index, moved, moved)))
                else:
                    place = (start - stored - edge[0]) / cells.width
                    if -1e-6 <= place <= count + 1e-6:
                        at = np.array([int(np.floor(place - 1e-9)), int(np.floor(place + 1e-9))]).clip(0, count - 1)
                        best = min(best, paid + driven[c][at].min())
    return best - slope[0] * start


def _driven(file, cells, k, n, value, price, nearer, index):
    """(C,) least of interval k in node n and of what follows, from any energy of each cell."""
    fuel, power = points_of(file, k, n)
    if not power.size:
        return np.full(cells.count, np.inf)
    dt, power = file["dt_s"][k], power[:, None]
    low, high = (electrochemical(power, np.where(power > 0, cells.losses[0][i], cells.losses[1][i])) for i in (0, 1))
    possible = np.isfinite(low) & (power <= cells.gives) & (-power <= cells.takes)
    low = np.where(possible, low, 0.0)
    high = np.where(possible, np.where(np.isfinite(high), high, 2 * power), 0.0)
    after = least_between(value, *reached(index, dt * high / cells.width, dt * low / cells.width))
    return np.where(possible, fuel[:, None] + price * dt * low + nearer + after, np.inf).min(axis=0)


# -- trips -------------------------------------------------------------------------------------------------------------


@dataclass
class Search:
    """Trips from the start, second by second, each with its exact stored energy.

    Of trips in the same state, what is left of ``most`` is one a bin of stored energy, the one of least fuel less ``price_g_J`` times
    energy. ``exact``: none was left out, so the best of them is the optimum.
    half_J : only trips this near to the course of the file's own trip; None: in the whole window
    """

    file: dict
    bins: int = 1000
    most: int = 20_000
    price_g_J: float = 0.0
    half_J: float | None = None
    exact: bool = field(default=True, init=False)

    def best_g(self):
        """Fuel and prices of the best trip that ends with the charge asked for; infinite where none was found."""
        file, self.battery = self.file, Battery(self.file)
        self.low, self.high = (float(e) for e in file["window_J"])
        node, S = file["state_node"], file["state_node"].size - 1
        trips = {S: (np.array([float(file["start_J"])]), np.zeros(1))}
        for k in range(file["demand_of"].size):
            trips = {c: driven for c, arrived in self._changed(k, node, trips).items() if (driven := self._drive(k, node[c], *arrived))}
        return min((float(cost[energy >= float(file["target_J"])].min(initial=np.inf)) for energy, cost in trips.values()), default=np.inf)

    def _changed(self, k, node, trips):
        """Trips by the state that they go into."""
        arrived = {}
        for a, (energy, cost) in trips.items():
            stored = self.file["stored_J"][k, node[a], node[:-1]]
            for c in np.flatnonzero(self.file["state_open"][a] & np.isfinite(stored)):
                arrived.setdefault(c, []).append((energy - stored[c], cost + self.file["fixed_g"][node[a], node[c]]))
        return {c: self._kept(k, *(np.concatenate(part) for part in zip(*parts, strict=True))) for c, parts in arrived.items()}

    def _drive(self, k, n, energy, cost):
        """(energies, costs) after interval k in node n; nothing where there are none."""
        fuel, power = points_of(self.file, k, n)
        if not power.size or not energy.size:
            return ()
        power = power[:, None]
        gives, takes = self.battery.limits(energy)
        after = energy - self.file["dt_s"][k] * electrochemical(power, np.where(power > 0, *self.battery.losses(energy)))
        possible = (power <= gives) & (-power <= takes)
        kept = self._kept(k + 1, after[possible], (cost + fuel[:, None])[possible])
        return kept if kept[0].size else ()

    def _kept(self, k, energy, cost):
        """Those inside the window, and of too many the most promising."""
        inside = (energy >= self.low - 1e-12 * self.high) & (energy <= self.high * (1 + 1e-12))
        base, width = self.low, self.high - self.low
        if self.half_J is not None:
            base, width = float(self.file["optimum_energy_J"][k]) - self.half_J, 2 * self.half_J
            near = (energy >= base) & (energy <= base + width)
            self.exact &= bool(near[inside].all())
            inside &= near
        energy, cost = energy[inside], cost[inside]
        if energy.size <= self.most:
            return energy, cost
        self.exact = False
        place = np.clip(((energy - base) / width * self.bins).astype(int), 0, self.bins - 1)
        order = np.lexsort((cost - self.price_g_J * energy, place))
        first = order[np.append(True, np.diff(place[order]) > 0)]
        return energy[first], cost[first]


def best_trip_g(file, bins=1000):
    """(best trip found, whether it is the optimum for certain): the whole window first, then nearer to the file's own trip."""
    price, (low, high) = float(np.mean(file["costate_g_J"])), file["window_J"]
    best = np.inf
    for share in (None, 0.03, 0.002):
        search = Search(file, bins, price_g_J=price, half_J=None if share is None else share * float(high - low))
        best = min(best, search.best_g())
        if search.exact:
            return best, True
    return best, False
