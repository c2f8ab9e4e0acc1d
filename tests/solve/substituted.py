"""A trip put into the equations again, second by second, with plain numpy and scipy from the raw layout file and the components' data.

Source: first law for every second and every shaft; Willis for planetary sets; a voltage behind a resistance for the battery. Nothing here
calls a kernel; `joint_loads`, which does not either, has the balance of every shaft.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from ems.plant.loads import joint_loads

RPM = np.pi / 30.0
CLOSE = {"rtol": 1e-7, "atol": 1e-6}        # kW


def substituted(found, data) -> None:
    """Every second of an optimum's trip fulfils the equations; ``data`` is the raw content of its layout, without ``based_on``."""
    c = {name: np.asarray(values) for name, values in found.trace.columns.items()}
    every_second(found, c)
    maps(found, c)
    battery(found, c)
    for name in np.unique(c["configuration"]):
        rows = np.flatnonzero(c["configuration"] == name)
        shafts = Shafts(found.layout, data, c, rows)
        shafts.follow(c, rows, found.trace.demand.speed_m_s[rows] / found.layout.vehicle.wheel_radius_m)
        mechanical(found, c, rows, shafts)


def every_second(found, c) -> None:
    """What fuel and battery give in a second is lost in a component, or in motion and height."""
    dt, heat = found.trace.demand.dt_s, found.problem.plant.heating_value_J_g / 1e3
    given = c["fuel_g_s"] * heat + (c["transition_fuel_g"] * heat + c["battery_energy_start_kJ"] - c["battery_energy_end_kJ"]) / dt
    lost = sum(values for name, values in c.items() if name.startswith("loss_")) + c["auxiliary_kW"]
    climb = found.trace.demand.climb_N * found.trace.demand.speed_m_s / 1e3
    assert np.allclose(given, lost + c["kinetic_power_kW"] + climb, **CLOSE)


def maps(found, c) -> None:
    """Fuel and electrical power by bilinear interpolation of the components' own nodes, machines' maps mirrored."""
    engine = found.layout.engine.engine
    speed, torque = c["engine_speed_rpm"] * RPM, c["engine_torque_Nm"]
    burns = c["fuel_g_s"] > 0
    assert not (burns & np.char.startswith(c["configuration"].astype(str), "off:")).any()
    fuel = RegularGridInterpolator((engine.speed_rad_s, engine.torque_Nm), engine.fuel_g_s)(
        (within(speed[burns], engine.speed_rad_s), within(torque[burns], engine.torque_Nm)))
    assert np.allclose(c["fuel_g_s"][burns], fuel, **CLOSE)
    full = np.interp(speed[burns], engine.limit_speed_rad_s, engine.full_load_Nm)
    assert (torque[burns] <= full * (1 + 1e-6)).all() and (torque[burns] >= -1e-9).all()
    for use in found.layout.machines:
        machine, speed, torque = use.machine, c[f"{use.name}_speed_rpm"] * RPM, c[f"{use.name}_torque_Nm"]
        ahead = np.where(speed < 0, -torque, torque)
        loss = RegularGridInterpolator((machine.speed_rad_s, machine.torque_Nm), machine.loss_W)(
            (within(np.abs(speed), machine.speed_rad_s), within(ahead, machine.torque_Nm)))
        electrical = (speed * torque + loss + machine.standby_W) / 1e3
        assert np.allclose(c[f"{use.name}_electrical_kW"], electrical, **CLOSE)
        peak = np.interp(np.abs(speed), machine.limit_speed_rad_s, machine.peak_Nm)
        assert (np.abs(torque) <= peak * (1 + 1e-6) + 1e-6).all()


def within(values, axis):
    """Rounding errors at the ends of a map taken off, and no more than those."""
    slack = 1e-7 * np.ptp(axis)
    assert (values >= axis[0] - slack).all() and (values <= axis[-1] + slack).all()
    return np.clip(values, axis[0], axis[-1])


def battery(found, c) -> None:
    """Terminal power is what machines, auxiliaries and holding take; stored energy follows from the voltage behind its resistance."""
    cell, dt = found.layout.battery, found.trace.demand.dt_s
    electrical = sum(c[f"{use.name}_electrical_kW"] for use in found.layout.machines)
    assert np.allclose(c["battery_power_kW"], electrical + c["auxiliary_kW"] + c.get("loss_hold_kW", 0.0) + c["free_speed_kW"], **CLOSE)
    energy, power = 1e3 * c["battery_energy_start_kJ"], 1e3 * c["battery_power_kW"]
    start = energy - 1e3 * c["transition_energy_kJ"]
    soc = cell.soc_at(start)
    volt = np.interp(soc, cell.soc, cell.voltage_V)
    ohm = np.where(power > 0, np.interp(soc, cell.soc, cell.resistance_discharge_ohm), np.interp(soc, cell.soc, cell.resistance_charge_ohm))
    current = (volt - np.sqrt(volt**2 - 4 * ohm * power)) / (2 * ohm)
    assert np.allclose(1e3 * c["battery_energy_end_kJ"], start - current * volt * dt, rtol=1e-9, atol=1e-2)
    assert (power <= np.interp(soc, cell.soc, cell.discharge_power_W) * (1 + 1e-9) + 1e-3).all()
    assert (-power <= np.interp(soc, cell.soc, cell.charge_power_W) * (1 + 1e-9) + 1e-3).all()


def ratio_of(table) -> float:
    """Of a gear pair or planetary set, given as such or by tooth numbers."""
    teeth = table.get("teeth")
    if teeth is None:
        return float(table["ratio"])
    return teeth["ring"] / teeth["sun"] if isinstance(teeth, dict) else teeth[1] / teeth[0]


class Shafts:
    """Speeds of all shafts in the seconds of one configuration, and their rates per turn of the wheels, from the raw file."""

    def __init__(self, layout, data, c, rows) -> None:
        self.names, self.data = list(layout.shafts), data
        self.state = {name: c[name][rows[0]] for kind in ("clutches", "brakes", "one_way", "shifters") for name in data.get(kind, {})}
        self.axles = [axle["shaft"] for axle in data["axles"].values()]
        self.wheel_row = self.row(**{self.axles[0]: 1})
        engine_row = self.row(**{data["engine"]["shaft"]: 1})
        stands = c["configuration"][rows[0]].startswith("off:")
        joints = np.array([*self.joints(), *([engine_row] if stands else [])])
        self.system = np.vstack([joints, self.wheel_row])
        if not self.sets(engine_row):
            self.system = np.vstack([self.system, engine_row])
        machines = [self.row(**{use.shaft: 1}) for use in layout.machines]
        self.pushed = np.vstack([*self.joints(), self.wheel_row, *machines, *([] if stands else [engine_row])])
        self.own = {data["engine"]["shaft"]: "engine"} | {use.shaft: use.name for use in layout.machines}

    def row(self, **factors):
        return np.array([float(factors.get(name, 0)) for name in self.names])

    def joints(self):
        """Speeds that gears, sets and what is closed hold together."""
        data = self.data
        for gear in data.get("gears", {}).values():
            yield self.row(**{gear["from"]: 1, gear["to"]: -ratio_of(gear)})
        for planets in data.get("planetary_sets", {}).values():
            ratio = ratio_of(planets)
            yield self.row(**{planets["sun"]: 1, planets["ring"]: ratio, planets["carrier"]: -1 - ratio})
        for other in self.axles[1:]:
            yield self.row(**{self.axles[0]: 1, other: -1})             # the road joins them
        for name, (first, second) in self.pairs().items():
            if self.state[name] == 1.0:
                yield self.row(**{first: 1}) - self.row(**{second: 1})
        for name, shifter in data.get("shifters", {}).items():
            if self.state[name] != "neutral":
                yield self.row(**{shifter["hub"]: 1, shifter["positions"][self.state[name]]: -1})

    def pairs(self):
        """Name -> the two shafts of what can be open; the housing has no column, so no speed."""
        data = self.data
        return ({name: tuple(clutch["joins"]) for name, clutch in data.get("clutches", {}).items()}
                | {name: (brake["holds"], "housing") for name, brake in data.get("brakes", {}).items()}
                | {name: (one["from"], one["to"]) for name, one in data.get("one_way", {}).items()})

    def sets(self, row, system=None) -> bool:
        """Whether what holds together sets a speed, or a difference of speeds."""
        system = self.system if system is None else system
        return bool(np.abs(row - row @ np.linalg.pinv(system) @ system).max() < 1e-9)

    def follow(self, c, rows, wheel) -> None:
        """Engine and machines turn as the wheels and the free engine speed want; what is free to, and only that, differs."""
        at = int(np.flatnonzero((self.system == self.wheel_row).all(axis=1))[0])
        free = [shaft for shaft in self.own if not self.sets(self.row(**{shaft: 1}))]       # machines that nothing sets: taken as they are
        whole = np.vstack([self.system, *(self.row(**{shaft: 1}) for shaft in free)])
        given = np.zeros((whole.shape[0], rows.size))
        given[at] = wheel
        if at < self.system.shape[0] - 1:
            given[at + 1] = c["engine_speed_rpm"][rows] * RPM
        for i, shaft in enumerate(free, self.system.shape[0]):
            given[i] = c[f"{self.own[shaft]}_speed_rpm"][rows] * RPM
        self.speed = np.linalg.pinv(whole) @ given
        self.rate = np.linalg.pinv(whole)[:, at]
        self.turning = whole
        for shaft, source in self.own.items():
            if self.sets(self.row(**{shaft: 1})):
                assert np.allclose(self.speed[self.names.index(shaft)], c[f"{source}_speed_rpm"][rows] * RPM, rtol=1e-9, atol=1e-6), source
        for name, one in self.data.get("one_way", {}).items():
            difference = self.row(**{one["from"]: 1}) - self.row(**{one["to"]: 1})
            if self.sets(difference):
                assert (difference @ self.speed <= 1e-6).all(), name

    def drag_W(self):
        """Drags of shafts, and of what is open, wherever speeds are set; what nothing holds turns along."""
        total = np.zeros(self.speed.shape[1])
        for shaft, table in self.data.get("shafts", {}).items():
            size = np.abs(self.speed[self.names.index(shaft)])
            if self.sets(self.row(**{shaft: 1})):
                total += size * (float(table.get("drag_Nm", 0)) + float(table.get("drag_Nms_rad", 0)) * size)
        for kind in ("clutches", "brakes", "one_way"):
            for name, table in self.data.get(kind, {}).items():
                first, second = self.pairs()[name]
                between = self.row(**{first: 1}) - self.row(**{second: 1})
                if self.state[name] == 0.0 and self.sets(between):
                    total += float(table.get("drag_Nm", 0)) * np.abs(between @ self.speed)
        return total

    def rotors_W(self, layout, acceleration_rad_s2):
        """Power that brings engine, machines and shafts to speed as the wheels accelerate.

        A shaft that turns at a set speed only because the engine stands is left out: an engine that carries no torque gives no hold to
        push against, so in ems such a shaft turns along and is nobody's load.
        """
        inertia = {self.data["engine"]["shaft"]: layout.engine.engine.inertia_kgm2}
        for use in layout.machines:
            inertia[use.shaft] = inertia.get(use.shaft, 0.0) + use.machine.inertia_kgm2
        for shaft, table in self.data.get("shafts", {}).items():
            inertia[shaft] = inertia.get(shaft, 0.0) + float(table.get("inertia_kgm2", 0))
        total = np.zeros(self.speed.shape[1])
        for shaft, kgm2 in inertia.items():
            i = self.names.index(shaft)
            if self.sets(self.row(**{shaft: 1}), self.turning) and self.sets(self.row(**{shaft: 1}), self.pushed):
                total += kgm2 * self.rate[i] * acceleration_rad_s2 * self.speed[i]
        return total


def mechanical(found, c, rows, shafts) -> None:
    """Sources = wheels + brakes + meshes + slip + drag + rotors; and the balance of every shaft, whose meshes lose what the trace says."""
    layout, demand = found.layout, found.trace.demand
    radius = layout.vehicle.wheel_radius_m
    sources = ["engine", *(use.name for use in layout.machines)]
    acceleration = demand.acceleration_m_s2[rows] / radius
    loads = joint_loads(layout, found.problem.plant.configuration(found.trace.node[rows[0]]),
                        np.stack([c[f"{name}_torque_Nm"][rows] for name in sources], axis=1), c["wheel_torque_Nm"][rows],
                        demand.speed_m_s[rows] / radius, found.trace.choice[rows, 0], acceleration)
    scale = 1.0 + np.abs(c["wheel_torque_Nm"][rows]) + np.abs(c["engine_torque_Nm"][rows])
    assert (loads.residual_Nm <= 1e-7 * scale).all()
    given = loads.power_W.sum(axis=2)
    sliding = np.array([joint.efficiency == 1.0 for joint in loads.joints])         # gears without losses too, which give nothing
    meshes, slip = -given[:, ~sliding].sum(axis=1), -given[:, sliding].sum(axis=1)
    assert np.allclose(meshes / 1e3, c["loss_meshes_kW"][rows], **CLOSE) and (meshes >= -1e-6).all()
    taken = 1e3 * (c["wheel_power_kW"] + c["brake_power_kW"])[rows] + meshes + slip
    taken += shafts.drag_W() + shafts.rotors_W(layout, acceleration)
    shaft_kW = sum(c[f"{name}_power_kW"][rows] for name in sources)
    assert np.allclose(shaft_kW, taken / 1e3, **CLOSE)
    assert (slip >= -1e-6).all()
