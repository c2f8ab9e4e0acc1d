"""What a layout can run in, as a person reads it: the count first, then configurations by kind, then the interlocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from ems.configurations import Configuration, Derivation, Kind
from ems.configurations.listing import driving, free_choices, ratio_words
from ems.configurations.mechanism import ENGINE
from ems.configurations.speed_range import TOP_KMH
from ems.layout.model import Layout
from ems.present.text import columns, times

if TYPE_CHECKING:
    from rich.console import RenderableType

ORDER = (Kind.ELECTRIC, Kind.PARALLEL, Kind.ENGINE, Kind.POWER_SPLIT, Kind.SERIES, Kind.CHARGING,
         Kind.ELECTRIC_IDLING, Kind.NEUTRAL, Kind.NEUTRAL_IDLING)
"""Kinds in the order in which they are shown: what moves the car first."""

MEANING = {
    Kind.ELECTRIC: "engine stopped, machines drive or recover",
    Kind.PARALLEL: "engine at a fixed ratio to the wheels, machines help or charge",
    Kind.ENGINE: "engine at a fixed ratio to the wheels, by itself",
    Kind.POWER_SPLIT: "engine reaches the wheels at a ratio that is free",
    Kind.SERIES: "engine makes electricity, a machine drives",
    Kind.CHARGING: "engine makes electricity, nothing reaches the wheels: standstill, coasting, braking",
    Kind.ELECTRIC_IDLING: "machines drive while the engine turns by itself",
    Kind.NEUTRAL: "nothing reaches the wheels",
    Kind.NEUTRAL_IDLING: "nothing reaches the wheels, the engine turns by itself",
}

HEADINGS = ("configuration", "reach the wheels, turns per wheel turn", "km/h", "free choices")

CAUTION = ("On a real vehicle a tie-up locks the wheels. This table is where an interlock study begins, not its end:",
           "interlocks must be engineered by qualified people under the functional safety standards that apply.")
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
    parts += [*_tables(derivation, kinds), *_reading(derivation), ""]
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
    return (c.id, _turning(c), _range(c), ", ".join(free_choices(c)) or "-")


def _turning(c: Configuration) -> str:
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


def _range(c: Configuration) -> str:
    low, high = c.speed_range_kmh
    if high >= TOP_KMH * (1 - 1e-9):
        return "any" if low == 0.0 else f"from {low:.0f}"
    return f"{low:.0f} to {high:.0f}"


def _reading(derivation: Derivation) -> Iterator[RenderableType]:
    yield "  on, off: engine running, engine stopped (then without torque); after the colon what is engaged."
    yield "  After a semicolon: what turns apart from the wheels; x e: times the engine's speed, which is free."
    for c in derivation.configurations:
        if c.equivalents:
            yield f"  {c.id} stands for {', '.join(c.equivalents)} too: same speeds, torques and losses."
    yield "  Name a configuration under `forbid` in the layout file to do without it."


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
