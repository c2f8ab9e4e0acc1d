"""A study as one self-contained page: what was asked, the answer, figures, every case, where the data come from."""

from __future__ import annotations

from typing import Any

from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.study_figures import inline, is_sample, label, plot_map, plot_pareto
from ems.present.study_text import TIES, cell, counts_text, shown_columns
from ems.studies.results import Study

FUEL = "fuel_l_per_100km"
SOME_COLD = "Where the column cold says True the engine starts cold."
MOST_CELLS = 60         # along an axis of a map
MOST_ROWS = 2000        # of the table in the page; the files beside it hold all


def study_page(study: Study) -> str:
    """HTML of the page, figures inside."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(loader=PackageLoader("ems.present", "templates"), autoescape=True, undefined=StrictUndefined)
    cautions = [NO_TYPE_APPROVAL, assumptions(not study.cold), *([SOME_COLD] if "cold" in study.varied and not study.cold else []),
                *([TIES] if "gap_percent" in study.headings else [])]
    return environment.get_template("study.html").render(
        study=study, counts=counts_text(study.counts()), cautions=cautions, answers=_answers(study),
        figures=_figures(study), table=_table(study), more=max(0, len(study.rows) - MOST_ROWS))


def _table(study: Study, rows: tuple[dict[str, Any], ...] | None = None) -> dict[str, Any]:
    """Headings and cells; numbers say that they are."""
    names = shown_columns(study, ())
    shown = study.rows[:MOST_ROWS] if rows is None else rows
    numeric = [any(isinstance(row.get(n), int | float) for row in shown) for n in names]
    return {"headings": names, "numeric": numeric,
            "rows": [{"cells": [cell(row.get(n), n) for n in names], "meets": row["meets"]} for row in shown]}


def _answers(study: Study) -> list[dict[str, Any]]:
    """The best cases on each cycle, and of all cycles together when there are several."""
    if FUEL not in study.headings or not study.done:
        return []
    from dataclasses import replace

    cycles = list(dict.fromkeys(row["cycle"] for row in study.rows))
    answers = []
    if len(cycles) > 1:
        mean = study.across_cycles()
        if mean.done:
            answers.append({"title": f"Least mean fuel over {len(cycles)} cycles", "table": _table(mean, mean.best(FUEL, count=5).rows)})
    for cycle in cycles:
        own = replace(study, rows=tuple(row for row in study.rows if row["cycle"] == cycle))
        if own.done:
            answers.append({"title": f"Least fuel on {cycle}", "table": _table(own, own.best(FUEL, count=5).rows)})
    return answers


def _figures(study: Study) -> list[dict[str, str]]:
    """Fronts between cycles and a map over the first two keys with several values, where there are any."""
    figures: list[dict[str, str]] = []
    if FUEL not in study.headings or not study.done:
        return figures
    cycles = list(dict.fromkeys(row["cycle"] for row in study.rows))
    across = study.across_cycles()
    if len(cycles) > 1 and across.done:
        first = f"{FUEL}@{cycles[0]}"
        for other in cycles[1:]:
            second = f"{FUEL}@{other}"
            figures.append({"title": f"{cycles[0]} against {other}", "words": "Each dot is a variation; along the line none is better on "
                            "both cycles.", "image": inline(plot_pareto(across, first, second))})
    keys = [path for path in study.varied if len({str(row[path]) for row in study.rows}) > 1]
    if len(keys) >= 2:
        table = across if len(cycles) > 1 and across.done else study
        what = f"mean over {len(cycles)} cycles" if table is across else label(FUEL)
        dots = is_sample(study, keys[0], keys[1])
        words = (f"Each dot is a variation, its colour {what}." if dots else
                 f"Least fuel in each cell, {what}; what else varies is at its best.")
        if dots or all(len({str(row[key]) for row in study.rows}) <= MOST_CELLS for key in keys[:2]):
            figures.append({"title": f"{keys[0]} and {keys[1]}", "words": words, "image": inline(plot_map(table, keys[0], keys[1], FUEL))})
    return figures
