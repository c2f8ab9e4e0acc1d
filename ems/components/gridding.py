"""Maps as grids: rows that fill a rectangle as they are, scattered bench points by a smooth surface with its error told.

The surface is a thin-plate spline over both axes, each scaled to 0..1, on top of a polynomial (scipy's ``RBFInterpolator``;
R. Franke, Scattered data interpolation: tests of some methods, Mathematics of Computation 38, 1982; from memory). How much it
smooths is chosen by leaving points out: of a few strengths the one that foretells best the points it has not seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ems.components.checks import check_repeats, rectangle
from ems.components.csvfile import Columns
from ems.components.interpolation import bilinear
from ems.errors import Mistakes
from ems.types import Array, BoolArray

AXES = ("speed_rpm", "torque_Nm")
FEWEST, MOST = 12, 2000          # bench points
FOLDS = 5
CHOOSING = 300                   # so many points at most take part in choosing the smoothing
SMOOTHINGS = (0.0, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1)
FAR = 0.25
"""Share of the axes' ranges: no node in use may be farther from every bench point."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Values on a rectangle of speeds and torques.

    speed_rpm, torque_Nm : (n,), (m,) strictly increasing
    value : (n, m)
    note  : what was done to the rows, with the error it left; empty for rows that are the grid
    """

    speed_rpm: Array
    torque_Nm: Array
    value: Array
    note: str = ""


@dataclass(frozen=True, slots=True)
class Surface:
    """How scattered values are to be made a surface.

    unit       : of the values, for the note
    by_speed   : fit the value over speed rather than the value; fuel by angle is nearly straight in torque (Willans)
    degree     : of the polynomial below the spline, 1 or 2
    speed_rpm, torque_Nm : (n,), (m,) axes of the grid
    in_use     : (n, m) nodes where the component may work; those must be near bench points
    """

    unit: str
    by_speed: bool
    degree: int
    speed_rpm: Array
    torque_Nm: Array
    in_use: BoolArray


def rectangular(points: Columns, value: Array, mistakes: Mistakes) -> Grid | None:
    """The rows as a grid; None when they fill no rectangle, with the reasons in ``mistakes``."""
    found = rectangle(points, *AXES, mistakes)
    return None if found is None else Grid(found.x, found.y, value[found.row])


def scattered(points: Columns, value: Array, surface: Surface, mistakes: Mistakes) -> Grid | None:
    """Bench points made a grid; None when they do not allow it, with the reasons in ``mistakes``.

    value : (rows,) what the rows measured, NaN where it could not be read
    """
    before = len(mistakes.found)
    check_repeats(points, AXES, "each point once; keep one, or their mean", mistakes)
    count = value.size
    if not FEWEST <= count <= MOST:
        mistakes.add(points.where, "", f"{count} bench points", f"{FEWEST} to {MOST} of them")
    for name in AXES:
        if np.unique(points[name]).size < 3:
            mistakes.add(points.where, f"column {name}", f"{np.unique(points[name]).size} different values", "at least three")
    if len(mistakes.found) > before or not np.all(np.isfinite([value, points[AXES[0]], points[AXES[1]]])):
        return None
    return _gridded(points, value, surface, mistakes)


def _gridded(points: Columns, value: Array, surface: Surface, mistakes: Mistakes) -> Grid | None:
    speed, torque = points[AXES[0]], points[AXES[1]]
    axes = (surface.speed_rpm, surface.torque_Nm)
    low = np.array([min(a[0], p.min()) for a, p in zip(axes, (speed, torque), strict=True)])
    span = np.array([max(a[-1], p.max()) for a, p in zip(axes, (speed, torque), strict=True)]) - low
    at = (np.column_stack([speed, torque]) - low) / span
    nodes = (np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) - low) / span
    if _too_far(points, at, nodes, surface, mistakes):
        return None
    divisor = speed if surface.by_speed else np.ones(value.size)
    fitted = value / divisor
    smoothing, left_out = _smoothing(at, fitted, divisor, surface.degree)
    try:
        grid = _spline(at, fitted, smoothing, surface.degree)(nodes.reshape(-1, 2)).reshape(nodes.shape[:2])
    except np.linalg.LinAlgError:
        mistakes.add(points.where, "", "bench points on one curve", "points spread over speed and torque")
        return None
    grid = grid * (surface.speed_rpm[:, None] if surface.by_speed else 1.0)
    error = bilinear(*axes, grid, speed, torque) - value
    return Grid(*axes, grid, _note(points, value, error, left_out, surface, _outside(at, nodes[surface.in_use])))


def _spline(at: Array, value: Array, smoothing: float, degree: int) -> Callable[[Array], Array]:
    from scipy.interpolate import RBFInterpolator

    size = float(np.std(value)) or 1.0
    fit = RBFInterpolator(at, value / size, kernel="thin_plate_spline", degree=degree, smoothing=smoothing)
    return lambda where: size * fit(where)


def _smoothing(at: Array, fitted: Array, divisor: Array, degree: int) -> tuple[float, float]:
    """The best of ``SMOOTHINGS``, and the root mean square error at points left out with it, in the value's unit."""
    step = -(-fitted.size // CHOOSING)
    foretold = [_left_out(at[::step], fitted[::step], divisor[::step], smoothing, degree) for smoothing in SMOOTHINGS]
    best = SMOOTHINGS[int(np.argmin(foretold))]
    return best, min(foretold) if step == 1 else _left_out(at, fitted, divisor, best, degree)


def _left_out(at: Array, fitted: Array, divisor: Array, smoothing: float, degree: int) -> float:
    """Root mean square error at points left out of the fit, a fifth of them at a time; inf where that leaves no surface."""
    error = np.empty(fitted.size)
    for fold in range(FOLDS):
        out = np.arange(fitted.size) % FOLDS == fold
        try:
            error[out] = (_spline(at[~out], fitted[~out], smoothing, degree)(at[out]) - fitted[out]) * divisor[out]
        except np.linalg.LinAlgError:
            return float("inf")
    return float(np.sqrt(np.mean(error**2)))


def _too_far(points: Columns, at: Array, nodes: Array, surface: Surface, mistakes: Mistakes) -> bool:
    """Whether a node in use is far from all bench points; the farthest one is told."""
    from scipy.spatial import cKDTree

    distance, nearest = cKDTree(at).query(nodes)
    distance = np.where(surface.in_use, distance, 0.0)
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    if distance[i, j] <= FAR:
        return False
    row = int(np.asarray(nearest)[i, j])
    mistakes.add(points.where, f"speed_rpm {surface.speed_rpm[i]:.4g}, torque_Nm {surface.torque_Nm[j]:.4g}",
                 f"no bench point near; the nearest is in line {points.line_numbers[row]}, {points[AXES[0]][row]:g} rpm and "
                 f"{points[AXES[1]][row]:g} N m", f"one within {100 * FAR:.0f} % of the axes' ranges wherever it may work")
    return True


def _outside(at: Array, nodes: Array) -> tuple[int, int]:
    """How many nodes lie outside the bench points' convex hull, and of how many."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        sides = ConvexHull(at).equations
    except QhullError:
        return len(nodes), len(nodes)
    beyond = nodes @ sides[:, :2].T + sides[:, 2] > 1e-9
    return int(np.sum(np.any(beyond, axis=1))), len(nodes)


def _note(
    points: Columns, value: Array, error: Array, left_out: float, surface: Surface, outside: tuple[int, int]
) -> str:
    """What was done and how well it fits."""
    error = np.where(np.isfinite(error), error, 0.0)
    mean, worst = float(np.mean(np.abs(value))), int(np.argmax(np.abs(error)))
    rms = float(np.sqrt(np.mean(error**2)))
    share = 100.0 * abs(error[worst]) / max(abs(value[worst]), 1e-12)
    return (
        f"{points.where}: {value.size} bench points made a grid of {surface.speed_rpm.size} x {surface.torque_Nm.size}; error at "
        f"the points {_short(rms)} {surface.unit} root mean square ({_short(100 * rms / mean, 2)} % of the mean), "
        f"{_short(abs(error[worst]))} {surface.unit} at worst (line {points.line_numbers[worst]}, {_short(share, 2)} % of the value); "
        f"at points left out of the fit {_short(left_out)} {surface.unit} ({_short(100 * left_out / mean, 2)} %); {outside[0]} of "
        f"{outside[1]} nodes in use lie outside the points"
    )


def _short(value: float, digits: int = 3) -> str:
    """A few digits, no exponent for large numbers."""
    return f"{value:.0f}" if value >= 10**digits else f"{value:.{digits}g}"
