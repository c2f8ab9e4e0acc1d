"""Our sweep against QuantEcon's discrete dynamic programming on the same tabulated windows.

Source: quantecon.markov.DiscreteDP and backward_induction (Sargent and Stachurski's QuantEcon.py), values by its own Bellman operator.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems.solve.dynamic import full_corridor

pytest.importorskip("quantecon", reason="needs the test extra quantecon")


WINDOWS = [("series", 50, 65, 41), ("input-split", 40, 50, 31), ("three-clutch", 100, 108, 21)]


def compared(problem, nodes, single=False):
    """(ours, theirs, where a trip can be)."""
    from general import our_values, quantecon_values

    corridor = full_corridor(problem, nodes, 2.5 / problem.plant.heating_value_J_g)
    ours, theirs = our_values(problem, corridor, single)[1:-1], quantecon_values(problem, corridor)[1:-1]
    reached = ours < 1e6
    assert reached.mean() > 0.3
    return ours, theirs, reached


@pytest.mark.parametrize("layout, start, end, nodes", WINDOWS)
def test_values_are_those_of_backward_induction(pieces, layout, start, end, nodes):
    """Constant voltage; changes of configuration cost fuel and stored energy: every value to 1e-9 g."""
    battery = pieces.constant_battery(resistance_ohm=0.15, capacity_As=6e3)
    ours, theirs, reached = compared(pieces.problem(layout, "udds", start, end, battery=battery, gain_J=-2e4), nodes)
    np.testing.assert_allclose(ours[reached], theirs[reached], rtol=0, atol=1e-9)
    assert np.ptp(ours[0][reached[0]]) > 1.0


@pytest.mark.parametrize("layout, start, end, nodes", WINDOWS)
def test_single_precision_has_the_same_values(pieces, layout, start, end, nodes):
    """The sweep as the optimum runs it: 0.05 mg, and a part in a million of what is dear."""
    battery = pieces.constant_battery(resistance_ohm=0.15, capacity_As=6e3)
    ours, theirs, reached = compared(pieces.problem(layout, "udds", start, end, battery=battery, gain_J=-2e4), nodes, single=True)
    np.testing.assert_allclose(ours[reached], theirs[reached], rtol=1e-6, atol=5e-5)


@pytest.mark.parametrize("layout, start, end, nodes", WINDOWS)
def test_parabola_for_the_square_root_costs_little(pieces, layout, start, end, nodes):
    """Voltage that depends on charge: our backward pass puts a parabola through three square roots, QuantEcon has each one. The values
    inside the window differ by at most 0.05 % or 2 mg (the driven trip itself is exact)."""
    ours, theirs, reached = compared(pieces.problem(layout, "udds", start, end, gain_J=-2e4), nodes)
    inside = reached & (theirs < theirs[0].min() + 60.0)
    np.testing.assert_allclose(ours[inside], theirs[inside], rtol=5e-4, atol=2e-3)
