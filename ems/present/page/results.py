"""Pages of results without a time axis, and several results on one page."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.page.chargeable_sections import chargeable_head, chargeable_sections
from ems.present.page.charts import Chart, curves
from ems.present.page.parts_sections import sensitivity_head, sensitivity_section, worth_head, worth_section
from ems.present.page.report import METHODS, SAFETY, Page
from ems.present.page.sections import Head, Section
from ems.present.page.versus_sections import capability_head, capability_section, versus_head, versus_sections

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[str, Any]
FORCES_FILE = "forces.csv"
WIDEST_KMH = 220.0
MOTION = ("Equation of motion, and grip of driven axles",
          "L. Guzzella and A. Sciarretta, Vehicle Propulsion Systems, 3rd ed., Springer 2013, ch. 2")
ENVELOPE = ("Slope of the least cost by the costate",
            "P. Milgrom and I. Segal, Envelope theorems for arbitrary choice sets, Econometrica 70 (2002)")
CAPABILITY_CAUTIONS = ("A computed capability, not a measured one.",
                       "Acceleration and climbing on a road belong to qualified drivers, on closed ground.")
KINDS: dict[str, tuple[Callable[[Row], Head], Callable[[Row], list[Section]]]] = {
    "ems.versus/1": (versus_head, versus_sections),
    "ems.worth/1": (worth_head, lambda result: [worth_section(result)]),
    "ems.sensitivity/1": (sensitivity_head, lambda result: [sensitivity_section(result)]),
    "ems.chargeable/1": (chargeable_head, chargeable_sections),
    "ems.capability/1": (capability_head, lambda result: [capability_section({result["layout"]: result})]),
}


def result_page(schema: str, result: Row, forces: pd.DataFrame | None = None) -> Page:
    """The page of a result, from what ``result.json`` says.

    schema : one of ``KINDS``      forces : wheel force over speed, as ``forces.csv`` has it, where there is one
    """
    head, sections = KINDS[schema]
    made = [dataclasses.replace(s, charts=[*s.charts, _forces(forces)]) if s.name == "capability" and forces is not None else s
            for s in sections(result)]
    if schema == "ems.capability/1":
        return Page(head(result), made, [*CAPABILITY_CAUTIONS, SAFETY], result, methods=(MOTION,))
    methods = (*METHODS, MOTION) if schema == "ems.versus/1" else (*METHODS, ENVELOPE) if schema == "ems.sensitivity/1" else METHODS
    return Page(head(result), made, [NO_TYPE_APPROVAL, assumptions(), SAFETY, *result.get("warnings", ())], result, methods=methods)


def _forces(frame: pd.DataFrame) -> Chart:
    """Wheel force over speed: of several layouts the short-time force at normal charge, of one its configurations' largest."""
    columns = [c for c in frame.columns if str(c).endswith(", normal, short [N]")]
    series = {str(c).partition(",")[0]: frame[c].dropna() for c in columns}
    if not columns:
        series = {"largest of all configurations": frame.max(axis=1)}
    kept = {name: s[(s.index <= WIDEST_KMH) & (s > 0.0)] for name, s in series.items()}
    shown = [(name, s.index.to_numpy(float), s.to_numpy(float) / 1e3) for name, s in kept.items() if len(s)]
    words = "; ".join(f"{name} up to {y.max():.1f} kN" for name, _, y in shown)
    strongest, _, most = max(shown, key=lambda one: float(one[2].max()))
    finding = f"{strongest} pulls hardest, {most.max():.1f} kN" if len(shown) > 1 else f"At most {most.max():.1f} kN"
    return Chart(curves(shown, "speed [km/h]", "wheel force [kN]", f"Wheel force over speed: {words}."),
                 f"{finding}; wheel force with charge at its target, what tyres can hold not counted.")


def joined(pages: Sequence[Page]) -> Page:
    """Several results on one page: the top and the trip of the first that has one, the sections of all.

    Names of sections that come twice get a number.
    """
    first = next((p for p in pages if p.trip is not None), pages[0])
    rest = [p for p in pages if p is not first]
    sections = [_numbered(s, n, of=p) for n, p in enumerate([first, *rest]) for s in p.sections]
    cautions = list(dict.fromkeys(c for p in (first, *rest) for c in p.cautions))
    sources = {k: v for p in pages for k, v in p.result.get("sources", {}).items()}
    result = {**first.result, **({"sources": sources} if sources else {})}
    return dataclasses.replace(first, sections=sections, cautions=cautions, result=result)


def _numbered(section: Section, n: int, of: Page) -> Section:
    if n == 0:
        return section
    return dataclasses.replace(section, name=f"{section.name}-{n}", title=f"{section.title}: {of.head.over[0]} on {of.head.over[1]}")
