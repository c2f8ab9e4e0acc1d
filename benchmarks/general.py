"""General-purpose solvers on sizes they can hold: python benchmarks/general.py [--seconds 20] [--nodes 61]

*QuantEcon*: the tabulated problem as a discrete decision process. Interpolating the next value is an expectation: the two neighbouring
battery nodes are reached with the interpolation's weights as probabilities, so backward induction must give the values of our own sweep
(which takes the battery's square root at three nodes and a parabola between: exact where voltage is constant).
*HiGHS*: the same window as a mixed-integer program (``tests/solve/test_against_highs.py``), constant battery voltage.
Needs ``pip install quantecon`` (an extra of the tests).
"""

from __future__ import annotations

import argparse
import time
import warnings
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import numpy as np

from ems.kernels.battery import electrochemical, power_limits, state
from ems.kernels.changes import HUGE
from ems.kernels.dynamic import Corridor, dynamic_programming
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.problem import Problem

IMPOSSIBLE = -1e9           # reward of the action given to a state that has no other


class Moves:
    """State-action pairs of one stage: state, reward [-g], and the two next states with their weights."""

    def __init__(self, states: int, next_states: int):
        self.states, self.next_states = states, next_states
        self.rows: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []

    def add(self, state_of: np.ndarray, reward: np.ndarray, first: np.ndarray, weight: np.ndarray) -> None:
        """Pairs (m,): next states ``first`` and ``first + 1`` with ``1 - weight`` and ``weight``."""
        self.rows.append((state_of, reward, first, weight))

    def backward(self, after: np.ndarray) -> np.ndarray:
        """Values of the states one stage earlier, by QuantEcon's backward induction over one period."""
        from quantecon.markov import DiscreteDP, backward_induction
        from scipy.sparse import csr_matrix

        self.add(np.arange(self.states), np.full(self.states, IMPOSSIBLE), np.zeros(self.states, int), np.zeros(self.states))
        state_of, reward, first, weight = (np.concatenate(part) for part in zip(*self.rows, strict=True))
        order = np.argsort(state_of, kind="stable")
        state_of, reward, first, weight = state_of[order], reward[order], first[order], weight[order]
        pair = np.arange(state_of.size)
        chances = csr_matrix((np.concatenate([1.0 - weight, weight]), (np.tile(pair, 2), np.concatenate([first, first + 1]))),
                             shape=(pair.size, self.next_states))
        start = np.searchsorted(state_of, np.arange(self.states))
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message=".*infinite horizon.*")       # beta is 1: only finite horizons are solved
            process = DiscreteDP(reward, chances, 1.0, state_of, pair - start[state_of])
        values, _ = backward_induction(process, 1, after)
        return values[0]


def quantecon_values(problem: Problem, corridor: Corridor) -> np.ndarray:
    """(K + 1, N, I) values [g] of a problem on battery nodes over the whole window, every backup done by QuantEcon."""
    K, N = problem.alive.shape
    size = corridor.size
    energy = corridor.low[0] + corridor.step[0] * np.arange(size)
    value = np.empty((K + 1, N, size))
    value[K] = corridor.penalty * np.maximum(corridor.target - energy, 0.0)
    for k in range(K - 1, -1, -1):
        driven = _drive(problem, corridor, k, energy).backward(-value[k + 1].reshape(-1))
        value[k] = -_change(problem, corridor, k, energy).backward(driven).reshape(N, size)
    return value


def _drive(problem: Problem, corridor: Corridor, k: int, energy: np.ndarray) -> Moves:
    """Pairs (node and battery node, frontier point) of an interval."""
    points, size, dt = problem.points, corridor.size, problem.points.dt[k]
    moves = Moves(points.first.shape[1] * size, points.first.shape[1] * size)
    for i, e in enumerate(energy):
        soc, v, rd, rc = state(problem.plant.battery, e)
        least, most = power_limits(problem.plant.battery, soc, v, rd, rc)
        for c in range(points.first.shape[1]):
            own = np.arange(points.first[k, c], points.first[k, c] + points.count[k, c])
            own = own[(points.power[own] <= most) & (points.power[own] >= least)]
            after = np.array([e - dt * electrochemical(P, (rd if P > 0.0 else rc) / v**2) for P in points.power[own]])
            inside = after <= corridor.window_high + 1e-3
            own, after = own[inside], after[inside]
            short = np.maximum(corridor.window_low - after, 0.0)
            cell, weight = _place(corridor, after)
            moves.add(np.full(own.size, c * size + i), -points.fuel[own] * dt - short * (corridor.below + corridor.penalty),
                      c * size + cell, weight)
    return moves


def _change(problem: Problem, corridor: Corridor, k: int, energy: np.ndarray) -> Moves:
    """Pairs (node and battery node before, node after) of the change at the start of an interval."""
    N, size = problem.alive.shape[1], corridor.size
    moves = Moves(N * size, N * size)
    for a in range(N):
        for c in np.flatnonzero(problem.changes.live[k, a]):
            after = energy - problem.changes.stored[k, a, c]
            short = np.maximum(corridor.window_low - after, 0.0)
            cell, weight = _place(corridor, after)
            moves.add(a * size + np.arange(size), np.full(size, -problem.changes.fixed[a, c]) - short * corridor.below,
                      c * size + cell, weight)
    return moves


def _place(corridor: Corridor, energy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    place = np.clip((energy - corridor.low[0]) / corridor.step[0], 0.0, corridor.size - 1.0)
    cell = np.minimum(place.astype(int), corridor.size - 2)
    return cell, place - cell


def our_values(problem: Problem, corridor: Corridor, single: bool = False) -> np.ndarray:
    """(K + 1, N, I) values of our own sweep [g]; ``HUGE`` where no trip can be. single : in single precision, as the optimum has them."""
    K, N = problem.alive.shape
    before = np.zeros((K + 1, N + 1), bool)
    before[0, N], before[1:, :N] = True, problem.alive
    row = np.where(before, np.cumsum(before).reshape(before.shape) - 1, -1)
    value, base = np.empty((before.sum(), corridor.size), np.float32 if single else float), np.zeros(K + 1 if single else 0)
    dynamic_programming(problem.points, problem.plant.battery, problem.links, corridor, row, value, base)
    counted = value[row[:, :N]].astype(float) + (base[:, None, None] if single else 0.0)
    return np.where(before[:, :N, None], counted, HUGE)


# -- measured beside ours ----------------------------------------------------------------------------------------------


def beside(path: str) -> Any:
    """A module of the tests, by its path in the checkout."""
    found = spec_from_file_location(Path(path).stem, Path(__file__).resolve().parent.parent / path)
    assert found is not None and found.loader is not None
    module = module_from_spec(found)
    found.loader.exec_module(module)
    return module


def seconds(work: Any, times: int = 1) -> tuple[Any, float]:
    """(result, processor seconds of one of several runs)."""
    begun = time.process_time()
    for _ in range(times):
        result = work()
    return result, (time.process_time() - begun) / times


def main(arguments: list[str] | None = None) -> None:
    """Times both on a window of UDDS with the series layout."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--nodes", type=int, default=61)
    options = parser.parse_args(arguments)
    pieces = beside("tests/solve/conftest.py").Pieces()
    window = ("series", "udds", 50, 50 + options.seconds)
    problem = pieces.problem(*window, gain_J=-2e4)
    corridor = full_corridor(problem, options.nodes, 2.5 / problem.plant.heating_value_J_g)
    our_values(problem, corridor)
    quantecon_values(pieces.problem("series", "udds", 50, 51, gain_J=-2e4), corridor)      # compiles
    ours, own_s = seconds(lambda: our_values(problem, corridor), 50)
    theirs, their_s = seconds(lambda: quantecon_values(problem, corridor))
    possible = (ours[:-1] < 1e6) & (theirs[:-1] < 1e6)
    print(f"{options.seconds} s, {options.nodes} battery nodes: QuantEcon {their_s:.3f} s, our sweep {own_s:.5f} s of processor time; "
          f"values differ by at most {np.abs(ours[:-1] - theirs[:-1])[possible].max():.2e} g")
    problem = pieces.problem(*window, battery=pieces.constant_battery(resistance_ohm=0.15, capacity_As=4e3), gain_J=-2e4)
    network, build_s = seconds(lambda: beside("tests/solve/test_against_highs.py").Network(problem))
    (fuel, proven), highs_s = seconds(lambda: network.least(spend_J=2e4, gap=5e-4))
    price = 2.5 / problem.plant.heating_value_J_g
    driven, own_s = seconds(lambda: solve_dynamic(problem, full_corridor(problem, 20_001, price)))
    print(f"{options.seconds} s, constant voltage: HiGHS {fuel:.6f} g (proven {proven:.6f}) in {build_s + highs_s:.2f} s, our sweep at "
          f"20,001 nodes {driven.objective_g:.6f} g in {own_s:.2f} s of processor time")


if __name__ == "__main__":
    main()
