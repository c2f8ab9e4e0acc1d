"""Layouts side by side as a person reads them: what differs, the matrix cycle by cycle, why, and what each can do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.judge.versus import GROUPS, MODES, PARTS
from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.text import columns

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType

    from ems.judge.capability import Figures
    from ems.judge.versus import Cell, Versus

WORDS = {"engine": "engine heat", "machines": "machines", "meshes": "gear meshes", "clutches": "clutches", "drag": "drags",
         "hold": "hold and pump power", "battery": "the battery", "brakes": "friction brakes", "road": "road load"}
SHORT = {"meshes": "mesh", "clutches": "clutch"}
"""Headings that would make the matrix wider than a screen."""


def versus_text(result: Versus) -> list[RenderableType]:
    """Everything ``ems versus`` prints."""
    parts: list[RenderableType] = [*_differences(result), ""]
    for cycle in result.cycles:
        parts += [*_matrix(result, cycle.name), ""]
    return [*parts, *_modes(result), "", *_capability(result), "", *_notes(result), NO_TYPE_APPROVAL, assumptions()]


def _notes(result: Versus) -> list[RenderableType]:
    """What the figures mean."""
    notes = ["l/100 km throughout; bound: what certificate and finer tables leave below; ranges that overlap are ties.",
             "They are the solver's alone: what maps and drags of the layouts leave open is wider.",
             "Parts, each computed by its own component, add up to the fuel; road load holds auxiliaries, battery and motion too.",
             "start: steepest grade of a start; climbs: ten minutes at so many km/h, or how long, and the speed then."]
    if any(c.strategy_l_per_100km is not None for c in result.cells):
        notes.append("strategy: its fuel at the charge the optimum ends with, battery energy priced at the costate; over: over the least.")
    return [*notes, *(f"{c.layout} on {c.cycle}: {c.strategy_why}" for c in result.cells if c.strategy_why)]


def _differences(result: Versus) -> list[RenderableType]:
    names = [layout.name for layout in result.layouts]
    held = f"; held equal: {', '.join(result.same)}" if result.same else ""
    rows = [(row["what"], *(row["values"][name] for name in names)) for row in result.differs]
    if not rows:
        return [f"Nothing differs between the layouts but how they are joined{held}."]
    return [f"What differs{held}; all else is the same or is compared below.", columns(rows, (False,) * (1 + len(names)), ("", *names)),
            *_masses(result)]


def _masses(result: Versus) -> list[RenderableType]:
    """That cars weigh the same although their parts do not, where it is so."""
    differing = {row["what"] for row in result.differs}
    if PARTS not in differing or "vehicle mass" in differing:
        return []
    heaviest = max(sum(layout.parts_kg.values()) for layout in result.layouts)
    return [f"  Each car weighs {result.layouts[0].vehicle.mass_kg:g} kg, whatever its parts do; "
            f"--set masses.reference_kg={heaviest:g} makes those with lighter parts lighter."]


def _matrix(result: Versus, cycle: str) -> list[RenderableType]:
    from rich.text import Text

    cells = result.ranked(cycle)
    followed = [c for c in cells if c.found is not None]
    lines: list[RenderableType] = [Text.assemble((cycle, "bold"), _finding(followed))]
    if followed:
        headings = ("layout", "l/100 km", "bound", "more, %", "floor", "strategy", "over", *GROUPS, "starts", "changes")
        rows = [_row(c, followed[0]) for c in followed]
        alike, shown = _alike(headings, rows, ("floor", "strategy", "over", *GROUPS))
        if alike:
            lines.append(f"  for all: {', '.join(f'{WORDS.get(name, name)} {value}' for name, value in alike)}")
        lines.append(columns([[r[i] for i in shown] for r in rows], (False, *(True,) * (len(shown) - 1)),
                             [SHORT.get(headings[i], headings[i]) for i in shown]))
    return [*lines, *(f"  {c.why}" for c in cells if c.found is None)]


def _alike(headings: Sequence[str], rows: Sequence[Sequence[str]], among: Sequence[str]) -> tuple[list[tuple[str, str]], list[int]]:
    """(heading and value of columns that are alike in all of several rows; numbers of the columns left). Nothing at all is left out."""
    same = [i for i, name in enumerate(headings) if name in among and len({r[i] for r in rows}) == 1]
    empty = [i for i in same if not rows[0][i].strip(" -0.")]
    told = [i for i in same if i not in empty] if len(rows) > 1 else []
    return [(headings[i], rows[0][i].strip()) for i in told], [i for i in range(len(headings)) if i not in (*empty, *told)]


def _row(cell: Cell, best: Cell) -> tuple[str, ...]:
    assert cell.found is not None and cell.fuel is not None and best.fuel is not None
    losses = cell.grouped_l_per_100km
    difference = "" if cell is best else ("tie" if cell.fuel.overlaps(best.fuel) else _percent(cell, best))
    driven = cell.strategy_l_per_100km
    strategy = ("-", "-") if driven is None else (f"{driven:.3f}", f"{100.0 * (driven / cell.fuel.value - 1.0):+.1f} %")
    return (cell.layout, f"{cell.fuel.value:.3f}", f"{cell.fuel.low:.3f}", difference,
            f"{cell.found.floor_l_per_100km:.3f}", *strategy, *(f"{losses[name]:.3f}" for name in GROUPS),
            str(cell.found.engine_starts), str(cell.found.configuration_changes))


def _percent(cell: Cell, best: Cell) -> str:
    """How much more than the least, both ends of what the bars leave."""
    assert cell.fuel is not None and best.fuel is not None
    more = 100.0 * (cell.fuel.value / best.fuel.value - 1.0)
    off = 100.0 * (cell.fuel - best.fuel).half / best.fuel.value
    return f"+{more:.2f} ±{off:.2f}"


def _finding(cells: list[Cell]) -> str:
    """One sentence: who needs least, by how much, and which loss makes most of the difference to the next."""
    if len(cells) < 2:
        return ""
    best, tied = cells[0], [c for c in cells[1:] if c.fuel and cells[0].fuel and c.fuel.overlaps(cells[0].fuel)]
    if len(tied) == len(cells) - 1:
        return ": all within each other's range."
    others = [c for c in cells[1:] if c not in tied]
    a, b = best.grouped_l_per_100km, others[0].grouped_l_per_100km
    name = max(GROUPS, key=lambda n: b[n] - a[n])
    level = f", level with {', '.join(c.layout for c in tied)}" if tied else ""
    assert best.fuel is not None and others[0].fuel is not None
    margin = others[0].fuel.low - best.fuel.high
    return (f": {best.layout} needs least{level}; {others[0].layout} at least {margin:.3f} l/100 km more; "
            f"largest part: {WORDS[name]}, {b[name] - a[name]:+.3f}.")


def _modes(result: Versus) -> list[RenderableType]:
    """Share of time by mode, a row a layout, the cycles side by side."""
    cells = {(c.layout, c.cycle): c.mode_share for c in result.cells if c.found is not None}
    shown = [mode for mode in MODES if any(share[mode] > 0.0 for share in cells.values())]
    rows = [(layout.name, *(" ".join(f"{100.0 * cells[layout.name, c.name][mode]:2.0f}" if (layout.name, c.name) in cells else " -"
                                     for c in result.cycles) for mode in shown)) for layout in result.layouts]
    order = f", on {', '.join(c.name for c in result.cycles)}" if len(result.cycles) > 1 else ""
    alike, left = _alike(("layout", *shown), rows, shown)
    same = f"; for all: {', '.join(f'{mode} {share}' for mode, share in alike)}" if alike else ""
    table = columns([[r[i] for i in left] for r in rows], (False, *(True,) * (len(left) - 1)), [("layout", *shown)[i] for i in left])
    return [f"Share of time, %{order}{same}", *([table] if len(left) > 1 else [])]


def _capability(result: Versus) -> list[RenderableType]:
    rows = []
    for layout in result.layouts:
        ability = result.capabilities[layout.name]
        rows.append((layout.name, *capability_cells(ability.normal), _seconds(ability.low.time_0_100_s),
                     f"{ability.low.lasting_power_kW:.0f}", *_climbs(ability.low)))
    headings = ("layout", "0-50 s", "0-100 s", "80-120 s", "top km/h", "start", "most kW", "0-100 s", "lasting kW",
                *(f"{c.grade_percent:g} % at {c.speed_kmh:g}" for c in ability.low.climbs))
    return ["What each can do, charge at target; the last four columns: at the lower end of the window, engine alone",
            columns(rows, (False, *(True,) * (len(headings) - 1)), headings)]


def capability_cells(figures: Figures) -> tuple[str, ...]:
    """The figures of a charge that a comparison shows."""
    return (_seconds(figures.time_0_50_s), _seconds(figures.time_0_100_s), _seconds(figures.time_80_120_s), f"{figures.top_speed_kmh:.0f}",
            f"{figures.start_grade_percent:.0f} %", f"{figures.most_power_kW:.0f}")


def _seconds(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f}"


def _climbs(figures: Figures) -> list[str]:
    return ["held" if c.derated_s == 0.0 else f"{c.held_s:.0f} s, then {c.then_kmh:.0f}" for c in figures.climbs]
