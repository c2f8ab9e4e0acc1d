"""What every part of a layout is worth: the least fuel without it, minus the least fuel with it.

Two figures a part. *Control forbidden*: it is still there and may not be used; less freedom, so never less fuel. *Part deleted*: its
mass, drag, hold power and inertia are gone too; this may even save fuel, so what the car can still do stands beside it. A clutch or
brake that is not used stays open or closed for good, a shifter in one position, whichever needs less. Differences within the error
bars are ties.

Of several ways of doing without, those that a rough figure puts far above the least are left out. What is solved is solved to a wide gap
first, and to the usual one where the difference does not stand far above that. First tables are shared: forbidding only leaves some out.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.configurations import Configuration, derive
from ems.errors import CycleNotFollowed, InputError, RunError
from ems.judge.bars import Bar, litres_per_100km
from ems.judge.capability import brief
from ems.judge.ratios import NEARLY_RIGHT, best_ratios, rough_g_per_km
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.layout.without import digested, with_one_machine, without_costs, without_friction, without_gear, without_machine
from ems.plant.plant import LANES, Plant
from ems.plant.torque_maps import told_joints
from ems.solve.clock import Progress
from ems.solve.optimum import Optimum, optimum
from ems.solve.steps import USUAL
from ems.tables.build import DEFAULT_GRID
from ems.tables.shared import shared_tables
from ems.trips.cycle import Cycle

if TYPE_CHECKING:
    import pandas as pd

CONTROL, HARDWARE = "control", "hardware"
KINDS = ("clutch", "brake", "shifter", "position", "gear", "machine", "configuration", "machines together")

WIDE_PERCENT = 0.3      # certified gap that is enough at first
CLEAR = 4.0             # times its bar: a difference that stands so far above it needs no smaller one
FAR = 0.02              # a way whose rough figure is so far above the least of all, relative, is not the best one

Allowed = Callable[[Configuration], bool]


@dataclass(frozen=True, slots=True)
class Way:
    """One way of doing without a part.

    how : in words      allowed : which configurations are left; None: all
    layout : the layout to solve instead; None: the same one
    holds : clutch or brake that is held closed; what the file forbids only because holding it there is of no use is then allowed
    """

    how: str
    allowed: Allowed | None = None
    layout: Layout | None = None
    holds: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """A part, or a configuration, and the ways of doing without it: control forbidden, part deleted (none: makes no difference)."""

    name: str
    kind: str
    control: tuple[Way, ...] = ()
    hardware: tuple[Way, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """What a part is worth.

    what : 'control' or 'hardware'      how : the best way of doing without it
    bar : more fuel without it, mean over the cycles [l/100 km]; None where the layout cannot follow without it, and ``why`` says so
    by_cycle : the same cycle by cycle      tie : no difference beyond the bar      used : whether the optimum uses it at all
    ability : what the car can do without the part (see ``brief`` in capability), where it is deleted
    """

    part: str
    kind: str
    what: str
    how: str
    bar: Bar | None
    by_cycle: dict[str, Bar]
    tie: bool
    used: bool
    why: str = ""
    ability: dict[str, float | None] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """As in the JSON of ``ems worth``; nulls where the layout cannot do without the part."""
        bar = {"l_per_100km": self.bar and self.bar.value, "low": self.bar and self.bar.low, "high": self.bar and self.bar.high}
        ability = {f"{what}_without": value for what, value in self.ability.items()}
        return {"part": self.part, "kind": self.kind, "what": self.what, "how": self.how, **bar, "tie": self.tie, "used": self.used,
                "needed": self.bar is None, "why": self.why, **ability,
                "by_cycle": {cycle: asdict(more) for cycle, more in self.by_cycle.items()}}


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """Every part's worth, dearest first within its kind; ``base`` and ``ability`` are those with everything.

    ratios : gear ratios that were found anew, with everything; empty where they were not asked for
    """

    layout: Layout
    base: dict[str, Bar]
    ability: dict[str, float | None]
    rows: tuple[Row, ...]
    solved: int
    ratios: dict[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The JSON of ``ems worth``."""
        return {"layout": self.layout.name, "cycles": list(self.base), "base": {c: asdict(b) for c, b in self.base.items()},
                "ability": self.ability, "ratios": self.ratios, "solved": self.solved, "parts": [row.to_dict() for row in self.rows]}

    def to_frame(self) -> pd.DataFrame:
        """One row a part and kind of figure [l/100 km]."""
        import pandas as pd

        return pd.DataFrame([{k: v for k, v in row.to_dict().items() if k != "by_cycle"} for row in self.rows])


def worth(layout: Layout, cycles: Sequence[Cycle], *, charge: tuple[float, float] | None = None, grid: Grid = DEFAULT_GRID,
          lanes: int = LANES, what: Sequence[str] = (CONTROL, HARDWARE), kinds: Sequence[str] = KINDS, ratios: bool = False,
          progress: Progress | None = None) -> Worth:
    """The worth of every part of the kinds asked for, on one or several cycles.

    what : 'control', 'hardware' or both      charge, grid, lanes : as of ``optimum``
    ratios : gear ratios are found anew with everything and without each deleted part
    Raises ``CycleNotFollowed`` when the layout with everything cannot follow, ``InputError``, ``RunError``.
    """
    say = progress or (lambda _: None)
    fitted = best_ratios(layout, cycles, grid, say) if ratios else layout
    solver = _Solver(fitted, cycles, charge, grid, lanes, ratios, say)
    rows = []
    parts = [part for part in parts_of(fitted, solver.plant) if part.kind in kinds]
    for i, part in enumerate(parts, 1):
        say(f"part {i} of {len(parts)}: without {part.name}")
        rows += [row for row in (solver.row(part, w) for w in what) if row is not None]
    rows.sort(key=lambda r: (KINDS.index(r.kind), -(r.bar.value if r.bar else float("inf"))))
    found = {gear.name: float(gear.ratio) for gear in fitted.gears} if ratios else {}
    return Worth(fitted, solver.base, brief(fitted), tuple(rows), solver.solved, found)


# -- ways of doing without -----------------------------------------------------------------------------------------------------


def parts_of(layout: Layout, plant: Plant) -> Iterator[Part]:
    """Every part of a layout that it could be asked to do without."""
    for clutch in layout.clutches:
        yield _actuator(layout, clutch.name, "clutch")
    for brake in layout.brakes:
        yield _actuator(layout, brake.name, "brake")
    for shifter in layout.shifters:
        words = [f"{shifter.name}={word}" for word, shaft in shifter.positions if shaft is not None]
        yield _fixed(layout, shifter.name, "shifter", [Way(f"always {w}", _engaged(w)) for w in words]
                     + [Way("always neutral", _none_engaged(words))])
        for w in words:
            yield Part(w, "position", (Way("never engaged", _none_engaged([w])),))
    lossy = {joint.name for joint in told_joints(layout)}
    for gear in layout.gears:
        control = (Way("only where it cannot carry load", _unloaded(plant, gear.name)),) if gear.name in lossy else ()
        yield Part(gear.name, "gear", control, (Way("gone", layout=without_gear(layout, gear.name)),))
    for use in layout.machines:
        yield Part(use.name, "machine", (Way("only where it cannot carry torque", _inactive(use.name)),),
                   (Way("gone", layout=without_machine(layout, use.name)),))
    for c in plant.derivation.configurations:
        yield Part(c.id, "configuration", (Way("never used", _not(c.id)),))
    if len(layout.machines) > 1:
        total_kW = sum(m.machine.rated_power_W for m in layout.machines) / 1e3
        ways = tuple(Way(f"one machine of {total_kW:.0f} kW in place of {m.name}", layout=with_one_machine(layout, m.name))
                     for m in layout.machines)
        yield Part(" + ".join(m.name for m in layout.machines), "machines together", (), ways)


def _actuator(layout: Layout, name: str, kind: str) -> Part:
    """A clutch or brake held open or closed; deleted open, what only it reached goes too."""
    part = _fixed(layout, name, kind, [Way("always open", _none_engaged([name])), Way("always closed", _engaged(name), holds=name)])
    gone, lighter = without_friction(layout, name), without_costs(layout, name)
    if not part.hardware and len(gone.shafts) == len(layout.shafts):
        return part
    return replace(part, hardware=(Way("gone", layout=gone), replace(part.control[1], layout=lighter)))


def _fixed(layout: Layout, name: str, kind: str, ways: list[Way]) -> Part:
    """A part held in one state; deleted, it costs nothing either (no figure of its own where it costs nothing now)."""
    lighter = without_costs(layout, name)
    deleted = tuple(replace(way, layout=lighter) for way in ways) if lighter.digest != layout.digest else ()
    return Part(name, kind, tuple(ways), deleted)


def _states(c: Configuration) -> list[set[str]]:
    """What is engaged in each actuator state the configuration stands for."""
    return [set(words.split("+")) for words in (c.state.words, *c.equivalents)]


def _engaged(word: str) -> Allowed:
    return lambda c: any(word in state for state in _states(c))


def _none_engaged(words: Sequence[str]) -> Allowed:
    return lambda c: any(not state & set(words) for state in _states(c))


def _not(identifier: str) -> Allowed:
    return lambda c: c.id != identifier


def _inactive(machine: str) -> Allowed:
    return lambda c: machine not in c.active


def _unloaded(plant: Plant, gear: str) -> Allowed:
    index = [joint.name for joint in told_joints(plant.layout)].index(gear)
    row = 2 + len(plant.layout.machines) + index                # loads of lossy joints stand behind sources and wheels
    loading = {c.id for c, maps in zip(plant.derivation.configurations, plant.maps, strict=True)
               if np.any(maps.matrices[:, row, :2 + len(maps.inner)])}    # inertia and drag alone are no load
    return lambda c: c.id not in loading


# -- solving -------------------------------------------------------------------------------------------------------------------


class _Solver:
    """Optima with everything, and with less; none is solved twice."""

    def __init__(self, layout: Layout, cycles: Sequence[Cycle], charge: tuple[float, float] | None, grid: Grid, lanes: int,
                 ratios: bool, say: Progress) -> None:
        self.layout, self.cycles, self.charge, self.grid, self.lanes, self.say = layout, cycles, charge, grid, lanes, say
        self.ratios = ratios
        self.fitted: dict[str, Layout] = {}
        self.solved = 0
        self.known: dict[tuple[str, str], Bar | str] = {}
        self.found = {cycle.name: self._optimum(layout, cycle) for cycle in cycles}
        self.base = {name: litres_per_100km(found) for name, found in self.found.items()}

    @property
    def plant(self) -> Plant:
        """Plant of the layout with everything."""
        return next(iter(self.found.values())).problem.plant

    def row(self, part: Part, what: str) -> Row | None:
        """The worth of a part by one of the two figures; None where it has none."""
        ways = part.control if what == CONTROL else part.hardware
        if not ways:
            return None
        best, why = None, ""
        for way, above in self._in_order(ways):
            if best is not None and above > FAR:
                break
            bars, why_not = self._more(way, what)
            why = why or why_not
            if bars is not None and (best is None or _mean(bars).value < _mean(best[1]).value):
                best = way, bars
            if bars is not None and all(b.value == 0.0 for b in bars.values()):
                break                                       # the trip that was found does without: nothing can be better
        if best is None:
            return Row(part.name, part.kind, what, ways[0].how if len(ways) == 1 else "any", None, {}, False, True, why)
        bar = _mean(best[1])
        used = any(b.value != 0.0 for b in best[1].values())
        ability = brief(self._left(best[0])) if best[0].layout is not None else {}
        return Row(part.name, part.kind, what, best[0].how, bar, best[1], bar.holds_zero, used, "", ability)

    def _in_order(self, ways: Sequence[Way]) -> list[tuple[Way, float]]:
        """Ways, the most promising first, and how far above it their rough figures stand, relative."""
        if len(ways) == 1:
            return [(ways[0], 0.0)]
        rough = [self._rough_g_per_km(way) for way in ways]
        best = max(min(rough), 1e-9)
        return [(ways[i], rough[i] / best - 1.0 if np.isfinite(rough[i]) else float("inf")) for i in np.argsort(rough, kind="stable")]

    def _rough_g_per_km(self, way: Way) -> float:
        """Rough fuel of what is left; none where the trips that were found do without."""
        if way.layout is None and all(self._does_without(way, cycle) for cycle in self.cycles):
            return 0.0
        try:
            return rough_g_per_km(self._without(way), self.cycles, self.grid)
        except InputError:
            return float("inf")

    def _without(self, way: Way) -> Layout:
        """The layout that is left to solve. Raises ``InputError`` where nothing is."""
        return self._forbidden(way) if way.layout is None else self._left(way)

    def _more(self, way: Way, what: str) -> tuple[dict[str, Bar] | None, str]:
        """How much more fuel a way needs, by cycle; or None and why it is impossible."""
        out = {}
        for cycle in self.cycles:
            base = self.base[cycle.name]
            with_less = self._with_less(way, cycle)
            if isinstance(with_less, str):
                return None, with_less
            nothing = Bar(0.0, 0.0, base.value - base.low)
            more = nothing if with_less is base else with_less - base
            is_control = what == CONTROL and way.layout is None       # never less than nothing: other tables may find a little less
            out[cycle.name] = more.at_least(nothing) if is_control else more
        return out, ""

    def _with_less(self, way: Way, cycle: Cycle) -> Bar | str:
        """Least fuel without, the very bar of the base where its trip does without, or why there is none."""
        if way.layout is None and self._does_without(way, cycle):
            return self.base[cycle.name]
        if way.layout is None and way.allowed is not None and not any(map(way.allowed, self._configurations(cycle))):
            return "no configuration is left"
        try:
            layout = self._without(way)
        except InputError as error:
            return str(error)
        key = (layout.digest, cycle.name)
        if key not in self.known:
            try:
                self.known[key] = self._least(layout, cycle)
            except (CycleNotFollowed, RunError, InputError) as error:
                self.known[key] = str(error)
        return self.known[key]

    def _configurations(self, cycle: Cycle) -> tuple[Configuration, ...]:
        return self.found[cycle.name].problem.plant.derivation.configurations

    def _does_without(self, way: Way, cycle: Cycle) -> bool:
        """Whether the trip that was found with everything keeps to the configurations that are left."""
        assert way.allowed is not None
        found = self.found[cycle.name]
        plant = found.problem.plant
        return all(way.allowed(plant.configuration(n)) for n in np.unique(found.trace.node))

    def _forbidden(self, way: Way) -> Layout:
        """The same layout with the configurations that are left; those its file forbids only because of what is held are not forbidden."""
        words = [w for w in self.layout.forbid if not way.holds or way.holds not in w.partition(":")[2].split("+")]
        return _forbidding(self.layout, words, way.allowed)

    def _left(self, way: Way) -> Layout:
        """What is left of the layout where a part is deleted, its fixed state forbidden to change; ratios found anew for that."""
        assert way.layout is not None
        return self._fitted(_forbidding(way.layout, self.layout.forbid, way.allowed))

    def _fitted(self, layout: Layout) -> Layout:
        """The layout, its ratios found anew where that is asked for."""
        if not self.ratios:
            return layout
        if layout.digest not in self.fitted:
            self.fitted[layout.digest] = best_ratios(layout, self.cycles, self.grid, self.say, NEARLY_RIGHT)
        return self.fitted[layout.digest]

    def _least(self, layout: Layout, cycle: Cycle) -> Bar:
        """Least fuel of less, as narrow as its difference to everything needs it."""
        wide = self._optimum(layout, cycle, WIDE_PERCENT)
        bar = litres_per_100km(wide)
        more = bar - self.base[cycle.name]
        if abs(more.value) > CLEAR * more.half or wide.gap_percent <= 100.0 * USUAL.free:
            return bar
        return litres_per_100km(self._optimum(layout, cycle))

    def _optimum(self, layout: Layout, cycle: Cycle, gap_percent: float | None = None) -> Optimum:
        self.solved += 1
        return optimum(layout, cycle, charge=self.charge, grid=self.grid, lanes=self.lanes, gap_percent=gap_percent,
                       first_tables=shared_tables)


def _mean(bars: dict[str, Bar]) -> Bar:
    total = Bar(0.0, 0.0, 0.0)
    for bar in bars.values():
        total = total + bar
    return total * (1.0 / len(bars))


def _forbidding(layout: Layout, forbid: Sequence[str], allowed: Allowed | None) -> Layout:
    """The layout with only the configurations that are allowed, and without those its file forbids, as far as they still exist."""
    open_layout = digested(replace(layout, forbid=()))
    derivation = derive(open_layout)
    words = [c.id for c in derivation.configurations if allowed is not None and not allowed(c)]
    words += [w for w in forbid if derivation.find(w) or fnmatch.filter([c.id for c in derivation.configurations], w)]
    return digested(replace(layout, forbid=tuple(dict.fromkeys(words))))

