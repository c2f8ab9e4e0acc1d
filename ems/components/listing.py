"""What ``ems maps`` shows: one row a component, its figures under unit-suffixed keys."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from ems import library
from ems.components import battery, engine, fuel, machine, vehicle
from ems.components.battery import Battery
from ems.components.engine import Engine
from ems.components.fuel import Fuel
from ems.components.machine import Machine
from ems.components.vehicle import KMH_PER_M_S, Vehicle
from ems.quantities import RPM_PER_RAD_S

Component = Engine | Machine | Battery | Vehicle
_LOADERS: dict[library.Kind, Callable[..., Component]] = {
    "engine": engine.load_engine, "machine": machine.load_machine, "battery": battery.load_battery, "vehicle": vehicle.load_vehicle,
}
KINDS: Mapping[str, Callable[..., Component]] = {str(kind): load for kind, load in _LOADERS.items()}
"""Kind of a component -> its loader."""

ROUND_TRIP_W = 20_000.0


def shipped_kinds() -> dict[str, str]:
    """Short name of every shipped component, in lower case -> its kind."""
    return {name.lower(): kind for kind in _LOADERS for name in library.names(kind)}


def shipped_rows() -> list[dict[str, Any]]:
    """Figures of every shipped component, then of every fuel."""
    rows = [row(load(word, where="", key="")) for kind, load in _LOADERS.items() for word in library.names(kind)]
    return rows + [fuel_row(fuel.fuel(name, "", "")) for name in fuel.fuel_names()]


def row(component: Component) -> dict[str, Any]:
    """Figures of one component, plain values rounded to what is meaningful."""
    kind, figures = _FIGURES[type(component)]
    own: dict[str, Any] = figures(component)
    return {"name": component.name, "kind": kind, "title": component.title, **own, "source": component.source,
            "invented": component.invented, "notes": list(getattr(component, "notes", ()))}


def fuel_row(burnt: Fuel) -> dict[str, Any]:
    """Figures of a fuel."""
    return {"name": burnt.name, "kind": "fuel", "title": burnt.title, "heating_value_MJ_kg": round(burnt.heating_value_J_g / 1e3, 2),
            "density_kg_m3": burnt.density_g_l, "co2_g_l": burnt.co2_g_l, "source": burnt.source, "invented": False, "notes": []}


def _engine(e: Engine) -> dict[str, Any]:
    efficiency, speed, torque = e.best_point()
    rated = int(np.argmax(e.limit_speed_rad_s * e.full_load_Nm))
    strongest = int(np.argmax(e.full_load_Nm))
    figures = {
        "rated_kW": round(e.rated_power_W / 1e3, 1), "rated_at_rpm": round(e.limit_speed_rad_s[rated] * RPM_PER_RAD_S),
        "most_torque_Nm": round(float(e.full_load_Nm[strongest]), 1),
        "most_torque_at_rpm": round(e.limit_speed_rad_s[strongest] * RPM_PER_RAD_S),
        "best_fuel_g_kWh": round(3.6e6 / (efficiency * e.fuel.heating_value_J_g), 1), "best_efficiency_percent": round(100 * efficiency, 2),
        "best_at_rpm": round(speed * RPM_PER_RAD_S), "best_at_Nm": round(torque, 1), "fuel": e.fuel.name,
        "idle_rpm": round(e.idle_rad_s * RPM_PER_RAD_S), "max_rpm": round(e.max_rad_s * RPM_PER_RAD_S),
        "idle_fuel_g_s": round(float(e.fuel_rate_g_s(e.idle_rad_s, 0.0)), 4),
        "motoring_drag_at_idle_Nm": _maybe(float(e.motoring_drag_Nm(e.idle_rad_s)), 1),
        "cranking_energy_J": round(e.cranking_energy_J, 1) or None, "mass_kg": e.mass_kg or None,
    }
    if e.cold is not None:
        figures |= {"cold_fuel_factor": round(float(e.cold.factor(e.cold.start_C)), 4), "cold_start_C": e.cold.start_C,
                    "warm_C": e.cold.warm_C}
    return figures


def _machine(m: Machine) -> dict[str, Any]:
    speed, driving, efficiency = machine_field(m)
    best = [np.unravel_index(int(np.nanargmax(np.where(side, efficiency, np.nan))), efficiency.shape)
            for side in (driving > 0.0, driving < 0.0)]
    return {
        "peak_kW": round(m.rated_power_W / 1e3, 1), "peak_torque_Nm": round(float(m.peak_Nm.max()), 1),
        "continuous_kW": round(float(np.max(m.limit_speed_rad_s * m.continuous_Nm)) / 1e3, 1),
        "continuous_torque_Nm": round(float(m.continuous_Nm.max()), 1), "peak_time_s": _maybe(m.peak_time_s, 1),
        "torque_for_60s_Nm": round(float(m.torque_for_Nm(0.0, 60.0)), 1), "max_rpm": round(m.max_rad_s * RPM_PER_RAD_S),
        "best_driving_percent": round(100 * float(efficiency[best[0]]), 2),
        "best_driving_at_rpm": round(float(speed[best[0][0]]) * RPM_PER_RAD_S), "best_driving_at_Nm": round(float(driving[best[0]]), 1),
        "best_generating_percent": round(100 * float(efficiency[best[1]]), 2),
        "loss_at_rest_W": round(float(m.loss_at_W(0.0, 0.0)), 1),
        "drag_loss_at_half_speed_W": round(float(m.loss_at_W(0.5 * m.max_rad_s, 0.0)), 1),
        "standby_W": m.standby_W, "inertia_kgm2": m.inertia_kgm2 or None, "mass_kg": m.mass_kg or None,
    }


def machine_field(m: Machine, count: int = 200) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """(n,) speeds [rad/s] above zero, (n, 2n) torques [N m] between the limits, efficiency there."""
    speed = np.linspace(0.0, m.max_rad_s, count + 1)[1:]
    peak = np.interp(speed, m.limit_speed_rad_s, m.peak_Nm)
    torque = np.linspace(-1.0, 1.0, 2 * count)[None, :] * peak[:, None]
    return speed, torque, m.efficiency(speed[:, None], torque)


def _battery(b: Battery) -> dict[str, Any]:
    voltage, discharge_ohm, charge_ohm = (float(np.interp(b.soc_target, b.soc, y)) for y in (
        b.voltage_V, b.resistance_discharge_ohm, b.resistance_charge_ohm))
    window_J = float(b.energy_J(b.soc_high) - b.energy_J(b.soc_low))
    return {
        "energy_kWh": round(float(b.capacity_As * np.trapezoid(b.voltage_V, b.soc)) / 3.6e6 / float(np.ptp(b.soc)), 3),
        "window_kWh": round(window_J / 3.6e6, 3), "soc_low": b.soc_low, "soc_high": b.soc_high, "soc_target": b.soc_target,
        "voltage_at_target_V": round(voltage, 1), "resistance_discharge_at_target_ohm": round(discharge_ohm, 4),
        "resistance_charge_at_target_ohm": round(charge_ohm, 4),
        "discharge_limit_kW": round(b.discharge_limit_W / 1e3, 1), "charge_limit_kW": round(b.charge_limit_W / 1e3, 1),
        **{f"{way}_{word}_at_target_kW": round(rule(seconds, b.soc_target) / 1e3, 1) for way, rule in (
            ("discharge", b.discharge_for_W), ("charge", b.charge_for_W))
           for word, seconds in (("2s", 2.0), ("10s", 10.0), ("continuous", float("inf")))},
        "round_trip_at_20kW_percent": round(100 * round_trip(b, ROUND_TRIP_W), 2),
        "temperature_C": b.temperature_C, "resistance_factor": b.resistance_factor, "discharge_factor": b.discharge_factor,
        "charge_factor": b.charge_factor, "mass_kg": b.mass_kg or None,
    }


def round_trip(b: Battery, power_W: float) -> float:
    """Energy given over energy taken at the terminals, both at the same power, at the target charge; NaN beyond V^2/4R."""
    voltage, out_ohm, in_ohm = (float(np.interp(b.soc_target, b.soc, y)) for y in (
        b.voltage_V, b.resistance_discharge_ohm, b.resistance_charge_ohm))
    if 4.0 * power_W * out_ohm > voltage**2:
        return float("nan")
    drawn_A = (voltage - np.sqrt(voltage**2 - 4.0 * power_W * out_ohm)) / (2.0 * out_ohm)
    stored_A = (np.sqrt(voltage**2 + 4.0 * power_W * in_ohm) - voltage) / (2.0 * in_ohm)
    return float(stored_A / drawn_A)


def _vehicle(v: Vehicle) -> dict[str, Any]:
    return {
        "mass_kg": v.mass_kg, "test_mass_kg": v.mass_in_test_kg, "auxiliary_W": v.auxiliary_W,
        **{f"road_load_at_{kmh}kmh_N": round(float(v.road_load_N(kmh / KMH_PER_M_S)), 1) for kmh in (50, 100, 130)},
        "power_at_100kmh_kW": round(float(v.road_load_N(100 / KMH_PER_M_S)) * 100 / KMH_PER_M_S / 1e3, 2),
        "recovery_fades_from_kmh": round(v.fade_from_m_s * KMH_PER_M_S, 3), "recovery_ends_at_kmh": round(v.fade_to_m_s * KMH_PER_M_S, 3),
        "friction": v.friction,
        "axles": [{"name": a.name, "weight_share": a.weight_share, "grip_N": _maybe(v.grip_N(a.name), 0),
                   "regeneration_share": a.regeneration_share, "regeneration_m_s2": _maybe(a.regeneration_m_s2, 3)}
                  for a in v.axles],
    }


def _maybe(value: float, digits: int) -> float | None:
    """None for what is not known or not limited."""
    return round(value, digits) if np.isfinite(value) else None


_FIGURES: Mapping[type[Any], tuple[str, Any]] = {
    Engine: ("engine", _engine), Machine: ("machine", _machine), Battery: ("battery", _battery), Vehicle: ("vehicle", _vehicle),
}
