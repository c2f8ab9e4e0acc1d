"""What is compiled: one machine code a kernel in the main job, and no way from Python into what has none."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import ems
from ems.kernels import sweep

PACKAGE = Path(ems.__file__).parent

MAIN_JOB = """
import importlib, pkgutil
import ems, ems.kernels
from dataclasses import replace
from ems.solve.warm_up import warm_up

def codes():
    found = {}
    for module in pkgutil.iter_modules(ems.kernels.__path__):
        for name, kernel in vars(importlib.import_module(f"ems.kernels.{module.name}")).items():
            if hasattr(kernel, "overloads"):
                found[name] = len(kernel.overloads)
    return found

warm_up()
first = codes()
whole = ems.load_cycle("hill-town")
piece = replace(whole, time_s=whole.time_s[:121], speed_m_s=whole.speed_m_s[:121], grade=whole.grade[:121],
                auxiliary_W=whole.auxiliary_W[:120], phases=())
for layout in ("three-clutch", "input-split", "series", "two-mode", "plain-car"):
    ems.optimum(ems.load_layout(layout), piece)
for name, count in codes().items():
    if count > max(first[name], 1):
        print(name, first[name], count)
assert first["build_frontiers"] == 1
print("looked at", sum(count > 0 for count in first.values()))
"""


def test_the_main_job_compiles_nothing_twice_and_nothing_after_its_warm_up():
    """A second machine code of the search of frontiers is 15 s of a first run: an array that is read-only or strided brings one about."""
    done = subprocess.run([sys.executable, "-c", MAIN_JOB], capture_output=True, text=True, check=False,
                          env={**os.environ, "PYTHONPATH": str(PACKAGE.parent)})
    assert done.returncode == 0, done.stderr
    told = done.stdout.split("\n")
    late = {line.split()[0] for line in told[:-2]}
    assert late <= {"least_excess", "_spread", "_drive_cells", "_lower", "_steps"}, done.stdout     # the raised bound, where a gap is wide
    assert int(told[-2].split()[-1]) >= 15           # those that are called from Python, loaded or compiled


def inner_kernels() -> set[str]:
    names = set()
    for path in (PACKAGE / "kernels").glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                words = {d.id for d in node.decorator_list if isinstance(d, ast.Name)}
                if "compiled_inner" in words or (node.name.startswith("_") and any(w.startswith("compiled") for w in words)):
                    names.add(node.name)
    return names


def test_python_calls_no_inner_kernel():
    """They have no way in from Python: such a call would end the process."""
    inner = inner_kernels()
    assert {"torque_range", "row_at", "_scan"} <= inner
    for path in [*PACKAGE.rglob("*.py"), *Path(__file__).parents[1].rglob("*.py")]:
        if path.parent == PACKAGE / "kernels" or "_data" in path.parts:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ems.kernels."):
                assert not inner & {alias.name for alias in node.names}, path


MAKERS = {"empty", "zeros", "ones", "full", "arange", "linspace", "array", "copy", "concatenate", "append", "argsort", "zeros_like",
          "empty_like", "full_like"}


def test_a_kernel_that_makes_arrays_says_so():
    """Kernels are compiled without reference counts unless they are marked: ``jit.py`` says why. No other makes an array, and every one
    that is marked does; of those within their caller none does."""
    marked = set()
    for path in (PACKAGE / "kernels").glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                words = {d.id for d in node.decorator_list if isinstance(d, ast.Name)}
                if any(w.startswith("compiled") for w in words):
                    makes = any(isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr in MAKERS
                                for call in ast.walk(node))
                    assert makes == ("compiled_making" in words), f"{path.name}: {node.name}"
                    marked |= {node.name} if makes else set()
    assert {"chain", "dynamic_programming", "least_excess"} <= marked
    assert sweep.chain.targetoptions["_nrt"] and not sweep.stage_at.targetoptions["_nrt"]
