"""A chargeable hybrid as a person reads it: the sequence, the three kinds of figures, what the regulations are and leave out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from ems.present.text import columns, times, within
from ems.regulations.weightings import TEXTS, WEIGHTINGS

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.chargeable import Chargeable, Correction
    from ems.regulations.figures import Figures

NO_TYPE_APPROVAL = "Computed optima, no type-approval figures: the texts in force decide, and they ask for tests."
LEG_KEYS = ("kind", "soc_start", "soc_end", "distance_km", "electric_km", "fuel_l_per_100km", "co2_g_per_km", "battery_kWh",
            "stored_kWh", "balance_percent", "bar_percent")


def chargeable_text(found: Chargeable, *, cycle_given: bool = True) -> list[RenderableType]:
    """Everything ``ems chargeable`` prints."""
    from rich.text import Text

    head = Text.assemble((found.layout, "bold"), " charged from the mains, on ", (found.cycle, "bold"),
                         "" if cycle_given else " (no --cycle given, so this one)",
                         f", from a charge of {found.charge[0]:g} to {found.charge[1]:g}")
    return [head, "", _legs(found), "", *_ranges(found), "", _figures(found), "", *_correction(found.correction), *_texts(), "",
            NO_TYPE_APPROVAL]


def _legs(found: Chargeable) -> RenderableType:
    rows = [(str(i), leg.kind, f"{leg.soc_start:.3f}", f"{leg.soc_end:.3f}", f"{leg.distance_km:.2f}", f"{leg.fuel_l_per_100km:.3f}",
             f"{leg.co2_g_per_km:.1f}", f"{leg.battery_kWh:.3f}", f"{leg.balance_percent:+.1f} %",
             "depleting" if i <= found.transition else "ends it")
            for i, leg in enumerate(found.legs, 1)]
    headings = ("cycle", "driven", "charge", "to", "km", "l/100 km", "CO2 g/km", "battery kWh", "of cycle energy", "counts as")
    return columns(rows, (True, False, True, True, True, True, True, True, True, False), headings)


def _ranges(found: Chargeable) -> Iterator[str]:
    yield (f"  electric {found.electric_range_km:.1f} km until fuel is first burnt; depleting cycles {found.depleting_range_km:.1f} km "
           f"({times(found.transition, 'cycle')}, the transition cycle the last of them)")
    yield (f"  actual depleting range {found.actual_depleting_range_km:.1f} km, equivalent electric range "
           f"{found.equivalent_electric_range_km:.1f} km (UN GTR 15)")


def _figures(found: Chargeable) -> RenderableType:
    rows = [("depleting, electric first", *_cells(found.depleting), "", "")]
    if found.blended is not None and found.blended_bar_percent is not None:
        rows.append((f"depleting, blended, trip of {times(max(found.transition, 1), 'cycle')} known", *_cells(found.blended), "",
                     f"within {within(found.blended_bar_percent)}"))
    rows.append(("sustaining", *_cells(found.sustaining), "", f"within {within(found.sustaining_bar_percent)}"))
    rows += [(f"weighted: {WEIGHTINGS[name].title}", *_cells(w.figures), f"{100 * w.depleting_share:.1f} %", "")
             for name, w in found.weighted.items()]
    headings = ("", "l/100 km", "CO2 g/km", "kWh/100 km from the mains", "of the way depleting", "")
    return columns(rows, (False, True, True, True, True, False), headings)


def _cells(f: Figures) -> tuple[str, str, str]:
    return f"{f.fuel_l_per_100km:.3f}", f"{f.co2_g_per_km:.1f}", f"{f.electricity_kWh_per_100km:.2f}"


def _correction(found: Correction | None) -> Iterator[str]:
    if found is None:
        return
    spread = max(found.corrected_l_per_100km) - min(found.corrected_l_per_100km)
    before = max(found.fuel_l_per_100km) - min(found.fuel_l_per_100km)
    yield (f"  Charge balance: {found.slope:.4f} l/kWh by regression over {len(found.fuel_l_per_100km)} runs "
           f"({found.costate_slope:.4f} per kWh of stored energy from the costate); it brings their spread from {before:.4f} to "
           f"{spread:.4f} l/100 km.")
    yield ""


def _texts() -> Iterator[str]:
    yield "  Followed, and what of it is not implemented (paragraphs in full: --json):"
    for text in TEXTS:
        yield f"  {text.name}: {'; '.join(dict.fromkeys(where for where, _ in text.paragraphs))}; {text.source}."
        yield f"    Left out: {'; '.join(text.left_out)}."
        yield f"    In force: {text.in_force}."


def texts() -> list[dict[str, Any]]:
    """The regulations for JSON."""
    return [asdict(text) for text in TEXTS]


def legs_csv(found: Chargeable) -> str:
    """One row a cycle."""
    lines = [",".join(("cycle", *LEG_KEYS))]
    for i, leg in enumerate(found.legs, 1):
        values = [getattr(leg, key) for key in LEG_KEYS]
        lines.append(",".join([str(i), *(v if isinstance(v, str) else f"{v:.9g}" for v in values)]))
    return "\n".join(lines) + "\n"
