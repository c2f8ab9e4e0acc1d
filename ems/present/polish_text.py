"""What a polished trip says about the optimum, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ems.solve.polish import Polished


def polish_text(polished: Polished) -> list[str]:
    """Lines under the optimum's own."""
    if not polished.solved:
        return ["", f"Second opinion: none, the smooth program did not converge ({polished.status}, {polished.iterations} iterations)."]
    limits = "" if polished.broken_limits == 0 else f", which breaks a limit by a rounding in {polished.broken_limits} of its intervals"
    return [
        "",
        f"Second opinion (same configurations, maps smoothed, one nonlinear program): {polished.objective_g:.2f} g, "
        f"{_apart(polished.difference_percent)} the optimum; the smoothing alone puts it {_apart(polished.smoothing_percent)}.",
        f"Its choices in the true plant: {polished.replayed_g:.2f} g, {_apart(polished.replayed_percent)}{limits}. "
        f"Its price of stored energy is {_apart(polished.costate_difference_percent)} the costate.",
    ]


def _apart(percent: float) -> str:
    return f"{abs(percent):.3f} % {'above' if percent > 0 else 'below'}"
