"""Wrong components are refused: file, line, column, value found and what would have been right, all in one go."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.components.battery import load_battery
from ems.components.engine import load_engine
from ems.components.vehicle import load_vehicle
from ems.errors import InputError

FILES = {
    "engine": ("c.toml", "map.csv", "full.csv", "drag.csv", "cold.csv"), "machine": ("c.toml", "map.csv", "limits.csv"),
    "battery": ("c.toml", "table.csv", "degrees.csv"), "vehicle": ("c.toml",),
}
def test_the_small_files_are_right(small: Any) -> None:
    assert {kind: tuple(files) for kind, files in small.files.items()} == FILES
    for kind in FILES:
        small(kind)


CASES: list[tuple[str, tuple[str, str, str], str]] = [
    # engine map
    ("engine", ("map.csv", "1000,50,0.4\n", ""),
     r"\./map\.csv: speed_rpm 1000, torque_Nm 50: found no row \(a gap in the map\); expected a row for every"),
    ("engine", ("map.csv", "3000,100,2.1\n", ""),
     r"map\.csv: speed_rpm 3000, torque_Nm 100: found no row"),   # a missing corner
    ("engine", ("map.csv", "3000,50,1.2", "1000,100,1.2"),
     r"map\.csv: line 6: found speed_rpm 1000, torque_Nm 100 again \(first in line 4\); expected each point once"),
    ("engine", ("map.csv", "1000,50,0.4", "1000,50,-0.4"),
     r"map\.csv: line 3, column fuel_g_s: found -0\.4; expected a fuel rate of zero or more"),
    ("engine", ("map.csv", "1000,50,0.4", "1000,50,0"),
     r"line 3, column fuel_g_s: found 0; expected more than zero where the engine gives power"),
    # 50 Nm at 1000 rpm are 5236 W; over 42797.87 J/g that is 0.12234 g/s; 0.1 g/s would be 122 %
    ("engine", ("map.csv", "1000,50,0.4", "1000,50,0.1"),
     r"line 3, column fuel_g_s: found 0\.1 \(efficiency 1\.22, above one\); expected more than 0\.1223.*5\.236 kW"),
    ("engine", ("map.csv", "1000,50,0.4", "1000,50,nan"),
     r"line 3, column fuel_g_s: found 'nan'; expected a finite number"),
    ("engine", ("map.csv", "1000,50,0.4", "1000,-50,0.4"),
     r"line 3, column torque_Nm: found -50; expected a torque of zero"),
    ("engine", ("map.csv", "1000,0,0.1\n", "0,0,0.1\n"),
     r"line 2, column speed_rpm: found 0; expected a speed above zero"),
    ("engine", ("map.csv", "1000,0,0.1\n1000,50,0.4\n1000,100,0.7\n3000,0,0.3\n", "1000,50,0.4\n1000,100,0.7\n"),
     r"column torque_Nm: found a lowest torque of 50; expected rows at torque 0"),
    ("engine", ("map.csv", "3000,0,0.3\n3000,50,1.2\n3000,100,2.1\n", ""),
     r"column speed_rpm: found 1000 only; expected at least two different values"),
    # engine full load and speeds
    ("engine", ("full.csv", "3000,100", "3000,120"),
     r"\./full\.csv: line 3, column full_load_Nm: found 120; expected at most 100, the highest torque of \./map\.csv"),
    ("engine", ("full.csv", "3000,100", "3500,100"),
     r"full\.csv: line 3, column speed_rpm: found 3500; expected 1000 to 3000, the range of .*map\.csv"),
    ("engine", ("full.csv", "3000,100", "1000,100"),
     r"full\.csv: line 3, column speed_rpm: found 1000; expected more than 1000 of the row before; sort"),
    ("engine", ("full.csv", "1000,80", "500,80"),      # a curve that begins below the map
     r"full\.csv: line 2, column speed_rpm: found 500; expected 1000 to 3000, the range of .*map\.csv"),
    ("engine", ("full.csv", "1000,80", "1000,-5"), r"column full_load_Nm: found -5; expected more than zero"),
    ("engine", ("full.csv", "1000,80", "1000,0"), r"column full_load_Nm: found 0; expected more than zero"),
    ("engine", ("c.toml", "max_speed_rpm = 3000", "max_speed_rpm = 6000"),
     r"\./c\.toml: max_speed_rpm: found 6000 rpm; expected 1000 to 3000 rpm, the range of .*not extrapolated"),
    ("engine", ("c.toml", "idle_speed_rpm = 1000", "idle_speed_rpm = 3000"),
     r"c\.toml: idle_speed_rpm: found 3000 rpm; expected less than max_speed_rpm, 3000"),
    ("engine", ("c.toml", "petrol-e5", "petrol"),
     r"c\.toml: fuel: found 'petrol'; expected one of .*nearest: petrol-e"),
    ("engine", ("c.toml", "inertia_kgm2 = 0.1", "inertia_kgm2 = nan"),
     r"c\.toml: inertia_kgm2: found nan; expected a finite number \(inertia of crankshaft and flywheel \[kg m2\]\)"),
    ("engine", ("c.toml", "map.csv", "mop.csv"),
     r"c\.toml: map: found 'mop\.csv'; expected the name of an existing CSV"),
    # machine
    ("machine", ("map.csv", "6000,100,3000", "6000,100,-3000"),
     # 62 832 W at the shaft from 59 832 W: 105 %
     r"line 7, column loss_W: found -3000 \(loss -3000 W, efficiency 1\.05, above one\); expected a loss of zero"),
    ("machine", ("map.csv", "6000,-100,3000", "6000,-100,-3000"),
     r"line 5, column loss_W: .*efficiency 1\.048, above one"),
    ("machine", ("map.csv", "0,0,50", "0,0,-50"), r"line 3, column loss_W: .*power out of nothing"),
    ("machine", ("map.csv", "6000,0,300\n", ""), r"speed_rpm 6000, torque_Nm 0: found no row \(a gap"),
    ("machine", ("map.csv", "6000,0,300", "6000,100,300"), r"line 7: found speed_rpm 6000, torque_Nm 100 again"),
    ("machine", ("map.csv", "0,-100,900\n", "0,-90,900\n"),
     r"speed_rpm 0, torque_Nm -100: found no row"),
    ("machine", ("map.csv", "loss_W", "los_W"), r"line 1: found column 'los_W'; .*nearest: loss_W"),
    ("machine", ("map.csv", "speed_rpm,torque_Nm,loss_W\n0,-100,900\n0,0,50\n0,100,900",
                 "speed_rpm,torque_Nm,loss_W\n500,-100,900\n500,0,50\n500,100,900"),
     r"column speed_rpm: found a lowest speed of 500; expected rows at speed 0"),
    ("machine", ("limits.csv", "0,100,60", "0,50,60"),
     r"\./limits\.csv: line 2, column continuous_Nm: found 60; expected at most the peak, 50"),
    ("machine", ("limits.csv", "0,100,60", "0,130,60"),
     r"limits\.csv: line 2, column peak_Nm: found 130; expected at most 100, the highest torque of \./map\.csv"),
    ("machine", ("limits.csv", "6000,50,30", "6000,-50,-60"),
     r"limits\.csv: line 3, column peak_Nm: found -50; expected .*zero"),
    ("machine", ("limits.csv", "6000,50,30", "7000,50,30"),
     r"limits\.csv: line 3, column speed_rpm: found 7000; expected 0 to 6000, the range of"),
    ("machine", ("limits.csv", "0,100,60", "100,100,60"),
     r"limits\.csv: line 2, column speed_rpm: found 100; expected a curve that begins at speed 0"),
    ("machine", ("limits.csv", "0,100,60\n6000,50,30", "6000,50,30\n0,100,60"),
     r"limits\.csv: line 3, column speed_rpm: found 0; expected more than 6000"),
    ("machine", ("c.toml", "6000", "9000"), r"max_speed_rpm: found 9000 rpm; expected 0 to 6000 rpm"),
    ("machine", ("c.toml", "peak_time_s = 20", "peak_time_s = 0"),
     r"peak_time_s: found 0; expected a number greater than 0"),
    # battery
    ("battery", ("c.toml", "soc_low = 0.3", "soc_low = 0.85"),
     r"\./c\.toml: soc_low: found 0\.85 with soc_high 0\.8 \(upside down\); expected a lower end below the upper end"),
    ("battery", ("c.toml", "soc_high = 0.8", "soc_high = 0.95"),
     r"soc_high: found 0\.95; expected 0\.1 to 0\.9, the range of \./table\.csv"),
    ("battery", ("c.toml", "soc_low = 0.3", "soc_low = 0.05"), r"soc_low: found 0\.05; expected 0\.1 to 0\.9"),
    ("battery", ("c.toml", "soc_target = 0.5", "soc_target = 0.2"),
     r"soc_target: found 0\.2; expected a target within the window 0\.3 to 0\.8"),
    ("battery", ("table.csv", "0.5,310", "0.5,-310"), r"line 3, column voltage_V: found -310; expected more than zero"),
    ("battery", ("table.csv", "0.5,310", "0.1,310"),
     r"line 3, column soc: found 0\.1; expected more than 0\.1 of the row before"),
    ("battery", ("table.csv", "0.9,340", "1.2,340"),
     r"line 4, column soc: found 1\.2; expected a state of charge from 0 to 1"),
    ("battery", ("table.csv", "340,0.12,", "340,0,"),
     r"column resistance_discharge_ohm: found 0; expected more than zero"),
    ("battery", ("table.csv", "340,0.12,0.15", "340,0.12,-1"),
     r"column resistance_charge_ohm: found -1; expected more"),
    # V^2/4R at 0.5: 310^2 / (4 * 0.6) = 40.04 kW
    ("battery", ("table.csv", "310,0.13", "310,0.6"),
     r"discharge_limit_kW: found 60 kW at charge 0\.5; expected at most 40\.04 kW, which is V\^2/4R at this charge in the window"),
    ("battery", ("c.toml", "charge_limit_kW = 50", "charge_limit_kW = -50"),
     r"charge_limit_kW: found -50; expected a number greater than 0"),
    ("battery", ("c.toml", "capacity_Ah = 5", "capacity_Ah = 0"),
     r"capacity_Ah: found 0; expected a number greater than 0"),
    ("battery", ("table.csv", "20\n0.5", "-20\n0.5"),
     r"table\.csv: line 2, column discharge_limit_kW: found -20; expected more than zero"),
    ("battery", ("table.csv", "0.12,60", "0.12,61"),
     r"line 3, column discharge_limit_kW: found 61; expected at most 60, discharge_limit_kW of \./c\.toml"),
    ("battery", ("c.toml", "discharge_2s_kW = 70", "discharge_2s_kW = 50"),
     r"discharge_2s_kW: found 50 kW; expected at least the 10 s power discharge_limit_kW, 60 kW"),
    ("battery", ("c.toml", "continuous_kW = 30", "continuous_kW = 70"),
     r"discharge_continuous_kW: found 70 kW; expected at most the 10 s power"),
    ("battery", ("c.toml", "temperature = ", "temperature_C = 60\ntemperature = "),
     r"temperature_C: found 60 C; expected -10 to 45 C, the range of \./degrees\.csv"),
    ("battery", ("c.toml", 'temperature = "degrees.csv"', "temperature_C = 0"),
     r"temperature_C: found 0 C without a curve over temperature; expected 25 C, or the key temperature with a CSV"),
    ("battery", ("degrees.csv", "45,0.6", "45,1.6"),
     r"degrees\.csv: line 4, column resistance_factor: found 1\.6; expected at most 1 of the colder row before"),
    ("battery", ("degrees.csv", "3,0.4", "3,0"), r"line 2, column discharge_factor: found 0; expected more than zero"),
    # cold, fuel cut and free speed of the engine
    ("engine", ("drag.csv", "3000,20", "3000,-20"),
     r"drag\.csv: line 3, column motoring_Nm: found -20; expected zero or more: drag is written as a positive torque"),
    ("engine", ("drag.csv", "3000,20", "2500,20"),
     r"c\.toml: max_speed_rpm: found 3000 rpm; expected 0 to 2500 rpm, the range of \./drag\.csv"),
    ("engine", ("drag.csv", "0,12", "1500,12"), r"idle_speed_rpm: found 1000 rpm; expected 1500 to 3000 rpm"),
    ("engine", ("cold.csv", "20,1.3", "20,1.9"),
     r"cold\.csv: line 3, column fuel_factor: found 1\.9; expected at most 1\.8 of the colder row before"),
    ("engine", ("cold.csv", "80,1\n", "80,0.9\n"), r"column fuel_factor: found 0\.9; expected 1 or more"),
    ("engine", ("cold.csv", "80,1\n", "80,1.1\n"), r"fuel_factor: found 1\.1; expected 1 in the last row, where the engine"),
    ("engine", ("c.toml", 'curve = "cold.csv"', 'curve = "cold.csv"\nstart_C = -30'),
     r"c\.toml: cold\.start_C: found -30 C; expected -20 to 80 C, the range of \./cold\.csv"),
    ("engine", ("c.toml", 'curve = "cold.csv"', 'curve = "warm.csv"'),
     r"c\.toml: cold\.curve: found 'warm\.csv'; expected the name of an existing CSV"),
    ("engine", ("c.toml", "heat_share = 0.25", "heat_share = 1.25"),
     r"cold\.heat_share: found 1\.25; expected a number less than 1 \(share of the fuel's energy"),
    ("engine", ("c.toml", "minimum_on_s = 5", "minimum_on_s = -5"), r"minimum_on_s: found -5; expected a number greater than"),
    ("engine", ("c.toml", "speed_ramp_rpm_s = 1500", "speed_ramp_rpm_s = 0"), r"speed_ramp_rpm_s: found 0; expected a number"),
    ("engine", ("c.toml", "speed_ramp_rpm_s", "speed_ramp_rps_s"), r"not known; .*nearest: speed_ramp_rpm_s\)"),
    ("machine", ("c.toml", "peak_time_s = 20", "peak_time_s = 20\nstandby_W = -1"), r"standby_W: found -1; expected a number"),
    # vehicle
    ("vehicle", ("c.toml", "fade_to_kmh = 4", "fade_to_kmh = 14"),
     r"regeneration\.fade_to_kmh: found 14 km/h; expected at most fade_from_kmh, 12 km/h"),
    ("vehicle", ("c.toml", "weight_share = 0.6", "weight_share = 0.6\n[axles.rear]\nweight_share = 0.6\n[axles.third]"),
     r"axles: found weight_share 1\.2 in all; expected shares of the weight that sum to at most 1"),
    ("vehicle", ("c.toml", "weight_share = 0.6", "weight_shore = 0.6"), r"axles\.front\.weight_shore: .*nearest: weight_share"),
    ("vehicle", ("c.toml", "friction = 0.9", "friction = 0"), r"friction: found 0; expected a number greater than 0"),
    ("vehicle", ("c.toml", "mass_kg = 1900", "mass_kg = 0"), r"mass_kg: found 0; expected a number greater than 0"),
    ("vehicle", ("c.toml", "mass_kg = 1900", "mass_kg = 1e308"),
     r"mass_kg: found 1e\+308; expected a number less than or equal to 1000000"),
    ("vehicle", ("c.toml", "wheel_radius_m = 0.33", "wheel_radius_m = 330"),
     r"wheel_radius_m: found 330; expected a number less than"),
    ("vehicle", ("c.toml", "road_load_N_per_kmh = 0.9", "road_load_N_per_kmh = 9e99"),
     r"road_load_N_per_kmh: found 9E\+99; expected a number less than or equal to 10000"),
    ("vehicle", ("c.toml", "mass_kg = 1900", 'mass_kg = "1900"'),
     r"mass_kg: found '1900'; expected a number \(mass with"),
    ("vehicle", ("c.toml", "mass_kg = 1900", "mas_kg = 1900"),
     r"mas_kg: found a key that is not known; expected one of .*\(nearest: mass_kg\)"),
    ("vehicle", ("c.toml", "wheel_radius_m = 0.33\n", ""),
     r"wheel_radius_m: found nothing; expected rolling radius \[m\]"),
    ("vehicle", ("c.toml", "road_load_N = 175", "rolling_resistance = 0.01"),
     r"rolling_resistance beside road_load_N_per_kmh, .*; expected one way only"),
    ("vehicle", ("c.toml", "road_load_N = 175\n", ""),
     r"road_load_N: found nothing; expected the three road load coeff"),
    ("vehicle", ("c.toml", "road_load_N_per_kmh = 0.9", "road_load_N_per_kmh = -9"),
     r"road_load_N_per_kmh: found -9 \(a road load of -\d+ N at 125 km/h\); expected a road load that pushes at"),
    ("vehicle", ("c.toml", "mass_kg = 1900", "mass_kg = = 1900"),
     r"c\.toml: line 1: found 'mass_kg = = 1900'; expected TOML"),
]


@pytest.mark.parametrize("kind, change, message", CASES, ids=[f"{c[0]}-{i}" for i, c in enumerate(CASES)])
def test_refused(small: Any, kind: str, change: tuple[str, str, str], message: str) -> None:
    with pytest.raises(InputError, match=message):
        small(kind, change)


def test_everything_wrong_at_once(small: Any) -> None:
    """Mistakes of the TOML file, the map and the curve come together, one a line."""
    with pytest.raises(InputError) as caught:
        small("engine", ("map.csv", "1000,50,0.4", "1000,50,-0.4"), ("map.csv", "3000,0,0.3", "3000,50,0.3"),
             ("full.csv", "3000,100", "3000,500"), ("c.toml", "petrol-e5", "petrol-e6"),
             ("c.toml", "max_speed_rpm = 3000", "max_speed_rpm = 9000"))
    places = {(m.where, m.key) for m in caught.value.mistakes}
    assert places >= {("./map.csv", "line 3, column fuel_g_s"), ("./map.csv", "line 6"),
                      ("./map.csv", "speed_rpm 3000, torque_Nm 0"), ("./full.csv", "line 3, column full_load_Nm"),
                      ("./c.toml", "fuel"), ("./c.toml", "max_speed_rpm")}
    assert len(str(caught.value).splitlines()) == len(caught.value.mistakes)


def test_a_value_that_is_no_number_hides_nothing(small: Any) -> None:
    """The other values of its row, the other rows and the other files are judged as well, and it causes no false alarm."""
    with pytest.raises(InputError) as caught:
        small("engine", ("map.csv", "1000,50,0.4", "1000,x,-0.4"), ("map.csv", "3000,0,0.3", "3000,0,-0.3"),
              ("full.csv", "1000,80", "x,-80"), ("cold.csv", "20,1.3", "20,"), ("c.toml", "petrol-e5", "petrol-e6"))
    assert [(m.where, m.key) for m in caught.value.mistakes] == [
        ("./c.toml", "fuel"), ("./map.csv", "line 3, column torque_Nm"), ("./map.csv", "line 3, column fuel_g_s"),
        ("./map.csv", "line 5, column fuel_g_s"), ("./full.csv", "line 2, column speed_rpm"),
        ("./full.csv", "line 2, column full_load_Nm"), ("./cold.csv", "line 3, column fuel_factor"),
    ]


def test_many_mistakes_are_counted(small: Any) -> None:
    """A third of a map of 40 x 40 missing, 534 gaps: twenty shown and the rest counted."""
    rows = "speed_rpm,torque_Nm,fuel_g_s\n" + "".join(
        f"{1000 + 50 * i},{2.5 * j},{1 + i}\n" for i in range(40) for j in range(40) if (i + j) % 3)
    with pytest.raises(InputError, match=r"map\.csv: found 514 more mistakes") as caught:
        small("engine", ("map.csv", small.files["engine"]["map.csv"], rows), ("full.csv", "3000,100", "2900,70"),
              ("c.toml", "max_speed_rpm = 3000", "max_speed_rpm = 2900"))
    assert len(caught.value.mistakes) == 21


def test_rows_that_fill_no_rectangle_are_told_once(small: Any) -> None:
    rows = "speed_rpm,torque_Nm,fuel_g_s\n" + "".join(f"{1000 + 50 * i},{2.5 * i},{1 + i}\n" for i in range(41))
    with pytest.raises(InputError, match=r"map\.csv: found 41 rows at 41 values of speed_rpm and 41 of torque_Nm, which fill no "
                                         r"rectangle; expected .*; or that they are bench points on no grid \(scattered = true"):
        small("engine", ("map.csv", small.files["engine"]["map.csv"], rows))


def test_both_or_neither_loss_column(small: Any) -> None:
    right = small.files["machine"]["map.csv"]
    both = re.sub(r"(?m)$(?=\n)", ",0", right).replace("loss_W,0", "loss_W,electrical_power_W")
    with pytest.raises(InputError, match="header: found loss_W and electrical_power_W; expected one of the two"):
        small("machine", ("map.csv", right, both))
    neither = re.sub(r"(?m),[^,\n]*$", "", right)
    with pytest.raises(InputError, match="header: found neither loss_W nor electrical_power_W; expected one of"):
        small("machine", ("map.csv", right, neither))


def test_an_electrical_power_below_the_shaft_power_is_refused(small: Any) -> None:
    """100 Nm at 6000 rpm are 62 831.85 W; 60 000 W of electricity would be 104.7 %."""
    right = small.files["machine"]["map.csv"]
    shaft_W = {w: w * math.pi / 30 * 100 for w in (0, 6000)}
    rows = [f"{w},{t},{t / 100 * shaft_W[w] + 10}" for w in (0, 6000) for t in (-100, 0, 100)]
    electrical = "speed_rpm,torque_Nm,electrical_power_W\n" + "\n".join(rows) + "\n"
    small("machine", ("map.csv", right, electrical))
    with pytest.raises(InputError, match=r"line 7, column electrical_power_W: found 60000 .*efficiency 1\.047, above"):
        small("machine", ("map.csv", right, electrical.replace(rows[-1], "6000,100,60000")))


def test_overrides_are_told_where_they_were_asked(small: Any) -> None:
    with pytest.raises(InputError, match=r"my\.toml: vehicle\.mass: found a key that is not known.*nearest: mass_kg"):
        small("vehicle", overrides={"mass": 3})
    with pytest.raises(InputError, match=r"my\.toml: battery\.soc_low: found 0\.9 with soc_high 0\.8 \(upside down\)"):
        small("battery", overrides={"soc_low": 0.9})
    with pytest.raises(InputError, match=r"my\.toml: vehicle\.regeneration\.fade_to_kmh: found 20 km/h; expected at most"):
        small("vehicle", overrides={"regeneration": {"fade_to_kmh": 20}})
    with pytest.raises(InputError, match=r"my\.toml: battery\.capacity_Ah: found -1; expected a number greater than 0"):
        small("battery", overrides={"capacity_Ah": -1})


def test_a_table_in_the_layout_is_told_by_its_key(small: Any) -> None:
    with pytest.raises(InputError) as caught:
        load_battery({"table": "no.csv", "capacity": 3}, where="my.toml", key="battery", beside=small.folder)
    keys = {m.key for m in caught.value.mistakes}
    assert {"battery.capacity", "battery.capacity_Ah", "battery.soc_low"} <= keys
    (small.folder / "table.csv").write_text(small.files["battery"]["table.csv"].replace("0.5,310", "0.5,x"))
    table = {"table": "table.csv", "capacity_Ah": 5, "soc_low": 0.3, "soc_high": 0.8, "soc_target": 0.5,
             "discharge_limit_kW": 60, "charge_limit_kW": 50, "discharge_limit_A": 240, "charge_limit_A": 200}
    with pytest.raises(InputError, match=r"table\.csv: line 3, column voltage_V: found 'x'; expected a finite number"):
        load_battery(table, where="my.toml", key="battery", beside=small.folder)


def test_unknown_names_and_kinds_of_words() -> None:
    with pytest.raises(InputError, match=r"my\.toml: engine\.map: found 'dedicated-150'; .*nearest: dedicated-1500"):
        load_engine("dedicated-150", where="my.toml", key="engine.map")
    with pytest.raises(InputError, match=r"my\.toml: vehicle: found 3; expected the name of a vehicle, a path"):
        load_vehicle(3, where="my.toml", key="vehicle")


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_nothing_but_input_errors_whatever_a_file_holds(small: Any, data: st.DataObject) -> None:
    """One to three values of a component's files replaced by odd ones, a line lost or doubled: it loads, or every mistake is told."""
    kind = data.draw(st.sampled_from(sorted(FILES)))
    name = data.draw(st.sampled_from(FILES[kind]))
    lines = small.files[kind][name].splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        i = data.draw(st.integers(0, len(lines) - 1))
        odd = data.draw(st.sampled_from(["0", "-1", "1e9", "nan", "x", "", "1e-12", "50", "3000", "true", "[]"]))
        parts = re.split(r"([,=] ?)", lines[i])
        j = data.draw(st.integers(0, len(parts) - 1))
        lines[i] = data.draw(st.sampled_from(["".join([*parts[:j], odd, *parts[j + 1:]]), "", f"{lines[i]}\n{lines[i]}"]))
    if kind in ("engine", "machine") and data.draw(st.booleans()):
        lines = ["scattered = true", *lines] if name == "c.toml" else lines
    try:
        small(kind, (name, small.files[kind][name], "\n".join(lines) + "\n"))
    except InputError as error:
        assert error.mistakes and all(m.where and m.found and m.expected for m in error.mistakes)


NO_FILES: list[tuple[bytes | int | None, str]] = [
    (b"", "found an empty file"),
    (b"\x00\x01\xff\xfe\x89PNG", "expected a text file in UTF-8"),
    (100_000_000, r"found 100 MB \(not read\); expected a text file of at most 20 MB"),
    (None, "expected (the name of )?an existing"),
]


@pytest.mark.parametrize("kind, name", [(kind, name) for kind, files in FILES.items() for name in files])
@pytest.mark.parametrize("content, message", NO_FILES, ids=["empty", "binary", "100 MB", "missing"])
def test_files_that_are_none(
    small: Any, kind: str, name: str, content: bytes | int | None, message: str
) -> None:
    """Every file of every component: empty, binary, a hundred megabytes (sparse), missing."""
    small(kind)
    path: Path = small.folder / name
    path.unlink()
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif content:
        with path.open("wb") as file:
            file.truncate(content)
    with pytest.raises(InputError, match=message) as caught:
        small.again(kind)
    assert any(name in str(mistake) for mistake in caught.value.mistakes)
