"""What a polished trip says about the optimum, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.present.text import times

if TYPE_CHECKING:
    from ems.solve.polish import Polished


def polish_text(polished: Polished) -> list[str]:
    """Lines under the optimum's own."""
    if not polished.solved:
        return ["", f"Second opinion: none, the smooth program did not converge ({polished.status}, {polished.iterations} iterations)."]
    return [
        "",
        f"Second opinion (same configurations, maps smoothed, one nonlinear program): {polished.objective_g:.2f} g, "
        f"{_apart(polished.difference_percent)} the optimum; the smoothing alone puts it {_apart(polished.smoothing_percent)}.",
        f"Its choices in the true plant: {polished.replayed_g:.2f} g, {_apart(polished.replayed_percent)} the optimum.",
        *_prices(polished),
        *_broken(polished),
    ]


def _prices(polished: Polished) -> list[str]:
    """Its multiplier beside the two other prices of stored energy, as far as there are any."""
    beside = ((polished.costate_difference_percent, "the costate"),
              (polished.slope_difference_percent, "the slope of the dynamic programming's values"))
    told = [f"{_apart(percent)} {what}" for percent, what in beside if percent is not None]
    return [f"Its price of stored energy is {' and '.join(told)}."] if told else []


def _broken(polished: Polished) -> list[str]:
    """Which limits the program's choices overstep, by how much, and what was done there."""
    if polished.broken_limits == 0:
        return []
    which = ", ".join(f"{what} ({n})" for what, n in polished.broken_what.items())
    where = times(polished.broken_limits, "interval")
    return [f"In {where} a choice that the smooth maps allow lies beyond a limit of the true plant: {which}. "
            "The optimum's own choice is replayed there."]


def _apart(percent: float) -> str:
    return f"{abs(percent):.3f} % {'above' if percent > 0 else 'below'}"
