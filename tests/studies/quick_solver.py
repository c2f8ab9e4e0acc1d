"""A solver that needs no kernels, for tests of everything around it; what it does beside is said by the environment.

QUICK_SECONDS : how long a case takes      QUICK_HELD : masses that wait until the file QUICK_GATE is there, for good without one
QUICK_DEADLY : masses over which its process kills itself, once when QUICK_ONCE names a
folder for a mark, else always      QUICK_WRONG : masses that fail      QUICK_NONE : masses without an answer
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from ems.errors import RunError
from ems.studies.solvers import Solved, Solver

SOLVER = Solver("quick_solver:quick", ("answer", "mass_kg"), ("parts",), ("answer", "mass_kg", "parts"), uses=(), warm_up="",
                heeds=("charge", "grid", "lanes", "cold"))


def masses(name: str) -> set[float]:
    return {float(word) for word in os.environ.get(name, "").split()}


def quick(layout, cycle, how) -> Solved:
    mass = layout.vehicle.mass_kg
    time.sleep(float(os.environ.get("QUICK_SECONDS", "0")))
    while mass in masses("QUICK_HELD") and not Path(os.environ.get("QUICK_GATE", "nowhere")).exists():
        time.sleep(0.01)
    if mass in masses("QUICK_DEADLY"):
        mark = os.environ.get("QUICK_ONCE")
        if mark is None or not Path(mark, f"{mass}").exists():
            if mark is not None:
                Path(mark, f"{mass}").touch()
            os.kill(os.getpid(), signal.SIGKILL)
    if mass in masses("QUICK_WRONG"):
        raise RunError(f"{mass:g} kg is wrong")
    answer = None if mass in masses("QUICK_NONE") else mass / 3.0 + cycle.duration_s
    outputs = {"answer": answer, "mass_kg": mass, "parts": {"third": mass / 3.0, "grid": how.grid},
               "not_kept": object()}
    return Solved(outputs, lambda: frame(cycle.middle_speed_m_s))


def frame(speed_m_s):
    import pandas as pd

    return pd.DataFrame({"speed_m_s": speed_m_s})


def compile_one() -> None:
    """A kernel that no cache has."""
    import numba

    numba.njit(lambda x: x + 1)(1)
