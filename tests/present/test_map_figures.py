"""Pictures of components: drawn where they are told to, showing what the component says."""

from __future__ import annotations

import numpy as np
import pytest

from ems.components.battery import load_battery
from ems.components.engine import load_engine
from ems.components.listing import machine_field
from ems.components.machine import load_machine
from ems.components.vehicle import load_vehicle
from ems.present import map_figures

DRAWN = [
    (map_figures.plot_engine, load_engine, "dedicated-1500", "best 210.8 (39.9 %) at 2500 rpm and 135 N m"),
    (map_figures.plot_machine, load_machine, "machine-75", "turned idle at half its top speed it loses 381 W"),
    (map_figures.plot_battery_voltage, load_battery, "chargeable-18k", "window 0.17 to 0.9"),
    (map_figures.plot_battery_resistance, load_battery, "hybrid-1k5", "Resistance at 25 C"),
    (map_figures.plot_battery_power, load_battery, "chargeable-18k", "it gives 58.6 kW and takes 60.0 kW for 10 s"),
    (map_figures.plot_vehicle, load_vehicle, "hill-taxi", "At 100 km/h 625 N and 17.4 kW"),
]


@pytest.mark.parametrize("plot, loader, name, finding", DRAWN, ids=[d[0].__name__ for d in DRAWN])
def test_axes_are_taken_and_returned_with_the_finding(plot, loader, name, finding):
    from matplotlib.figure import Figure

    component = loader(name, where="t", key="")
    given = Figure().subplots()
    assert plot(component, given) is given and given.has_data()
    assert finding in given.get_title(loc="left")
    assert plot(component).has_data()


def test_limits_drawn_are_the_components(tmp_path):
    """Full load and the drag with fuel cut, at the speeds of the picture's own points."""
    engine = load_engine("dedicated-1500", where="t", key="")
    ax = map_figures.plot_engine(engine)
    lines = {line.get_label(): line.get_xydata() for line in ax.get_lines()}
    for label, curve, sign in (("full load", (engine.limit_speed_rad_s, engine.full_load_Nm), 1.0),
                               ("turned with fuel cut", (engine.motoring_speed_rad_s, engine.motoring_Nm), -1.0)):
        rpm, torque = np.asarray(lines[label]).T
        assert torque == pytest.approx(sign * np.interp(rpm * np.pi / 30, *curve), rel=1e-9)


def test_cold_battery_says_so():
    cold = load_battery("hybrid-1k5", where="t", key="", overrides={"temperature_C": -10})
    assert "Resistance at -10 C, 2.92 times what its file states" in map_figures.plot_battery_resistance(cold).get_title(loc="left")


def test_whole_picture_names_invented_data_and_notes():
    bench = load_engine("bench-1500", where="t", key="")
    fig = map_figures.component_figure(bench)
    assert "(invented data)" in fig.get_suptitle() and "bench points made a grid" in fig.get_supxlabel()
    assert len(map_figures.component_figure(load_battery("hybrid-1k5", where="t", key="")).axes) == 3


def test_machine_field_stays_within_the_limits():
    machine = load_machine("machine-75", where="t", key="")
    speed, torque, efficiency = machine_field(machine, 20)
    peak = np.interp(speed, machine.limit_speed_rad_s, machine.peak_Nm)
    assert np.all(np.abs(torque) <= peak[:, None] * (1 + 1e-12))
    assert np.all((efficiency >= 0) & (efficiency < 1)) and np.isfinite(efficiency).all()
