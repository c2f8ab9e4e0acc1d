"""Formulas of the regulations against figures that were not computed here; the source stands beside each."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ems.regulations import charge_balance, sae_j2841, un_gtr15, un_r101
from ems.regulations.figures import ChargeRuns, Figures, Part, figures_of
from ems.regulations.utility import increments
from ems.regulations.weightings import TEXTS, WEIGHTINGS

SUSTAINING = Figures(5.0, 116.5, 0.0)


def electric(km, kWh=4.0):
    return Part(km, 0.0, 0.0, kWh)


def runs(*cycles, sustaining=SUSTAINING, electric_range_km=50.0):
    return ChargeRuns(tuple(tuple(c) for c in cycles), sustaining, electric_range_km)


EU_2017_1151 = "Regulation (EU) 2017/1151, Annex XXI, Sub-Annex 8 (UN GTR No. 15, Annex 8), coefficients of Table A8.App5/1"


# UN R101, Annex 8 (formula from memory, corroborated second-hand); the two results are plain arithmetic with D_av = 25 km.
@pytest.mark.parametrize("depleting, sustaining, result", [(0.0, 5.0, 5.0 / 3.0), (1.2, 5.4, 2.6)])
def test_r101_worked_examples(depleting, sustaining, result, outside_check):
    figures = un_r101.weighted(50.0, Figures(depleting, 0.0, 20.0), Figures(sustaining, 0.0, 0.0))
    outside_check(figures.fuel_l_per_100km, source="UN Regulation No. 101, Annex 8 (from memory)", value=result, unit="l/100 km",
                  quantity=f"weighted consumption of {depleting:g} and {sustaining:g} l/100 km, electric range 50 km", tolerance=1e-9)
    assert figures.electricity_kWh_per_100km == pytest.approx(20.0 * 50.0 / 75.0)


def test_r101_both_ways_differ_by_their_condition_a():
    """One cycle of 11 km and the engine starting at 16.5 km, against both cycles of 22 km: by hand."""
    both = runs([electric(11.0, 2.0)], [Part(11.0, 0.22, 512.6, 1.0)], electric_range_km=16.5)
    first, all_cycles = un_r101.by_electric_range(both), un_r101.by_ovc_range(both)
    assert first.figures.fuel_l_per_100km == pytest.approx(25.0 * 5.0 / 41.5)
    assert first.figures.electricity_kWh_per_100km == pytest.approx(16.5 * (200.0 / 11.0) / 41.5)
    assert all_cycles.figures.fuel_l_per_100km == pytest.approx((22.0 * 1.0 + 25.0 * 5.0) / 47.0)
    assert all_cycles.figures.electricity_kWh_per_100km == pytest.approx(22.0 * (300.0 / 22.0) / 47.0)


# Derived from Regulation (EU) 2017/1151, Annex XXI, Sub-Annex 8, Appendix 5, Table A8.App5/1 (coefficients read).
@pytest.mark.parametrize("km, factor", [(25.0, 0.536070), (50.0, 0.754590), (100.0, 0.902075)])
def test_utility_factor_of_800_km(km, factor, outside_check):
    outside_check(un_gtr15.utility(km, 800.0), source=EU_2017_1151, value=factor, unit="-", tolerance=5e-7,
                  quantity=f"utility factor at {km:g} km, 800 km normalised")


def test_utility_factors_of_three_whole_cycles(outside_check):
    """Three WLTC class 3b of 23.266 km; derived from the same table."""
    factors = increments([23.266, 46.532, 69.798], lambda d: un_gtr15.utility(d, 800.0))
    for number, (ours, factor) in enumerate(zip(factors, [0.512633, 0.221465, 0.103389], strict=True), 1):
        outside_check(ours, source=EU_2017_1151, quantity=f"utility factor of whole WLTC number {number}", value=factor, unit="-",
                      tolerance=2e-6)


def test_later_normalised_distances_stretch_the_same_curve():
    for km in un_gtr15.NORMALISED_KM[1:]:
        assert un_gtr15.utility(50.0 * km / 800.0, km) == pytest.approx(un_gtr15.utility(50.0, 800.0), rel=1e-14)


def test_fleet_utility_factor_at_forty_miles(outside_check):
    """SAE J2841 (2010), derived from its coefficients, which are from memory."""
    outside_check(sae_j2841.fleet(40.0 * 1.609344), source="SAE J2841 (2010) (from memory)", quantity="fleet utility factor at 40 miles",
                  value=0.6172, unit="-", tolerance=5e-5)


def test_every_coefficient_of_sae_j2841_counts():
    """At the normalised distance every power is one: UF = 1 - exp(-sum of the coefficients); worked by hand, 4.658 and 4.78. Nearer, where
    the factor is far from one, the terms by hand at 79.98 miles, a fifth of it (derived from the coefficients, which are from memory)."""
    norm_km = 399.9 * 1.609344
    assert sae_j2841.fleet(norm_km) == pytest.approx(1.0 - math.exp(-4.658), rel=1e-12)
    assert sae_j2841.individual(norm_km) == pytest.approx(1.0 - math.exp(-4.78), rel=1e-12)
    fleet = 2.104 - 0.29128 - 0.21096 + 0.126528 - 0.0247552 + 0.00166848
    individual = 2.62 - 0.748 + 0.04176 + 0.01304 + 0.0011296 - 8.576e-5 - 5.13280e-5 - 9.984e-6 - 5.888e-7 + 3.973120e-7
    assert sae_j2841.fleet(norm_km / 5) == pytest.approx(1.0 - math.exp(-fleet), rel=1e-12)
    assert sae_j2841.individual(norm_km / 5) == pytest.approx(1.0 - math.exp(-individual), rel=1e-12)


@pytest.mark.parametrize("curve", [*(lambda d, n=n: un_gtr15.utility(d, n) for n in un_gtr15.NORMALISED_KM),
                                   sae_j2841.fleet, sae_j2841.individual], ids=["800", "2200", "4260", "fleet", "individual"])
def test_every_curve_begins_at_nothing_and_stays_a_share(curve):
    values = np.array([curve(d) for d in np.linspace(0.0, 300.0, 601)])
    assert values[0] == 0.0
    assert np.all((values >= 0.0) & (values <= 1.0))
    assert np.all(np.diff(values) > 0.0)
    assert curve(1e5) <= 1.0


@pytest.mark.parametrize("name", WEIGHTINGS)
def test_no_weighting_moves_a_figure_that_both_tests_share(name):
    """Where depleting and sustaining figures are the same there is nothing to weigh."""
    same = Figures(5.0, 116.5, 0.0)
    phase = Part(11.5, 0.575, 11.5 * 116.5, 0.0)
    figures = WEIGHTINGS[name].of(runs([phase, phase], [phase, phase], sustaining=same)).figures
    assert figures.fuel_l_per_100km == pytest.approx(5.0)
    assert figures.co2_g_per_km == pytest.approx(116.5)


@pytest.mark.parametrize("name", WEIGHTINGS)
def test_a_car_without_depleting_cycles_keeps_its_sustaining_figure(name):
    assert WEIGHTINGS[name].of(runs(electric_range_km=0.0)).figures == SUSTAINING


def test_transition_cycle_counts_with_its_own_factor():
    """Two cycles, the second half fuelled: ``UF_2 X_2`` and the rest at the sustaining figure, by the table's UF of 50 and 25 km."""
    both = runs([electric(25.0)], [Part(25.0, 0.5, 1165.0, 2.0)])
    got = un_gtr15.weighted(both, 800.0)
    second = 0.754590 - 0.536070
    assert got.depleting_share == pytest.approx(0.754590, abs=1e-6)
    assert got.figures.fuel_l_per_100km == pytest.approx(second * 2.0 + (1.0 - 0.754590) * 5.0, abs=1e-5)
    assert got.figures.electricity_kWh_per_100km == pytest.approx(0.536070 * 16.0 + second * 8.0, abs=1e-4)


def test_break_off_at_four_percent():
    """UN GTR 15, Annex 8, para. 3.2.4.5 (from memory)."""
    assert un_gtr15.breaks_off(-0.0399e6, 1e6)
    assert not un_gtr15.breaks_off(0.04e6, 1e6)


def test_ranges_of_a_sequence_by_hand():
    """Two electric cycles of 20 km and a transition cycle with three quarters of the sustaining carbon dioxide."""
    cycles = [[electric(20.0)], [electric(20.0)], [Part(20.0, 0.75, 20.0 * 75.0, 1.0)]]
    assert un_gtr15.actual_depleting_range_km(cycles, 100.0) == pytest.approx(45.0)
    assert un_gtr15.equivalent_electric_range_km(cycles, 100.0) == pytest.approx(60.0 * (1.0 - 25.0 / 100.0))


def test_regression_is_the_least_squares_line():
    """Against NumPy's polynomial fit, and exact on a line."""
    x, y = [-0.3, -0.1, 0.0, 0.2, 0.4], [5.3, 5.12, 5.0, 4.77, 4.61]
    assert charge_balance.coefficient(x, y) == pytest.approx(np.polyfit(x, y, 1)[0], rel=1e-12)
    line = [5.0 - 0.9 * value for value in x]
    slope = charge_balance.coefficient(x, line)
    assert slope == pytest.approx(-0.9)
    assert [charge_balance.corrected(b, a, slope) for a, b in zip(x, line, strict=True)] == pytest.approx([5.0] * 5)


@pytest.mark.parametrize("x, complaint", [([0.1] * 5, "same electric"), ([0.1, 0.2], "5 tests at least")])
def test_regression_says_why_there_is_no_slope(x, complaint):
    with pytest.raises(ValueError, match=complaint):
        charge_balance.coefficient(x, [5.0] * len(x))


def test_correction_is_due_for_losses_above_the_threshold_only():
    """Regulation (EU) 2017/1151, Sub-Annex 8, Appendix 2, Table A8.App2/1 (figures from memory)."""
    assert charge_balance.due(0.0051, 1.0)
    assert not charge_balance.due(0.0049, 1.0)
    assert not charge_balance.due(-0.5, 1.0)
    assert not charge_balance.due(0.0149, 1.0, "low and medium")


def test_figures_add_over_parts():
    assert figures_of([electric(10.0, 2.0), Part(30.0, 1.2, 2796.0, 0.0)]) == Figures(3.0, 69.9, 5.0)


def test_every_text_names_paragraphs_gaps_and_where_to_look():
    for text in TEXTS:
        assert text.paragraphs and text.left_out and text.source and text.in_force
