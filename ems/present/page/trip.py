"""What a page shows second by second: a driven trip, the ranked alternatives of every second, and a strategy's ledger if there is one.

Beside a ``result.json`` stand the trip's columns (``trace.csv``; of a comparison also ``ledger.csv`` and the optimum's own ``optimum.csv``)
and ``trip.npz``: everything a page needs that is no column, so that a page can be made without solving.
"""

from __future__ import annotations

import csv
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.errors import InputError, Mistake
from ems.judge.ledger import CAUSES
from ems.judge.ranking import Ranking, ranking, ranking_of
from ems.layout.carried import layout_of, layout_text
from ems.layout.model import Layout
from ems.output import DECIMALS, csv_text
from ems.plant.plant import Plant
from ems.plant.trace import Column, Trace
from ems.trips.cycle import Cycle, Phase
from ems.types import Array
from ems.written import text_of, value_of

if TYPE_CHECKING:
    from ems.judge.compare import Comparison
    from ems.solve.optimum import Optimum

TRIP_FILE, TRACE_FILE, LEDGER_FILE, OPTIMUM_FILE = "trip.npz", "trace.csv", "ledger.csv", "optimum.csv"
PRICE_DECIMALS = 12      # of the ledger, whose thousands of prices add up to the gap
RANKS = ("fuel_g", "worth_g", "change_g", "later_g")


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """What a strategy is held against.

    strategy : its name        optimum : the trip of least fuel that starts and ends with its charge
    price_g : (K,) of each second, causes_g : (K,) each        best_configuration, best_mode : K, best at the strategy's states
    """

    strategy: str
    optimum: Trace
    price_g: Array
    causes_g: Mapping[str, Array]
    best_configuration: list[str]
    best_mode: list[str]


@dataclass(frozen=True, slots=True, eq=False)
class Trip:
    """A trip to be shown."""

    layout: Layout
    cycle: Cycle
    trace: Trace
    ranked: Ranking
    beside: Beside | None = None

    @property
    def time_share(self) -> dict[str, float]:
        """Mode label -> share of the time, largest first; labels that only the optimum beside uses, or only the best choices, last."""
        shares = time_share(self.trace)
        if self.beside is not None:
            shares |= dict.fromkeys([m for m in (*modes(self.beside.optimum), *self.beside.best_mode) if m not in shares], 0.0)
        return shares

    @property
    def fuel_g(self) -> Array:
        """(K,) fuel of each interval, starts included."""
        return interval_fuel_g(self.trace)


def trip_of(found: Optimum) -> Trip:
    """The trip of an optimum."""
    return Trip(found.layout, found.cycle, as_written(found.trace), ranking(found))


def trip_of_comparison(found: Comparison) -> Trip:
    """The strategy's trip, the optimum beside it."""
    causes_g = {name: np.round(grams, PRICE_DECIMALS) for name, grams in found.ledger.causes_g.items()}
    beside = Beside(found.strategy, as_written(found.optimum.trace), np.round(found.ledger.price_g, PRICE_DECIMALS), causes_g,
                    [str(c) for c in found.best_trace.columns["configuration"]], modes(found.best_trace))
    return Trip(found.layout, found.cycle, as_written(found.trace), ranking_of(found.ledger.problem, found.ledger.bound, found.trace),
                beside)


def comparison_csv(found: Comparison) -> dict[str, str]:
    """File -> its text, of the files that hold a comparison's rows."""
    return {LEDGER_FILE: csv_text(found.to_frame(), decimals=PRICE_DECIMALS), TRACE_FILE: csv_text(found.trace.to_frame()),
            OPTIMUM_FILE: csv_text(found.optimum.trace.to_frame())}


def as_written(trace: Trace) -> Trace:
    """The trace with the numbers that its CSV holds, so that a page is the same from memory and from a folder."""
    columns = {name: np.round(v, DECIMALS) if isinstance(v, np.ndarray) and v.dtype.kind == "f" else v for name, v in trace.columns.items()}
    return replace(trace, columns=columns)


def modes(trace: Trace) -> list[str]:
    """Mode label of each interval."""
    return [str(m) for m in trace.columns["mode"]]


def time_share(trace: Trace) -> dict[str, float]:
    """Mode label -> share of the time, largest first."""
    names, dt = np.array(modes(trace)), trace.demand.dt_s
    shares = {str(label): float(dt[names == label].sum() / dt.sum()) for label in dict.fromkeys(names.tolist())}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def interval_fuel_g(trace: Trace) -> Array:
    """(K,) fuel of each interval, starts included."""
    grams: Array = np.asarray(trace.columns["fuel_g_s"], float) * trace.demand.dt_s + np.asarray(trace.columns["transition_fuel_g"], float)
    return grams


# ------------------------------------------------------------------------------------------------------------ kept in a folder


def keep(trip: Trip, path: Path) -> None:
    """Write ``trip.npz``.

    node (K,), choice (K, 3 + I) : as in ``Trace``      chosen (K,), fuel_g, worth_g, change_g, later_g (K, C) : as in ``Ranking``
    account : losses and stores [kJ] as JSON text      optimum_node, optimum_choice, optimum_account : of the optimum beside a strategy
    layout, cycle : what was solved, as ``ems.written.text_of`` writes it; warnings, which name files of the machine, left out
    """
    inputs = {"layout": layout_text(trip.layout), "cycle": text_of(replace(trip.cycle, warnings=()))}
    arrays: dict[str, Any] = {**{name: np.array(text) for name, text in inputs.items()}, **_kept(trip.trace, ""),
                              "chosen": trip.ranked.chosen, **{name: getattr(trip.ranked, name) for name in RANKS}}
    if trip.beside is not None:
        arrays |= _kept(trip.beside.optimum, "optimum_")
    np.savez_compressed(path, allow_pickle=False, **arrays)


def _kept(trace: Trace, prefix: str) -> dict[str, Any]:
    account = json.dumps({"losses_kJ": trace.losses_kJ, "stores_kJ": trace.stores_kJ})
    return {f"{prefix}node": trace.node, f"{prefix}choice": trace.choice, f"{prefix}account": np.array(account)}


def carried_by(path: Path) -> tuple[Layout, Cycle] | None:
    """Layout and cycle that a ``trip.npz`` carries; None where it does not, or they are of another version. Raises as ``read_trip``."""
    kept = _arrays(path)
    if not {"layout", "cycle"} <= set(kept):
        return None
    try:
        return layout_of(str(kept["layout"])), value_of(str(kept["cycle"]), (Cycle, Phase))
    except ValueError:
        return None


def read_trip(folder: Path, layout: Layout, cycle: Cycle, lanes: int, strategy: str | None = None) -> Trip:
    """The trip that a folder holds.

    layout, cycle : those it was solved with      lanes : as it was solved with
    strategy : name of the strategy, of a folder of ``ems compare``
    Raises ``InputError`` when a file is missing, damaged, or of a version that derives other configurations.
    """
    from ems.plant.plant import build_plant
    from ems.trips.demand import demand

    kept = _arrays(folder / TRIP_FILE)
    plant, trip = build_plant(layout, lanes=lanes), demand(cycle, layout.vehicle)
    try:
        trace = _trace(folder / TRACE_FILE, plant, trip, kept, "")
        beside = None if strategy is None else _beside(folder, plant, trip, kept, strategy)
        ranked = Ranking(kept["chosen"], *(kept[name] for name in RANKS))
    except (KeyError, ValueError, IndexError, OSError) as error:
        raise _refusal(folder / TRIP_FILE, "files that do not belong together, or of another version of ems") from error
    return Trip(layout, cycle, trace, ranked, beside)


def _arrays(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise _refusal(path, "not there")
    try:
        with np.load(path, allow_pickle=False) as found:
            return dict(found)
    except (OSError, ValueError, zipfile.BadZipFile, EOFError) as error:
        raise _refusal(path, "no file of arrays that could be read") from error


def _refusal(path: Path, found: str) -> InputError:
    return InputError([Mistake(str(path), "", found, "the files that `ems optimum --out` or `ems compare --out` wrote; run it again")])


def _trace(path: Path, plant: Plant, demand: Any, kept: Mapping[str, Any], prefix: str) -> Trace:
    """A trace from its columns; ``ValueError`` where they are not those of the nodes."""
    columns = _columns(path, ("configuration", "mode", *(s.name for s in plant.layout.shifters)))
    node, account = kept[f"{prefix}node"], json.loads(str(kept[f"{prefix}account"]))
    if [plant.configuration(int(n)).id for n in node] != list(columns["configuration"]) or node.size != demand.dt_s.size:
        raise ValueError(path)
    return Trace(plant, demand, node, kept[f"{prefix}choice"], columns, account["losses_kJ"], account["stores_kJ"])


def _columns(path: Path, words: Sequence[str]) -> dict[str, Column]:
    """Columns of a file, to the last bit what was written; ``words`` are no numbers."""
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = list(csv.reader(file))
    out: dict[str, Column] = {}
    for name, values in zip(head, zip(*rows, strict=True), strict=True):
        out[name] = list(values) if name in words else np.array([float(v) if v else np.nan for v in values])
    return out


def _beside(folder: Path, plant: Plant, demand: Any, kept: Mapping[str, Any], strategy: str) -> Beside:
    ledger = _columns(folder / LEDGER_FILE, ("configuration", "mode", "best_configuration", "best_mode"))
    numbers = {name: np.asarray(ledger[f"{name}_g"], float) for name in ("price", *CAUSES)}
    return Beside(strategy, _trace(folder / OPTIMUM_FILE, plant, demand, kept, "optimum_"), numbers["price"],
                  {name: numbers[name] for name in CAUSES}, [str(c) for c in ledger["best_configuration"]],
                  [str(m) for m in ledger["best_mode"]])
