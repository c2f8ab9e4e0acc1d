"""Who may import whom: each folder only from those above it, and heavy packages only where they are used."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import ems

PACKAGE = Path(ems.__file__).parent

ORDER = [
    {"errors", "quantities", "library", "types", "inputfile", "numerics", "output", "remembered", "written"},
    {"kernels"},
    {"components"},
    {"layout"},
    {"trips"},
    {"configurations"},
    {"plant"},
    {"tables"},
    {"solve"},
    {"strategies"},
    {"regulations"},
    {"judge"},
    {"studies"},
    {"present"},
    {"cli"},
    {"__main__"},
]
RANK = {name: rank for rank, names in enumerate(ORDER) for name in names}

HEAVY = {"numba": {"kernels"}, "scipy": set(), "pandas": set(), "matplotlib": set(), "casadi": set()}
"""Heavy package -> folders that may import it at module level; elsewhere only inside functions."""

FILES = sorted(p for p in PACKAGE.rglob("*.py") if "_data" not in p.parts and p != PACKAGE / "__init__.py")


def folder_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every import, wherever it stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide where things come from"
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def at_module_level(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Imports that run when the module is imported: not inside functions, not under TYPE_CHECKING."""
    pending: list[ast.AST] = list(tree.body)
    while pending:
        node = pending.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            pending += node.orelse
            continue
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from imported(node)
        pending += list(ast.iter_child_nodes(node))


def test_every_folder_has_its_place():
    assert {folder_of(p) for p in FILES} <= set(RANK)


@pytest.mark.parametrize("path", FILES, ids=[str(p.relative_to(PACKAGE)) for p in FILES])
def test_imports_only_from_above(path):
    here = folder_of(path)
    for line, name in imported(ast.parse(path.read_text(encoding="utf-8"))):
        parts = name.split(".")
        if parts[0] != "ems" or len(parts) < 2 or parts[1] not in RANK:
            continue
        there = parts[1]
        same_level = RANK[there] == RANK[here]
        assert RANK[there] < RANK[here] or there == here or (same_level and RANK[here] == 0), (
            f"{path.relative_to(PACKAGE)}:{line} imports {name}: {there} stands below {here}")
        assert not (here == "kernels" and there != "kernels"), f"{path}:{line}: kernels import nothing of ems"


@pytest.mark.parametrize("path", FILES, ids=[str(p.relative_to(PACKAGE)) for p in FILES])
def test_heavy_packages_only_where_they_are_used(path):
    for line, name in at_module_level(ast.parse(path.read_text(encoding="utf-8"))):
        package = name.split(".")[0]
        if package in HEAVY:
            assert folder_of(path) in HEAVY[package], f"{path.relative_to(PACKAGE)}:{line} imports {package} at once"


def test_public_names_load_and_are_no_modules():
    stubs = next(node for node in ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8")).body
                 if isinstance(node, ast.If))
    typed = {(alias.asname, node.module) for node in stubs.body if isinstance(node, ast.ImportFrom)
             for alias in node.names}
    assert typed == set(ems._PUBLIC.items())
    for name, module in ems._PUBLIC.items():
        assert getattr(ems, name) is getattr(importlib.import_module(module), name)
        assert not (PACKAGE / name).exists() and not (PACKAGE / f"{name}.py").exists()
    assert set(ems._PUBLIC) <= set(dir(ems))
    with pytest.raises(AttributeError, match="no attribute 'optimun'"):
        _ = ems.optimun


def test_importing_ems_imports_nothing_else():
    script = "import sys, ems; print([m for m in sys.modules if m.startswith('ems.') or m == 'numpy'])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
