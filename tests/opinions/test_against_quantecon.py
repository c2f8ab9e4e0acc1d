"""Our sweep against QuantEcon's discrete dynamic programming on the same tabulated windows.

Source: quantecon.markov.DiscreteDP and backward_induction (Sargent and Stachurski's QuantEcon.py), values by its own Bellman operator.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems.solve.dynamic import full_corridor

pytest.importorskip("quantecon", reason="needs the test extra quantecon")


@pytest.mark.parametrize("layout, start, end, nodes", [("series", 50, 65, 41), ("input-split", 40, 50, 31), ("three-clutch", 100, 108, 21)])
def test_values_are_those_of_backward_induction(pieces, layout, start, end, nodes):
    """The voltage depends on charge, changes of configuration cost fuel and stored energy: every value to 1e-9 g."""
    from general import our_values, quantecon_values

    problem = pieces.problem(layout, "udds", start, end, gain_J=-2e4)
    corridor = full_corridor(problem, nodes, 2.5 / problem.plant.heating_value_J_g)
    ours, theirs = our_values(problem, corridor), quantecon_values(problem, corridor)
    reached = ours[1:-1] < 1e6              # elsewhere no trip leads to the node: ours says impossible, theirs has a value nobody asks for
    assert reached.mean() > 0.3
    assert ours[1:-1][reached] == pytest.approx(theirs[1:-1][reached], abs=1e-9)
    assert np.ptp(ours[1][reached[0]]) > 1.0
