"""Every shipped layout and variant, default tables and lanes, on three minutes of town: gap and table error as promised, and the trip put
into the equations again. Whole cycles of all of them: `EMS_LONG=1` (`test_certificate_alone.py`) and `benchmarks/matrix.py`.

Source: the promised figures are the project's own; the relations are those of `substituted.py`.
"""

from __future__ import annotations

import pytest

from ems import library
from ems.layout.based_on import read_layout
from ems.solve.cells import raised_bound_g
from tests.solve.substituted import substituted

PIECE = ("udds", 160, 340)      # from a standstill to 91 km/h and down to a stop
PROMISED_PERCENT, BINDING_PERCENT, TABLES_PERCENT = 0.05, 0.15, 0.05
FEW_STARTS = ("series-parallel-chargeable", "three-clutch-chargeable")


@pytest.mark.parametrize("name", library.names("layout"))
def test_gap_and_tables(pieces, name):
    """At most 0.05 % each. Two variants have a duality gap on so short a trip, which burns 108 g in two or three runs of the engine: 0.07
    and 0.11 % when they were measured. They are let through with what is promised where a window binds."""
    found = pieces.optimum(name, *PIECE)
    assert found.fuel_g > 100.0 and found.engine_starts >= 1
    assert 0 < found.lower_bound_g <= found.objective_g
    assert 100 * (1 - found.lower_bound_g / found.objective_g) <= (BINDING_PERCENT if name in FEW_STARTS else PROMISED_PERCENT)
    assert 0 <= found.table_error_percent <= TABLES_PERCENT
    assert found.soc_end >= found.soc_start - 1e-9 and found.surplus_J < 1e3
    above = 1.5 * (found.objective_g - found.bound.bound_g) + 1e-3      # as far above the trip as the cells can be made to look
    assert raised_bound_g(found.problem, found.bound, above, 2000) <= found.objective_g + 1e-9
    substituted(found, read_layout(library.find("layout", name, where="test"), name).data)
