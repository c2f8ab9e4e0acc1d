"""Write the invented maps anew: ``python maps/generate.py [FOLDER]``.

Every CSV file under ``maps/`` comes from this script: published model forms, invented numbers. The same files come out
byte for byte on every run (a test holds that), so whoever changes a number here runs the script and commits both.

Forms, all from memory of the literature, none copied from a data set:

- engine: Willans line, fuel mean effective pressure affine in brake mean effective pressure, with a friction part and
  a slope that depend on speed, a term for knock retard at high load and one for enrichment near full load
  (L. Guzzella and A. Sciarretta, Vehicle Propulsion Systems, chapter on engines; J. B. Heywood, Internal Combustion
  Engine Fundamentals, chapters on friction and performance); turned with fuel cut it drags with the same friction part and
  the pumping of a closed throttle; cold, its fuel factor falls exponentially with temperature, as the viscosity of oil does;
- machine: copper loss with the current of field weakening at limited voltage, resistance rising with
  the square of frequency, iron loss by hysteresis and eddy currents over flux squared, mechanical loss
  by bearings and windage (J. Pyrhonen, T. Jokinen and V. Hrabovcova, Design of Rotating Electrical Machines);
  inverter loss constant, linear and quadratic in current (conduction and switching of a voltage-source inverter);
- battery: open-circuit voltage of the 'combined' form, K0 + K1 z + K2 ln z + K3 ln(1 - z) (G. Plett, Journal of Power
  Sources 134, 2004), resistance rising towards empty when discharged and towards full when charged; over temperature
  the resistance by Arrhenius' law, R = R25 exp(E/k (1/T - 1/T25)), discharge limited to the same fall of voltage,
  charge more strictly, as plating of lithium wants it.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

RAD_S_PER_RPM = math.pi / 30.0
HERE = Path(__file__).resolve().parent


def write(path: Path, source: str, header: str, rows: Iterable[Sequence[str]]) -> None:
    """One CSV file with its source line."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [f"# source: {source}", "# invented: yes", header, *(",".join(row) for row in rows)]
    path.write_bytes(("\n".join(lines) + "\n").encode("utf-8"))


# ------------------------------------------------------------------------------------------------------------ engine

DISPLACEMENT_M3 = 1.5e-3
HEATING_VALUE_J_G = 3600.0 * 8940.0 / 752.0   # petrol-e5 of maps/fuels.toml
ENGINE_SPEEDS_RPM = range(1000, 6001, 250)
ENGINE_TORQUES_NM = range(0, 196, 5)


CLOSED_THROTTLE_BAR = 0.35
"""Pumping of a closed throttle, on top of friction, when the engine is turned with fuel cut."""
BAR_BY_NM = 4.0 * math.pi / DISPLACEMENT_M3 / 1e5
"""Mean effective pressure by torque, four strokes."""
COLD_EXCESS, COLD_SCALE_K, WARM_C = 0.22, 35.0, 85
"""Fuel factor less one at 23 degrees; temperature over which it falls by e; temperature of the warm engine."""


def friction_bar(speed_rpm: float) -> float:
    """Mean effective pressure of friction and pumping, warm."""
    n = speed_rpm / 1000.0
    return 1.17 + 0.06 * n + 0.032 * n * n


def motoring_Nm(speed_rpm: float) -> float:
    """Drag while turned with fuel cut and throttle closed."""
    return (friction_bar(speed_rpm) + CLOSED_THROTTLE_BAR) / BAR_BY_NM


def cold_factor(engine_C: float) -> float:
    """Fuel rate over that of the warm engine; 1 at WARM_C."""
    def excess(at: float) -> float:
        return math.exp(-(at - 23.0) / COLD_SCALE_K)
    return 1.0 + COLD_EXCESS * (excess(engine_C) - excess(WARM_C)) / (1.0 - excess(WARM_C))


def full_load_Nm(speed_rpm: float) -> float:
    """A parabola about 4000 rpm, steeper below than above."""
    x = (speed_rpm - 4000.0) / (3000.0 if speed_rpm < 4000.0 else 3400.0)
    return 191.0 * (1.0 - 0.345 * x * x)


def engine_fuel_g_s(speed_rpm: float, torque_Nm: float) -> float:
    """Fuel rate by the Willans line, with detuning at high load."""
    n = speed_rpm / 1000.0
    slope = 0.4555 - 0.0042 * (n - 2.4) ** 2 / (1.0 + 0.25 * abs(n - 2.4))
    fuel_bar = (BAR_BY_NM * torque_Nm + friction_bar(speed_rpm)) / slope
    load = torque_Nm / full_load_Nm(speed_rpm)
    retard = 0.9 * max(0.0, load - 0.69) ** 2                   # spark retarded against knock
    enrichment = 1.6 * max(0.0, load - 0.88) ** 2 * (1.0 + max(0.0, n - 4.0))
    fuel_W = fuel_bar * (1.0 + retard + enrichment) * 1e5 * DISPLACEMENT_M3 * speed_rpm * RAD_S_PER_RPM / (4 * math.pi)
    return fuel_W / HEATING_VALUE_J_G


def bench_points() -> Iterator[list[str]]:
    """The engine as a bench would see it: uneven speeds and torques up to full load, fuel 0.4 % off at random."""
    draw = Random(1500)
    for speed_rpm in (1000, 1250, 1500, 1750, 2000, 2250, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000):
        for step in range(13):
            n = speed_rpm + (round(draw.uniform(-8.0, 8.0), 1) if 1000 < speed_rpm < 6000 else 0.0)
            torque_Nm = min(4.0 + 15.5 * step + draw.uniform(-2.0, 2.0), full_load_Nm(n) - draw.uniform(0.0, 1.0))
            fuel_g_s = engine_fuel_g_s(n, torque_Nm) * (1.0 + draw.uniform(-0.004, 0.004))
            yield [f"{n:g}", f"{torque_Nm:.2f}", f"{fuel_g_s:.4f}"]
            if torque_Nm > full_load_Nm(n) - 2.0:
                break


def write_engine(folder: Path) -> None:
    form = "generated by maps/generate.py"
    write(folder / "bench-1500.csv", f"{form}: points of dedicated-1500 with uneven speeds and torques and an error of 0.4 %",
          "speed_rpm,torque_Nm,fuel_g_s", bench_points())
    write(folder / "dedicated-1500.csv", f"{form}: Willans line, retard and enrichment at high load",
          "speed_rpm,torque_Nm,fuel_g_s",
          ([f"{n}", f"{t}", f"{engine_fuel_g_s(n, t):.5f}"] for n in ENGINE_SPEEDS_RPM for t in ENGINE_TORQUES_NM))
    write(folder / "dedicated-1500-full-load.csv", f"{form}: two half parabolas", "speed_rpm,full_load_Nm",
          ([f"{n}", f"{full_load_Nm(n):.2f}"] for n in ENGINE_SPEEDS_RPM))
    write(folder / "dedicated-1500-motoring.csv", f"{form}: friction of the Willans line and a closed throttle",
          "speed_rpm,motoring_Nm", ([f"{n}", f"{motoring_Nm(n):.2f}"] for n in range(0, 6001, 250)))
    write(folder / "dedicated-1500-cold.csv", f"{form}: exponential in temperature, 1 when warm", "engine_C,fuel_factor",
          ([f"{t}", f"{cold_factor(t):.4f}"] for t in range(-30, WARM_C + 1, 5)))


# ---------------------------------------------------------------------------------------------------------- machines


SKIN_RPM = 6000.0
"""Speed at which displacement of current doubles the resistance of the windings."""
SALIENCE = 0.7
"""Flux across the magnets at peak torque, by the magnets' own."""


@dataclass(frozen=True)
class MachineDesign:
    """Numbers of one machine; currents are root mean square values of one phase.

    peak_kW, base_rpm, max_rpm, top_Nm : peak power, speed where constant torque ends, highest speed, end of the map
    torque_Nm_A    : torque by current below base speed
    copper_ohm     : resistance of one phase, warm, at low frequency
    weakening_A    : current along the field that cancels the magnets' flux
    hysteresis_W_rpm, eddy_W_rpm2 : iron loss at full flux
    bearing_W_rpm, windage_W_rpm3 : mechanical loss
    inverter_W, inverter_W_A, inverter_W_A2 : inverter, switching at any speed
    """

    peak_kW: float
    base_rpm: int
    max_rpm: int
    top_Nm: float
    torque_Nm_A: float
    copper_ohm: float
    weakening_A: float
    hysteresis_W_rpm: float
    eddy_W_rpm2: float
    bearing_W_rpm: float
    windage_W_rpm3: float
    inverter_W: float
    inverter_W_A: float
    inverter_W_A2: float

    def peak_Nm(self, speed_rpm: float) -> float:
        """Constant torque up to base speed, constant power above."""
        return 1e3 * self.peak_kW / (max(speed_rpm, self.base_rpm) * RAD_S_PER_RPM)

    def torques_Nm(self) -> list[float]:
        """41 torques, symmetric, finer towards zero."""
        half = [round(self.top_Nm * (i / 20.0) ** 1.5, 1) for i in range(21)]
        return [-t for t in half[:0:-1]] + half

    def loss_W(self, speed_rpm: float, torque_Nm: float) -> float:
        """Electrical minus mechanical power while turning forwards."""
        across = SALIENCE * torque_Nm / self.peak_Nm(0.0)                # flux of the load, by the magnets' flux
        ceiling = math.sqrt(1.0 + SALIENCE**2) * self.base_rpm / max(speed_rpm, 1.0)   # flux that the voltage allows
        along = min(1.0, math.sqrt(max(0.0, ceiling**2 - across**2)))    # what weakening leaves of the magnets' flux
        iron_W = (self.hysteresis_W_rpm * speed_rpm + self.eddy_W_rpm2 * speed_rpm**2) * (along**2 + across**2)
        mechanical_W = self.bearing_W_rpm * speed_rpm + self.windage_W_rpm3 * speed_rpm**3
        drag_Nm = (iron_W + mechanical_W) / (speed_rpm * RAD_S_PER_RPM) if speed_rpm > 0 else 0.0
        across_A = (torque_Nm + drag_Nm) / self.torque_Nm_A
        along_A = self.weakening_A * (1.0 - along)
        current_A = math.hypot(across_A, along_A)
        copper_W = 3.0 * self.copper_ohm * (1.0 + (speed_rpm / SKIN_RPM) ** 2) * current_A**2
        inverter_W = self.inverter_W + self.inverter_W_A * current_A + self.inverter_W_A2 * current_A**2
        return iron_W + mechanical_W + copper_W + inverter_W


def design(peak_kW: float, base_rpm: int, max_rpm: int, top_Nm: float) -> MachineDesign:
    """One family: currents, copper and inverter by torque and power, iron and mechanical loss by the root of power."""
    size = math.sqrt(peak_kW / 75.0)
    current_A = 330.0 * peak_kW / 75.0   # at peak torque: all share the battery's voltage
    return MachineDesign(
        peak_kW, base_rpm, max_rpm, top_Nm, torque_Nm_A=top_Nm / current_A,
        copper_ohm=0.0088 * (75.0 / peak_kW) ** 2 * top_Nm / 150.0, weakening_A=0.185 * current_A,
        hysteresis_W_rpm=0.015 * size, eddy_W_rpm2=2.1e-6 * size,
        bearing_W_rpm=0.006 * size, windage_W_rpm3=2.6e-10 * size,
        inverter_W=45.0 * peak_kW / 75.0, inverter_W_A=5.5, inverter_W_A2=1.0e-3 * 75.0 / peak_kW,
    )


MACHINES = {
    "machine-75": design(75.0, 5000, 14000, 145.0),
    "machine-120": design(120.0, 4000, 13000, 290.0),
    "series-90": design(90.0, 4500, 13000, 195.0),
    "series-150": design(150.0, 4500, 14000, 320.0),
    # wound thin, with a rectifier: some 75 % where an alternator works
    "alternator-3": replace(design(3.0, 2500, 16000, 11.5), copper_ohm=1.5, inverter_W=30.0, inverter_W_A=9.0,
                            bearing_W_rpm=0.008),
}
CONTINUOUS_SHARE = 0.55


def write_machine(folder: Path, name: str, machine: MachineDesign) -> None:
    speeds = range(0, machine.max_rpm + 1, 500)
    write(folder / f"{name}.csv",
          "generated by maps/generate.py: copper, iron, mechanical and inverter losses",
          "speed_rpm,torque_Nm,loss_W",
          ([f"{n}", f"{t:g}", f"{machine.loss_W(n, t):.2f}"] for n in speeds for t in machine.torques_Nm()))
    write(folder / f"{name}-limits.csv", "generated by maps/generate.py: constant torque, then constant power",
          "speed_rpm,peak_Nm,continuous_Nm",
          ([f"{n}", f"{machine.peak_Nm(n):.2f}", f"{CONTINUOUS_SHARE * machine.peak_Nm(n):.2f}"] for n in speeds))


# ----------------------------------------------------------------------------------------------------------- battery


ACTIVATION_J_MOL = 20_000.0
GAS_J_MOL_K = 8.314


def resistance_factor(battery_C: float) -> float:
    """Arrhenius, over that at 25 degrees."""
    return math.exp(ACTIVATION_J_MOL / GAS_J_MOL_K * (1.0 / (battery_C + 273.15) - 1.0 / 298.15))


def heat_factor(battery_C: float) -> float:
    """What a hot battery is held back to: from 45 degrees straight down to 0.4 at 55."""
    return 1.0 - 0.06 * max(0.0, battery_C - 45.0)


def temperature_row(battery_C: int) -> list[str]:
    """Factors of resistance and limits."""
    resistance = resistance_factor(battery_C)
    return [f"{battery_C}", *(f"{x:.4f}" for x in (resistance, min(1.0, 1.0 / resistance) * heat_factor(battery_C),
                                                   min(1.0, resistance**-1.5) * heat_factor(battery_C)))]


def hybrid_row(soc: float) -> list[str]:
    """Open-circuit voltage by the combined form, and the two resistances."""
    voltage_V = 257.8 + 100.0 * soc + 10.0 * math.log(soc) - 4.0 * math.log(1.0 - soc)
    discharge_ohm = 0.125 + 0.055 * math.exp(-6.0 * soc)
    charge_ohm = 0.124 + 0.045 * soc**4
    return [f"{soc:.2f}", f"{voltage_V:.3f}", f"{discharge_ohm:.5f}", f"{charge_ohm:.5f}"]


def chargeable_row(soc: float) -> list[str]:
    """The same forms; a low battery gives less and a full one takes less."""
    voltage_V = 321.0 + 62.0 * soc + 6.0 * math.log(soc) - 3.0 * math.log(1.0 - soc)
    discharge_ohm = 0.080 + 0.030 * math.exp(-6.0 * soc)
    charge_ohm = 0.080 + 0.020 * soc**4
    gives_kW = min(110.0, 20.0 + 90.0 * (soc - 0.05) / 0.35)
    takes_kW = min(60.0, 15.0 + 45.0 * (0.95 - soc) / 0.20)
    return [f"{soc:.2f}", f"{voltage_V:.3f}", f"{discharge_ohm:.5f}", f"{charge_ohm:.5f}", f"{gives_kW:.2f}", f"{takes_kW:.2f}"]


def write_batteries(folder: Path) -> None:
    form, columns = "generated by maps/generate.py", "soc,voltage_V,resistance_discharge_ohm,resistance_charge_ohm"
    socs = [i / 20.0 for i in range(1, 20)]
    write(folder / "hybrid-1k5.csv", f"{form}: combined form of the open-circuit voltage", columns, map(hybrid_row, socs))
    write(folder / "chargeable-18k.csv", f"{form}: combined form of the open-circuit voltage, limits straight in charge",
          f"{columns},discharge_limit_kW,charge_limit_kW", map(chargeable_row, socs))
    write(folder / "lithium-temperature.csv", f"{form}: resistance by Arrhenius' law, limits from it",
          "temperature_C,resistance_factor,discharge_factor,charge_factor", map(temperature_row, range(-20, 56, 5)))


def main(folder: Path = HERE) -> None:
    """Write every generated file below ``folder``."""
    write_engine(folder / "engines")
    write_batteries(folder / "batteries")
    for name, machine in MACHINES.items():
        write_machine(folder / "machines", name, machine)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
