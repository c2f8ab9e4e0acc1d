"""One second of a simulation: a choice asked for becomes the nearest possible one.

The plant is that of the tables (``make_cut``, ``best_division``, ``terminal_power``); nothing here is snapped to a grid.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.box import best_division, engine_range
from ems.kernels.golden import bracket, told, wanted
from ems.kernels.jit import NO, YES, compiled, compiled_inner
from ems.kernels.plant import COUPLED, OK, Bench, Cut, PlantArrays, free_range, fuel_rate, make_cut, terminal_power

# What was changed of a choice asked for, and why: bits, added up.
SPEED, TORQUE, DIVISION, REGENERATION, BATTERY, IMPOSSIBLE = 1, 2, 4, 8, 16, 32

POINTS, STEPS = 7, 12       # scan and golden-section steps of the division between machines
LADDER, SHARES = 24, 8      # steps of engine torque, and of the braking torque's share, looked at for the nearest possible one
HALVINGS = 30
SPEEDS = 14                 # golden-section steps over a free engine speed
ROUNDING_W = 1e-6
MISSED_W = 10.0             # by which a battery power asked for may be missed without being counted
MARGIN_J = 1e-3             # kept from the ends of the window, against rounding


class Second(NamedTuple):
    """What the road asks: wheel speed [rad/s], acceleration [rad/s2], torque [N m], auxiliaries [W], length [s]; and the least torque
    that each limited axle may take, (A,) [N m]."""

    ww: float
    alpha: float
    Tw: float
    aux: float
    dt: float
    axle_least: Any


class Asked(NamedTuple):
    """A choice asked for; nan leaves it to the simulator.

    f : free engine speed [rad/s]    Te : engine torque [N m]
    P : battery terminal power [W], used where Te is nan; where it is nan too, the engine follows the demand as far as it can
    inner : (I,) torques of the machines that are free to choose [N m]    share : of the braking torque that is regenerated
    """

    f: float
    Te: float
    P: float
    inner: Any
    share: float


class Room(NamedTuple):
    """What the battery can take this second: terminal power from low to high [W], x out and in [1/W]."""

    low: float
    high: float
    x_out: float
    x_in: float


@compiled
def room(b: BatteryArrays, e: float, dt: float, keep: Any) -> Room:
    """Terminal powers that keep current, power and window.

    keep : (3,) what is left above the window's low end lasts this long at least [s], once this much of it is set aside [J];
    and the energy below its high end that is not charged [J]
    """
    soc, v, rd, rc = state(b, min(max(e, b.energy_J[0]), b.energy_J[b.energy_J.size - 1]))
    low, high = power_limits(b, soc, v, rd, rc)
    x_out, x_in = rd / (v * v), rc / (v * v)
    left = e - b.low_J - keep[1] - MARGIN_J
    out = left / (dt if left < 0.0 else max(dt, keep[0]))
    if out < 0.0:
        high = min(high, out - x_in * out * out)
    elif out < 0.5 / x_out:
        high = min(high, out - x_out * out * out)
    over = (e - b.high_J + MARGIN_J) / dt
    into = max(min(over + keep[2] / dt, 0.0), over)
    low = max(low, into - x_in * into * into) if into < 0.0 else max(low, into)
    return Room(low, high, x_out, x_in)


@compiled
def internal(space: Room, P: float) -> float:
    """Electrochemical power of terminal power P [W]."""
    return electrochemical(P, space.x_out if P > 0.0 else space.x_in)


@compiled
def _power(cut: Cut, now: Second, asked: Asked, share: float, Te: float, free: bool) -> float:
    """Terminal power with this share of the braking torque and this engine torque; division as asked, or the best where ``free``."""
    Tw = now.Tw * share if now.Tw < 0.0 else now.Tw
    if free or math.isnan(asked.inner[0]):
        P = best_division(cut, Tw, Te, POINTS, STEPS, NO)
    else:
        cut.x[0], cut.x[1] = Tw, Te
        for i in range(cut.fixed - 2):
            cut.x[2 + i] = asked.inner[i] if i < cut.inner_source.size else 0.0
        P, _ = terminal_power(cut)
    if P < math.inf and cut.out[cut.speed.size] < now.Tw - 1e-9 * (1.0 + abs(now.Tw)):
        return math.inf                                 # nothing reaches the wheels, and brakes cannot push
    return P


@compiled_inner
def fits(space: Room, P: float) -> bool:
    """Whether the battery has room for terminal power P [W]."""
    return space.low - ROUNDING_W <= P <= space.high + ROUNDING_W


@compiled
def _torque_for(cut: Cut, now: Second, asked: Asked, share: float) -> float:
    """Engine torque at which the battery gives the power asked, by bisection: more torque, less battery power."""
    P = 0.0 if math.isnan(asked.P) else asked.P
    under, over = engine_range(cut, now.Tw * share if now.Tw < 0.0 else now.Tw)
    under, over = max(under, 0.0), min(over, cut.limit[0])
    if under > over:
        return 0.0
    if _power(cut, now, asked, share, under, NO) <= P:
        return under
    for _ in range(HALVINGS):
        middle = 0.5 * (under + over)
        if _power(cut, now, asked, share, middle, NO) > P:       # inf: the machines cannot carry so much of the wheels' demand
            under = middle
        else:
            over = middle
    return over


@compiled
def _speed_for(plant: PlantArrays, bench: Bench, t: int, now: Second, asked: Asked, low: float, high: float) -> float:
    """Free engine speed of least fuel at which the torque for the power asked is had."""
    best, least = low, math.inf
    step = (high - low) / 8.0
    search = bracket(low, high)
    for q in range(9 + SPEEDS):
        if q == 9:
            search = bracket(max(low, best - step), min(high, best + step))
        f = low + q * step if q < 9 else wanted(search)
        cut = make_cut(plant, bench, t, now.ww, f, now.alpha, now.aux, now.axle_least)
        cost = math.inf
        if cut.code == OK:
            Te = asked.Te if not math.isnan(asked.Te) else _torque_for(cut, now, asked, 1.0)
            P = _power(cut, now, asked, 1.0, min(Te, cut.limit[0]), NO)
            if P < math.inf:
                cost = fuel_rate(cut)
                if math.isnan(asked.Te):
                    cost += 1e-3 * max(P - (0.0 if math.isnan(asked.P) else asked.P), 0.0)
        if cost < least:
            best, least = f, cost
        if q >= 9:
            search = told(search, cost)
    return best


@compiled
def _most_electricity(cut: Cut, now: Second, asked: Asked, space: Room, Te: float) -> float:
    """Share of the braking torque that gives most electricity within the battery's room; nan where no share does."""
    most = 1.0
    if not fits(space, _power(cut, now, asked, 1.0, Te, NO)):
        most = _nearest(cut, now, asked, space, 1.0, Te, NO, YES)
        if math.isnan(most):
            return most
    search = bracket(0.0, 0.5 * most)           # over what is left to the friction brakes
    for _ in range(STEPS + 1):
        search = told(search, _power(cut, now, asked, most - wanted(search), Te, NO))
    middle = most - 0.5 * (search.a + search.b)
    P = _power(cut, now, asked, middle, Te, NO)
    return middle if fits(space, P) and _power(cut, now, asked, most, Te, NO) >= P else most


@compiled
def _nearest(cut: Cut, now: Second, asked: Asked, space: Room, share: float, Te: float, free: bool, by_share: bool) -> float:
    """Possible share of the braking torque (``by_share``) or engine torque nearest to the one asked for, the other kept; nan: none is.

    A ladder, then bisection from its nearest possible rung towards what was asked.
    """
    wanted, top, rungs = (share, 1.0, SHARES) if by_share else (Te, cut.limit[0], LADDER)
    best, beyond = math.nan, wanted
    for q in range(rungs + 1 + HALVINGS):
        if q <= rungs:
            value = top * q / rungs
            if not math.isnan(best) and abs(value - wanted) >= abs(best - wanted):
                continue
        elif math.isnan(best):
            return best
        else:
            value = 0.5 * (best + beyond)
        if fits(space, _power(cut, now, asked, value if by_share else share, Te if by_share else value, free)):
            best = value
        elif q > rungs:
            beyond = value
    return best


@compiled
def settle(plant: PlantArrays, bench: Bench, t: int, now: Second, asked: Asked, space: Room, choice: Any) -> tuple[float, float, int]:
    """The possible choice nearest to the one asked for, in table t.

    choice : (3 + I,) out      Returns (terminal power [W], fuel rate [g/s], bits of what was changed and why).
    """
    flags = 0
    low, high = free_range(plant, t, now.ww)
    if low > high or (now.Tw > 0.0 and not plant.wheel_driven[t]):
        return math.inf, 0.0, IMPOSSIBLE
    f = low
    if plant.has_free[t]:
        f = asked.f if not math.isnan(asked.f) else _speed_for(plant, bench, t, now, asked, low, high)
        if f < low * (1.0 - 1e-9) or f > high * (1.0 + 1e-9):
            flags |= SPEED
        f = min(max(f, low), high)
    cut = make_cut(plant, bench, t, now.ww, f, now.alpha, now.aux, now.axle_least)
    if cut.code != OK:
        return math.inf, 0.0, flags | IMPOSSIBLE
    choosing = plant.engine_mode[t] == COUPLED and plant.engine_free[t]
    braking = now.Tw < 0.0 and plant.wheel_free[t]
    share = 1.0 if math.isnan(asked.share) else min(max(asked.share, 0.0), 1.0)
    Te = 0.0
    if choosing:
        Te = asked.Te if not math.isnan(asked.Te) else _torque_for(cut, now, asked, share)
        if Te < -1e-9 or Te > cut.limit[0] * (1.0 + 1e-9):
            flags |= TORQUE
        Te = min(max(Te, 0.0), cut.limit[0])
    follows = choosing and plant.wheel_driven[t] and not plant.wheel_free[t]    # a slipping clutch: the engine's torque is the wheels'
    if follows:
        Te = 0.0
    if braking and math.isnan(asked.share):
        best = _most_electricity(cut, now, asked, space, Te)
        share = 1.0 if math.isnan(best) else best
    P = _power(cut, now, asked, share, Te, NO)
    if not fits(space, P):
        if P < math.inf:
            flags |= BATTERY
        P, changed = _moved(cut, now, asked, space, share, Te, choosing, braking)
        flags |= changed & ~TORQUE if follows else changed
        if P == math.inf:
            return math.inf, 0.0, flags | IMPOSSIBLE
    if choosing and math.isnan(asked.Te) and abs(P - asked.P) > MISSED_W:
        flags |= TORQUE
    choice[0] = f
    choice[1] = cut.out[cut.speed.size]
    choice[2] = cut.out[0]
    for i in range(2, cut.fixed):
        choice[1 + i] = cut.x[i]
    return P, fuel_rate(cut), flags


@compiled
def _moved(cut: Cut, now: Second, asked: Asked, space: Room, share: float, Te: float, choosing: bool,
           braking: bool) -> tuple[float, int]:
    """Terminal power of the nearest possible choice, left set in the cut, and what was changed: engine torque, then division,
    then the share that is regenerated (with the engine's torque given up where that does not help)."""
    if braking:
        other = _nearest(cut, now, asked, space, share, Te, NO, YES)
        if not math.isnan(other):
            return _power(cut, now, asked, other, Te, NO), REGENERATION
        if choosing and Te > 0.0:
            other = _nearest(cut, now, asked, space, share, 0.0, NO, YES)
            if not math.isnan(other):
                return _power(cut, now, asked, other, 0.0, NO), REGENERATION | TORQUE
    for free in range(2):
        if free == 1 and not math.isnan(asked.inner[0]):
            P = _power(cut, now, asked, share, Te, YES)
            if fits(space, P):
                return P, DIVISION
        if choosing and (free == 0 or not math.isnan(asked.inner[0])):
            T = _nearest(cut, now, asked, space, share, Te, free == 1, NO)
            if not math.isnan(T):
                return _power(cut, now, asked, share, T, free == 1), TORQUE | (DIVISION if free == 1 else 0)
    return math.inf, 0
