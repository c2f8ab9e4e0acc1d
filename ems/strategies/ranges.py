"""What of a calibration is searched, from where to where, and a calibration with the values found put in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ems.errors import InputError, Mistake, nearest_name
from ems.strategies.calibration import Calibration, changed, parameters

SPANS: dict[str, tuple[float, float]] = {
    # unit: least and most that is looked at, times the value begun from
    "kW": (0.2, 2.5), "km/h": (0.5, 1.6), "s": (0.0, 3.0), "-": (0.0, 3.0), "km/h per kW": (0.0, 3.0)}
LEAST_REACH = {"kW": 12.0, "km/h": 15.0, "s": 12.0, "-": 0.4, "km/h per kW": 1.0}     # the search goes up by so much at least
LEFT_OUT = ("charge.", "regeneration.", "electric.depleting", ".down_kmh")            # parts of names: no sustaining trip tells, or follows


@dataclass(frozen=True, slots=True)
class Range:
    """A parameter that is searched: from low to high, beginning at start."""

    name: str
    start: float
    low: float
    high: float


def ranges(calibration: Calibration, names: Sequence[str] = ()) -> list[Range]:
    """Ranges of the parameters named, or of all that matter on a sustaining trip (the up line of the longest gear acts on nothing).

    Raises ``InputError`` for a name that is not known.
    """
    known = {p.name: p for p in parameters(calibration)}
    wrong = [n for n in names if n not in known]
    if wrong:
        raise InputError([Mistake("--parameter", "", f"'{n}'", f"a parameter: {', '.join(known)}", nearest_name(n, known)) for n in wrong])
    last = {f"gears.{ladder}.{len(getattr(calibration.gears, ladder))}.up_kmh" for ladder in ("electric", "engine")}
    usual = [n for n in known if not any(part in n for part in LEFT_OUT) and n not in last and not _idle(n, calibration)]
    found = []
    for name in names or usual:
        p = known[name]
        low, high = SPANS[p.unit]
        reach = LEAST_REACH[p.unit]
        least, most = low * p.value, max(high * p.value, p.value + reach)
        found.append(Range(name, p.value, max(p.low, min(least, p.value)), min(p.high, most)))
    return found


def _idle(name: str, calibration: Calibration) -> bool:
    """Whether a parameter has nothing to act on in this calibration."""
    gears = calibration.gears
    if name.startswith("series."):
        return not calibration.series.configuration or not gears.engine
    return (name == "gears.load_kmh_per_kW" and len(gears.engine) < 2) or (
        name == "gears.dwell_s" and max(len(gears.engine), len(gears.electric)) < 2)


def hysteresis_of(calibration: Calibration) -> dict[str, float]:
    """How far each down line lies below the up line before it: kept while up lines are tuned."""
    found = {}
    for ladder in ("electric", "engine"):
        rungs = getattr(calibration.gears, ladder)
        for i in range(len(rungs) - 1):
            found[f"gears.{ladder}.{i + 1}"] = rungs[i].up_kmh - rungs[i + 1].down_kmh
    return found


def calibrated(calibration: Calibration, values: Mapping[str, float], hysteresis: Mapping[str, float]) -> Calibration:
    """The calibration with values put in; down lines that are not among them follow their up lines, and stay below them."""
    full = dict(values)
    for ladder in ("electric", "engine"):
        rungs = getattr(calibration.gears, ladder)
        for i in range(len(rungs) - 1):
            up, down = f"gears.{ladder}.{i + 1}.up_kmh", f"gears.{ladder}.{i + 2}.down_kmh"
            if up in full and down not in full:
                full[down] = max(full[up] - hysteresis.get(f"gears.{ladder}.{i + 1}", 0.0), 0.0)
            if up in full or down in full:
                full[down] = min(full.get(down, rungs[i + 1].down_kmh), full.get(up, rungs[i].up_kmh))
    return changed(calibration, full)
