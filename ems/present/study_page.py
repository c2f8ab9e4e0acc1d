"""A study as one self-contained page: the answer, best cases, figures, every case, what was asked, where the data come from."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.page.charts import Chart
from ems.present.page.report import METHODS, SAFETY, Page, html
from ems.present.page.sections import Head, Section, Table, litres
from ems.present.study_figures import broad, is_sample, label, narrow, plot_map, plot_pareto
from ems.present.study_text import TIES, cell, counts_text, is_numeric, shown_columns
from ems.present.text import listed, times
from ems.present.vector import vector
from ems.studies.results import Study

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

Row = dict[str, Any]
FUEL = "fuel_l_per_100km"
SOME_COLD = "Where the column cold says True the engine starts cold."
MOST_CELLS = 60         # along an axis of a map
MOST_ROWS = 2000        # of the table in the page; the files beside it hold all
SAID = 3                # cycles that are told of in the answer
LIMITS = {"below": "below", "above": "above", "at_most": "at most", "at_least": "at least"}


def study_page(study: Study) -> str:
    """HTML of the page, figures inside."""
    some_cold = "cold" in study.varied and not study.cold
    cautions = [NO_TYPE_APPROVAL, assumptions(not study.cold), *([SOME_COLD] if some_cold else []),
                *([TIES] if "gap_percent" in study.headings else []), SAFETY]
    sources = {f"cycle {part}" if name == "cycles" else f"{part} of {name}": source
               for name, parts in study.sources.items() for part, source in parts.items()}
    result = {"sources": sources, "versions": study.versions}
    return html(Page(_head(study), _sections(study), cautions, result, methods=METHODS if "optimum" in study.solve else ()))


def _head(study: Study) -> Head:
    layouts, cycles = (list(dict.fromkeys(str(row[word]) for row in study.rows)) for word in ("layout", "cycle"))
    answers = [(cycle, _least(study, cycle)) for cycle in cycles] if FUEL in study.headings else []
    found = [(cycle, best) for cycle, best in answers if best is not None]
    facts = [("Cases", counts_text(study.counts())), ("Varied", listed([str(v) for v in study.varied]) if study.varied else "nothing"),
             ("Solved", listed(list(study.solve)))]
    if study.require:
        met = sum(row["meets"] is True for row in study.rows)
        limits = "; ".join(f"{column} {_limits(limit)}" for column, limit in study.require.items())
        facts.append(("Required", f"{limits}: {met} of {len(study.rows)} cases meet it"))
    said = " ".join(f"On {cycle} {_words(study, best)}." for cycle, best in found[:SAID])
    big, unit = ((litres(found[0][1][FUEL]), f"l/100 km, the least on {found[0][0]}") if found
                 else (str(len(study.rows)), "case" if len(study.rows) == 1 else "cases"))
    return Head(study.name, (f"{study.name}: {listed(layouts)}", listed(cycles)), big, unit, f"{study.summary} {said}".strip(), facts)


def _limits(limit: dict[str, float]) -> str:
    return " and ".join(f"{LIMITS.get(word, word)} {value:g}" for word, value in limit.items())


def _least(study: Study, cycle: str) -> Row | None:
    """The best case on a cycle that meets what is required."""
    own = dataclasses.replace(study, rows=tuple(row for row in study.rows if row["cycle"] == cycle))
    best = own.best(FUEL, count=1).rows if any(row[FUEL] is not None for row in own.done) else ()
    return best[0] if best else None


def _words(study: Study, best: Row) -> str:
    """'case 17 needs least, 7.164 l/100 km, with gears.drive.ratio 9.8; one other is level with it'."""
    values = [f"{path} {cell(best[path], path)}" for path in study.varied]
    rivals = [row for row in study.done if row["cycle"] == best["cycle"] and row["case"] != best["case"] and row["meets"] is not False
              and row[FUEL] is not None and row[FUEL] * (1.0 - 0.01 * _bar(row)) <= best[FUEL]]
    level = f"; {times(len(rivals), 'other')} {'is' if len(rivals) == 1 else 'are'} level with it" if rivals else ""
    return f"case {best['case']} needs least, {best[FUEL]:.3f} l/100 km{', with ' + listed(values) if values else ''}{level}"


def _bar(row: Row) -> float:
    """Error bar of a case [%], nothing where the study has none."""
    return float(row.get("gap_percent") or 0.0) + float(row.get("table_error_percent") or 0.0)


def _sections(study: Study) -> list[Section]:
    best, figures = _best(study), _figures(study)
    more = len(study.rows) - MOST_ROWS
    sections = [Section("best", "Best cases", "", (), best)] if best else []
    sections += [Section("figures", "The cases against each other", "", figures)] if figures else []
    return [*sections,
            Section("cases", "Every case", "", (), [_table(study, study.rows[:MOST_ROWS])],
                    [*([f"And {more} more, in table.csv."] if more > 0 else []),
                     *(["What breaks a requirement is told in the column broken; it is left out of best cases, fronts and maps, and not "
                        "dropped."] if study.require else [])]),
            Section("study", "The study as it was asked", text=study.text)]


def _table(study: Study, rows: Sequence[Row], above: str = "") -> Table:
    """A row a case; above : what the rows are, which tells the cycle too"""
    names = [n for n in shown_columns(study, ()) if not (above and n == "cycle") and (n != "broken" or any(row[n] for row in rows))]
    numeric = [i > 0 and is_numeric(study, n) for i, n in enumerate(names)]
    return Table(names, [[cell(row.get(n), n) for n in names] for row in rows], numeric, above=above)


def _best(study: Study) -> list[Table]:
    """The best cases on each cycle, and of all cycles together when there are several."""
    if FUEL not in study.headings or not study.done:
        return []
    cycles = list(dict.fromkeys(row["cycle"] for row in study.rows))
    tables = []
    if len(cycles) > 1:
        mean = study.across_cycles()
        if mean.done:
            tables.append(_table(mean, mean.best(FUEL, count=5).rows, f"Least mean fuel over {len(cycles)} cycles"))
    for cycle in cycles:
        own = dataclasses.replace(study, rows=tuple(row for row in study.rows if row["cycle"] == cycle))
        if own.done:
            tables.append(_table(own, own.best(FUEL, count=5).rows, f"Least fuel on {cycle}"))
    return tables


def _figures(study: Study) -> list[Chart]:
    """Fronts between cycles and a map over the first two keys with several values, where there are any."""
    if FUEL not in study.headings or not study.done:
        return []
    cycles = list(dict.fromkeys(row["cycle"] for row in study.rows))
    across = study.across_cycles()
    several = len(cycles) > 1 and bool(across.done)
    charts = []
    for number, other in enumerate(cycles[1:] if several else ()):
        first, second = f"{FUEL}@{cycles[0]}", f"{FUEL}@{other}"
        front = len(across.pareto(first, second).rows)
        words = (f"{front} of {times(len(across.done), 'variation')} {'is' if front == 1 else 'are'} not beaten on both {cycles[0]} and "
                 f"{other}: those on the line.")
        charts.append(_drawn(partial(plot_pareto, across, first, second), words, f"front-{number}-"))
    keys = [path for path in study.varied if len({str(row[path]) for row in study.rows}) > 1][:2]
    table = across if several else study
    dots = len(keys) == 2 and is_sample(study, keys[0], keys[1])
    if dots or (len(keys) == 2 and all(len({str(row[key]) for row in study.rows}) <= MOST_CELLS for key in keys)):
        what = f"{label(FUEL)}, mean of {len(cycles)} cycles" if several else label(FUEL)
        how = f"Each dot is a variation, its colour {what}." if dots else f"Each cell: {what}; what else varies is at its best."
        charts.append(_drawn(partial(plot_map, table, keys[0], keys[1], FUEL), f"{_span(table, keys)} {how}", "map-"))
    return charts


def _span(study: Study, keys: Sequence[str]) -> str:
    """'Least at gears.first.ratio 2.5 and gears.second.ratio 1.4; the dearest case needs 3.1 % more.'"""
    rows = sorted((row for row in study.done if row[FUEL] is not None and row["meets"] is not False), key=lambda row: row[FUEL])
    if not rows or rows[0][FUEL] <= 0.0:
        return ""
    where = listed([f"{key} {cell(rows[0][key], key)}" for key in keys])
    return f"Least at {where}; the dearest case needs {100.0 * (rows[-1][FUEL] / rows[0][FUEL] - 1.0):.1f} % more."


def _drawn(plot: Callable[..., Axes], words: str, prefix: str) -> Chart:
    """A figure drawn twice, broad and, for a telephone, narrow: the page shows the one there is room for."""
    forms = ((broad, "broad"), (narrow, "narrow"))
    return Chart("".join(vector(plot(ax=make()), words, f"{prefix}{form}-", form) for make, form in forms), words)
