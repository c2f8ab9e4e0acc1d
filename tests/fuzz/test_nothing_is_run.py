"""No source of ems can run or unpickle what an input file holds: looked for in the sources themselves.

The one way to run code of a user's is ``--strategy python:...``, an option, never a key of a file.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import ems

PACKAGE = Path(ems.__file__).parent
RUNS = {"eval", "exec", "compile", "__import__", "execfile", "system", "popen", "Popen", "check_output", "check_call"}
MODULES = {"pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve", "subprocess", "yaml", "runpy", "code", "ctypes"}
IMPORTS_BY_NAME = {     # importlib, and what it imports
    "__init__.py": "the public names, listed there", "cli/main.py": "the commands, listed there", "cli/batch.py": "pyarrow",
    "strategies/load.py": "--strategy python:...", "studies/solvers.py": "the solvers, listed there", "studies/worker.py": "kernels",
}
STARTS = {"solve/warm_up.py": "itself, by a name that is written there: compiling on a second core"}     # a process
SOURCES = sorted(p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py") if "_data" not in p.parts)


def calls_and_imports(tree: ast.AST) -> tuple[set[str], set[str]]:
    """Names that are called, and modules that are imported."""
    called, imported = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called.add(node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", ""))
        elif isinstance(node, ast.Import):
            imported |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            imported.add((node.module or "").partition(".")[0])
    return called, imported


@pytest.mark.parametrize("name", SOURCES)
def test_source_runs_nothing(name):
    text = (PACKAGE / name).read_text(encoding="utf-8")
    called, imported = calls_and_imports(ast.parse(text))
    assert not imported & (MODULES - ({"subprocess"} if name in STARTS else set())) and "allow_pickle=True" not in text
    assert not called & (RUNS - ({"compile"} if "re.compile" in text else set()) - ({"Popen"} if name in STARTS else set()))
    assert "importlib" not in imported or name in IMPORTS_BY_NAME or {"import_module", "exec_module"}.isdisjoint(called)


def test_the_check_sees_what_it_looks_for():
    assert calls_and_imports(ast.parse("import pickle\nos.system(x)\neval('1')"))[0] & RUNS == {"system", "eval"}
    assert "pickle" in calls_and_imports(ast.parse("from pickle import loads"))[1] & MODULES


@pytest.mark.parametrize("text", ['solve = "strategy"\nstrategy = "python:evil.py:Evil"', 'solve = ["python:evil.py:Evil"]',
                                  'solve = ["os:system"]'])
def test_no_key_of_a_study_names_code(text, tmp_path):
    """A study can name what is shipped and files of figures, not code."""
    from ems.errors import InputError
    from ems.studies.run import prepare_study

    (tmp_path / "evil.py").write_text("raise SystemExit('ran')\n", encoding="utf-8")
    path = tmp_path / "study.toml"
    path.write_text(f'name = "x"\nlayouts = ["series"]\ncycles = ["nedc"]\n{text}\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"strategy: found 'python:evil\.py:Evil'; expected rules|solve\.1: found"):
        prepare_study(str(path))
