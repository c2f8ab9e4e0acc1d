"""What a layout can run in, as a person reads it: the count first, then configurations by kind, then the interlocks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from ems.configurations import Configuration, Derivation, Kind
from ems.configurations.kinematics import SLIPPING
from ems.configurations.listing import drag_W, driving, free_choices, ratio_words
from ems.configurations.mechanism import ENGINE
from ems.configurations.speed_range import TOP_KMH
from ems.layout.model import Layout
from ems.present.text import columns, times
from ems.quantities import RPM_PER_RAD_S

if TYPE_CHECKING:
    from rich.console import RenderableType

ORDER = (Kind.ELECTRIC, Kind.PARALLEL, Kind.ENGINE, Kind.POWER_SPLIT, Kind.SERIES, Kind.LAUNCH, Kind.CHARGING,
         Kind.ELECTRIC_IDLING, Kind.OVERRUN, Kind.NEUTRAL, Kind.NEUTRAL_IDLING)
"""Kinds in the order in which they are shown: what moves the car first."""

MEANING = {
    Kind.ELECTRIC: "engine stopped, machines drive or recover",
    Kind.PARALLEL: "engine at a fixed ratio to the wheels, machines help or charge",
    Kind.ENGINE: "engine at a fixed ratio to the wheels, by itself",
    Kind.POWER_SPLIT: "engine reaches the wheels at a ratio that is free",
    Kind.SERIES: "engine makes electricity, a machine drives",
    Kind.LAUNCH: "engine reaches the wheels through a slipping clutch, which takes the difference of speed as heat",
    Kind.OVERRUN: "engine turned without fuel, by the wheels or by a machine",
    Kind.CHARGING: "engine makes electricity, nothing reaches the wheels: standstill, coasting, braking",
    Kind.ELECTRIC_IDLING: "machines drive while the engine turns by itself",
    Kind.NEUTRAL: "nothing reaches the wheels",
    Kind.NEUTRAL_IDLING: "nothing reaches the wheels, the engine turns by itself",
}

HEADINGS = ("configuration", "reach the wheels, turns per wheel turn", "km/h", "free choices")

CAUTION = ("On a real vehicle a tie-up locks the wheels. This table is where an interlock study begins, not its end:",
           "interlocks must be engineered by qualified people under the functional safety standards that apply.")
DRAG_KMH = 60    # car speed at which drag is shown, where it can be driven
NONE = "none"
MAXIMUM = 8      # states named for one remark


def modes_text(layout: Layout, derivation: Derivation) -> list[RenderableType]:
    """Everything ``ems modes`` prints."""
    from rich.text import Text

    kinds = [k for k in ORDER if any(c.kind is k for c in derivation.configurations)]
    parts: list[RenderableType] = [
        Text.assemble((times(len(derivation.configurations), "configuration"), "bold"),
                      f" from {times(derivation.actuator_states, 'actuator state')}; ",
                      (times(len(derivation.tie_ups), "tie-up"), "bold red" if derivation.tie_ups else "bold"),
                      f": {layout.title}"),
        "",
    ]
    parts += [*_tables(derivation, kinds), *_reading(derivation), *_burdens(layout, derivation), ""]
    parts += [*_interlocks(derivation), *_remarks(derivation), ""]
    return [*parts, f"`ems optimum {_word(layout)}` finds the least fuel these configurations allow."]


def _word(layout: Layout) -> str:
    return layout.path.name if layout.path and "shipped" not in layout.path.parts else layout.name


def _tables(derivation: Derivation, kinds: list[Kind]) -> Iterator[RenderableType]:
    """One table a kind under the kind's name, all with the same columns."""
    from rich.text import Text

    rows = {c.id: _row(c) for c in derivation.configurations}
    widths = [max(len(cell) for cell in cells) for cells in zip(HEADINGS, *rows.values(), strict=True)]
    yield _aligned([HEADINGS], widths, "bold")
    for kind in kinds:
        members = [c for c in derivation.configurations if c.kind is kind]
        yield ""
        yield Text.assemble((kind.value, "bold"), f" ({len(members)}): {MEANING[kind]}")
        yield _aligned([rows[c.id] for c in members], widths)
    yield ""


def _aligned(rows: Iterable[Sequence[str]], widths: Sequence[int], style: str = "") -> RenderableType:
    """Cells padded to common widths, so that several tables stand in line; long ones fold on a narrow terminal."""
    from rich.table import Table
    from rich.text import Text

    made = Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)
    made.add_column("", no_wrap=True)
    for heading in HEADINGS:
        made.add_column("", justify="right" if heading == "km/h" else "left", overflow="fold",
                        no_wrap=heading in ("configuration", "km/h"))
    for row in rows:
        made.add_row("", *(Text(cell.ljust(width) if heading != "km/h" else cell.rjust(width), style)
                           for heading, cell, width in zip(HEADINGS, row, widths, strict=True)))
    return made


def _row(c: Configuration) -> tuple[str, ...]:
    return (c.id, turning(c), range_words(c), ", ".join(free_choices(c)) or "-")


def turning(c: Configuration) -> str:
    """Sources that reach the wheels, then what carries torque apart from them, then what is only carried along."""
    reach = driving(c)
    apart = ", ".join(f"{name} {_speed(c, name)}" for name in c.active if name not in reach and name != ENGINE)
    carried = ", ".join(f"{name} {_speed(c, name)}" for name, (wheel, free) in zip(c.sources, c.speed_map, strict=True)
                        if name not in c.active and name != ENGINE and (wheel or free))
    words = [", ".join(f"{name} {_speed(c, name)}" for name in reach) or "none"]
    words += [f"engine drives {apart}"] if apart else []
    words += [f"carried along: {carried}"] if carried else []
    return "; ".join(words)


def _speed(c: Configuration, name: str) -> str:
    """Speed of a source in turns of the wheels, and of the engine where that is free."""
    wheel, free = c.speed_map[c.sources.index(name)]
    if not free:
        return ratio_words(wheel)
    own = "free" if name == ENGINE else f"{ratio_words(free)} x e"
    if not wheel:
        return own
    return f"{own} {'-' if wheel < 0 else '+'} {ratio_words(abs(Fraction(wheel)))}"


def range_words(c: Configuration) -> str:
    low, high = c.speed_range_kmh
    if high >= TOP_KMH * (1 - 1e-9):
        return "any" if low == 0.0 else f"from {low:.0f}"
    return f"{low:.0f} to {high:.0f}"


def _reading(derivation: Derivation) -> Iterator[RenderableType]:
    words = ["on, off: engine running, engine stopped (then without torque)"]
    words += ["cut: turned without fuel"] if any(c.kind is Kind.OVERRUN for c in derivation.configurations) else []
    yield f"  {'; '.join(words)}; after the colon what is engaged."
    if any(c.slipping for c in derivation.configurations):
        yield f"  A clutch marked {SLIPPING} slips; e is then the engine's speed."
    yield "  After a semicolon: what turns apart from the wheels; x e: times the engine's speed, which is free."
    for c in derivation.configurations:
        if c.equivalents:
            yield f"  {c.id} stands for {', '.join(c.equivalents)} too: same speeds, torques, losses and limits."
    yield "  Name a configuration under `forbid` in the layout file to do without it."


def _burdens(layout: Layout, derivation: Derivation) -> Iterator[RenderableType]:
    """What each configuration costs while it is engaged, and the limits on its torques and inner speeds."""
    from rich.text import Text

    rows = [(c.id, f"{c.electric_W:.0f} W" if c.electric_W else NONE, *_drag_words(layout, c), _limit_words(c))
            for c in derivation.configurations]
    told = [row for row in rows if set(row[1:]) - {NONE, ""}]
    yield ""
    if not told:
        yield "No hold or pump power, drag, torque capacity or inner speed limit is given for any of them."
        return
    yield Text("What each configuration costs while it is engaged, and what limits it", style="bold")
    yield columns(told, (False, True, True, False, False),
                  ("configuration", "hold and pumps", "drag", "at", "limits beside those of the sources"))
    yield "  Hold and pumps: electrical power that keeps clutches, brakes and shifters engaged, and that the pumps take."
    yield (f"  Drag: power lost in splash, bearings and open clutches at {DRAG_KMH} km/h, or at the speed nearest to it that the "
           "configuration reaches.")
    if any(drag.free for c in derivation.configurations for drag in c.drags):
        yield "  A free engine speed is taken at idle there."
    yield f"  {NONE.capitalize()}: the layout file gives none."
    if len(told) < len(rows):
        yield f"  The other {times(len(rows) - len(told), 'configuration')} have none of these."


def _drag_words(layout: Layout, c: Configuration) -> tuple[str, str]:
    """Drag, and the car speed at which."""
    if not c.drags:
        return NONE, ""
    low, high = c.speed_range_kmh
    speed_kmh = min(max(DRAG_KMH, low), high)
    return f"{drag_W(layout, c, speed_kmh):.0f} W", f"{speed_kmh:.0f} km/h"


def _limit_words(c: Configuration) -> str:
    sources = set(c.sources)
    words = [_bounds(m.what, m.low_Nm, m.high_Nm, "N m") for m in c.load_limits]
    words += [_bounds(s.what, s.low_rad_s * RPM_PER_RAD_S, s.high_rad_s * RPM_PER_RAD_S, "rpm") for s in c.speed_limits
              if s.what not in sources and (s.low_rad_s, s.high_rad_s) != (0.0, math.inf)]
    return ", ".join(words) or NONE


def _bounds(what: str, low: float, high: float, unit: str) -> str:
    """'torque of K1 up to 320 N m either way', '... never below 0', '... 0 to 320 N m'."""
    if low == -high:
        return f"{what} {high:.0f} {unit} either way"
    if math.isinf(high):
        return f"{what} not below {low:.0f} {unit}"
    if math.isinf(low):
        return f"{what} not above {high:.0f} {unit}"
    return f"{what} {low:.0f} to {high:.0f} {unit}"


def _interlocks(derivation: Derivation) -> Iterator[RenderableType]:
    from rich.text import Text

    if not derivation.tie_ups:
        yield Text("No actuator state locks the wheels.")
        return
    states = times(len(derivation.tie_ups), "actuator state")
    yield Text(f"Interlocks: {states} never to be engaged", style="bold red")
    yield columns([(t.state.words, t.reason) for t in derivation.tie_ups], (False, False))
    yield Text("\n".join(f"  {line}" for line in CAUTION))


def _remarks(derivation: Derivation) -> Iterator[RenderableType]:
    """Everything else worth a word, states with the same reason in one line."""
    from rich.text import Text

    reasons = list(dict.fromkeys(note.reason for note in derivation.notes))
    if reasons:
        yield ""
        yield Text("Remarks", style="bold")
        yield columns([(reason, _some([n.state.words for n in derivation.notes if n.reason == reason]))
                       for reason in reasons], (False, False))


def _some(words: list[str]) -> str:
    more = f" and {len(words) - MAXIMUM} more" if len(words) > MAXIMUM else ""
    return ", ".join(words[:MAXIMUM]) + more
