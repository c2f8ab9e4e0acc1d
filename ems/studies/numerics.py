"""Which arithmetic the cases of a study come from."""

from __future__ import annotations

from collections.abc import Iterable

from ems.numerics import numerics_version
from ems.studies.solvers import Solver


def numerics_of(solvers: Iterable[Solver]) -> str:
    """The version of the arithmetic behind some solvers."""
    return numerics_version(tuple(sorted({folder for solver in solvers for folder in solver.uses})))
