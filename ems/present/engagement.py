"""What is engaged in a configuration, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ems.configurations import Configuration, EngineState
from ems.layout.model import Layout

ENGINE = {EngineState.STOPPED: "stopped", EngineState.RUNNING: "running", EngineState.FUEL_CUT: "turned along without fuel"}


def engagement(layout: Layout, c: Configuration) -> dict[str, str]:
    """What the engine does, what is engaged, and what is open, in words: 'K1, K2 closed; S1 in third', 'K3 open'."""
    engaged: dict[str, list[str]] = {}
    released: dict[str, list[str]] = {}
    parts = ((layout.clutches, "closed", "open"), (layout.brakes, "applied", "released"), (layout.one_way, "locked", "free"))
    for members, on, off in parts:
        for name in (m.name for m in members):
            if name in c.state.closed:
                engaged.setdefault("slipping" if name in c.slipping else on, []).append(name)
            else:
                released.setdefault(off, []).append(name)
    for name, position in c.state.shifters:
        (engaged if position else released).setdefault(f"in {position or 'neutral'}", []).append(name)
    return {"engine": ENGINE[c.engine], "engaged": _by_word(engaged), "open": _by_word(released)}


def engaged_words(layout: Layout, c: Configuration) -> str:
    """What is engaged, and where nothing is, whether anything could be."""
    could = layout.clutches or layout.brakes or layout.one_way or layout.shifters
    return engagement(layout, c)["engaged"] or ("nothing" if could else "nothing to engage: all parts stay joined")


def _by_word(names: Mapping[str, Sequence[str]]) -> str:
    return "; ".join(f"{', '.join(members)} {word}" for word, members in names.items())
