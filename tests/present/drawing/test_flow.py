"""Power on every path: against hand calculations, and against the trip's own losses and wheel power."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import ems
from ems.configurations import derive
from ems.layout.load import load_layout
from ems.plant.loads import joint_loads
from ems.present.drawing.axes import skeleton
from ems.present.drawing.flow import configuration_overlay, trip_flows
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.placing import place
from ems.present.drawing.stick import LEAST, WIDEST, drawing

SHORT_TRIP = Path(__file__).parents[2] / "data" / "short-trip.csv"


def standing(layout, c, torques, wheel_torque, wheel_rad_s, free=0.0):
    """A trip of one interval at constant speed, only what the flows are made from."""
    one = {f"{name}_torque_Nm": [t] for name, t in torques.items()} | {"wheel_torque_Nm": [wheel_torque]}
    names = [m.name for m in layout.machines]
    one |= {f"{name}_electrical_kW": [0.0] for name in names}
    one |= {f"loss_{name}_kW": [0.0] for name in ("engine", "battery", "brakes", *names)}
    one |= {"auxiliary_kW": [0.3], "fuel_g_s": [0.0], "transition_fuel_g": [0.0]}
    radius = layout.vehicle.wheel_radius_m
    demand = SimpleNamespace(speed_m_s=np.array([wheel_rad_s * radius]), acceleration_m_s2=np.zeros(1), dt_s=np.ones(1))
    plant = SimpleNamespace(layout=layout, configuration=lambda _node: c, heating_value_J_g=42_600.0)
    return SimpleNamespace(plant=plant, demand=demand, node=np.zeros(1, int), choice=np.array([[free]]), columns=one)


@pytest.fixture(scope="module")
def three_clutch():
    layout = load_layout("three-clutch")
    return layout, derive(layout), Geometry(place(skeleton(layout)))


EVEN = 100.0 - 0.2                          # N m into the second gear, drag of the even shaft taken off
OUT = EVEN * 1.4 * 0.985                    # that the second gear gives to the output shaft
DIFF = (OUT - 0.2) * 4.0 * 0.985            # that the final drive gives to the differential
WHEELS = DIFF - 0.3


def test_second_gear_by_hand(three_clutch):
    """Engine 100 N m at 224 rad/s through 1.4 and 4, each at 98.5 %, wheels at 40 rad/s; shafts drag 0.2, 0.2 and 0.3 N m."""
    layout, derivation, g = three_clutch
    c = derivation.find("on:K1+K3")
    flows = trip_flows(g, standing(layout, c, {"engine": 100.0, "mg1": 0.0, "mg2": 0.0}, WHEELS, 40.0))
    power = {key: float(p[0]) for key, p in flows.W.items()}
    assert flows.residual_Nm < 1e-9
    assert (power["clutch:K1"], power["clutch:K3"]) == pytest.approx((22_400.0, 22_400.0))
    assert power["gear:second:from"] == pytest.approx(22_355.2)                                     # 0.2 N m less at 224 rad/s
    assert (power["gear:second:to"], power["gear:final:from"]) == pytest.approx((160.0 * OUT, 160.0 * (OUT - 0.2)))
    assert (power["axle:front"], power["gear:final:to"]) == pytest.approx((40.0 * WHEELS, 40.0 * DIFF))
    assert power["loss:gear:second"] == pytest.approx(0.015 * 22_355.2)
    assert power["gear:third:from"] == pytest.approx(0.0, abs=1e-6)
    assert abs(power["shaft:crank:0"]) == pytest.approx(22_400.0)
    assert abs(power["shaft:diff:0"]) == pytest.approx(40.0 * DIFF)


def test_planetary_set_by_hand():
    """Engine 100 N m on the carrier, rho 2.6 (Willis): 100 / 3.6 on the sun, 260 / 3.6 on the ring, lossless.

    The output shaft drags 0.2 N m and the differential's 0.3, before and behind the final drive of 3.3."""
    layout = load_layout("input-split", overrides=["planetary_sets.split.efficiency=1", "gears.final.efficiency=1"])
    c = derive(layout).find("on:open")
    torque = np.array([[100.0, -100.0 / 3.6, 0.0]])
    loads = joint_loads(layout, c, torque, np.array([3.3 * (260.0 / 3.6 - 0.2) - 0.3]), np.array([50.0]), np.array([250.0]), np.zeros(1))
    on = dict(zip(loads.shafts, loads.torque_Nm[0][[j.name for j in loads.joints].index("split")], strict=True))
    assert (on["crank"], on["rotor-1"], on["out"]) == pytest.approx((-100.0, 100.0 / 3.6, 260.0 / 3.6))
    assert loads.residual_Nm.max() < 1e-9
    assert loads.power_W[0].sum(axis=1) == pytest.approx(np.zeros(len(loads.joints)), abs=1e-6)     # nothing is lost anywhere


def test_wrong_torques_leave_a_residual(three_clutch):
    layout, derivation, _ = three_clutch
    c = derivation.find("on:K1+K3")
    loads = joint_loads(layout, c, np.array([[100.0, 0.0, 0.0]]), np.array([500.0]), np.array([40.0]), np.zeros(1), np.zeros(1))
    assert loads.residual_Nm.max() > 1.0


def test_what_a_configuration_can_carry(three_clutch):
    layout, derivation, g = three_clutch
    shown = configuration_overlay(g, layout, derivation.find("off:K3"))
    assert {"gear:second:from", "gear:final:to", "clutch:K3", "wire:mg1", "axle:front"} <= shown.can
    assert not shown.can & {"gear:first:from", "gear:third:to", "clutch:K1", "clutch:K2", "wire:mg2", "fuel", "shaft:crank:0"}
    assert shown.closed == {"K3"} and shown.positions == {"S1": None}
    assert shown.turns["even"] and not shown.turns["crank"]


def test_the_drawing_stays_still_and_widths_are_power(three_clutch):
    layout, derivation, g = three_clutch
    c = derivation.find("on:K1+K3")
    flows = trip_flows(g, standing(layout, c, {"engine": 100.0, "mg1": 0.0, "mg2": 0.0}, WHEELS, 40.0))
    bare, shown = drawing(g, layout), drawing(g, layout, flows.at(0))
    changes = re.compile(r' (?:stroke-width|data-\w+|marker-mid)="[^"]*"|<title>.*?</title>|<desc>.*?</desc>')
    assert changes.sub("", bare) == changes.sub("", shown)
    root = ET.fromstring(shown)
    flow = {e.attrib["data-flow"]: e for e in root.iter() if "data-flow" in e.attrib}
    band = next(e for e in flow["clutch:K1"] if e.attrib["class"] == "band")
    assert float(band.attrib["stroke-width"]) == pytest.approx(22_400.0 / flows.W_per_px, abs=0.06) == pytest.approx(WIDEST, abs=0.06)
    assert flow["clutch:K1"].attrib["data-direction"] == "forward" and flow["clutch:K2"].attrib["data-direction"] == "none"
    assert float(next(iter(flow["clutch:K2"])).attrib["stroke-width"]) >= LEAST
    parts = {e.attrib["data-part"]: e.attrib for e in root.iter() if "data-part" in e.attrib}
    assert parts["clutch:K1"]["data-state"] == "closed" and parts["clutch:K2"]["data-state"] == "open"
    assert parts["shifter:S1"]["data-position"] == "neutral"


@pytest.mark.parametrize("name", ["three-clutch", "input-split"])
def test_a_trip_closes_path_by_path(name):
    """Mesh losses and wheel power of the paths are those that the trip's own account has."""
    from ems.solve.optimum import optimum

    layout = load_layout(name)
    trace = optimum(layout, ems.load_cycle(str(SHORT_TRIP))).trace
    flows = trip_flows(Geometry(place(skeleton(layout))), trace)
    column = {name: 1e3 * np.asarray(trace.columns[f"{name}_kW"]) for name in ("loss_meshes", "wheel_power", "brake_power")}
    meshes = sum(p for key, p in flows.W.items() if key.startswith(("loss:gear", "loss:set")))
    axles = sum(p for key, p in flows.W.items() if key.startswith("axle"))
    assert flows.residual_Nm < 1e-6
    assert np.allclose(meshes, column["loss_meshes"], atol=1e-6) and meshes.max() > 100.0
    assert np.allclose(axles, column["wheel_power"] + column["brake_power"], atol=1e-6)
