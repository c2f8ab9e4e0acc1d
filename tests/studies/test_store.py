"""The one file: what is in it survives a full disk, a damaged page and a second process; what is not ours is refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from ems.errors import InputError, RunError
from ems.studies.run import run_study
from ems.studies.store import APPLICATION, FILE, VERSION, CaseRow, Store
from ems.studies.worker import Outcome
from tests.studies.conftest import solved, table


def outcome(number: int, size: int = 200) -> Outcome:
    return Outcome(f"{number:064d}", "done", "", {"answer": number / 7.0, "words": "x" * size}, None, 0.5, 100.0, "here:1", "n")


def case(number: int) -> CaseRow:
    return CaseRow(number, f"{number:064d}", "series", "udds", None, 1, 1, {"vehicle.mass_kg": number})


def filled(folder, count: int) -> None:
    with Store(folder) as store:
        store.begin({"name": "x"}, map(case, range(count)))
        for number in range(count):
            store.add(outcome(number))


def results(folder) -> dict[str, str]:
    base = sqlite3.connect(folder / FILE)
    try:
        return dict(base.execute("SELECT digest, outputs FROM results"))
    finally:
        base.close()


def test_file_says_what_it_is_and_sqlite_finds_it_sound(tmp_path):
    filled(tmp_path, 20)
    assert not list(tmp_path.glob("*-wal"))         # a tidy end leaves one file
    base = sqlite3.connect(tmp_path / FILE)
    assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert base.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert base.execute("PRAGMA application_id").fetchone() == (0x656D7331,) and base.execute("PRAGMA user_version").fetchone() == (1,)
    assert base.execute("SELECT count(*) FROM cases JOIN results USING (digest)").fetchone() == (20,)
    assert {name for name, in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")} == {"meta", "cases", "results", "traces"}
    base.close()


def test_results_stay_when_the_study_is_begun_again(tmp_path):
    filled(tmp_path, 5)
    with Store(tmp_path) as store:
        store.begin({"name": "x"}, map(case, range(3, 9)))
        assert store.solved(("answer",), trace=False) == {f"{n:064d}" for n in range(5)}
        assert store.solved(("answer", "another"), trace=False) == set()
        assert store.solved(("answer",), trace=True) == set()


def test_a_full_disk_is_said_and_what_was_written_stays(tmp_path):
    with Store(tmp_path) as store:
        store.begin({"name": "x"}, map(case, range(100)))
        pages, = store.base.execute("PRAGMA page_count").fetchone()
        store.base.execute(f"PRAGMA max_page_count = {pages + 6}")       # sqlite.org: the insert then fails with SQLITE_FULL
        with pytest.raises(RunError, match=r"the disk is full.*kept; make room, then start the same command again"):
            for number in range(100):
                store.add(outcome(number, 2000))
    assert number > 5
    assert set(results(tmp_path)) == {f"{n:064d}" for n in range(number)}
    with Store(tmp_path) as store:
        assert store.notes == []
        store.add(outcome(number))


@pytest.mark.parametrize("written", ["", f"PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {VERSION};"])
def test_a_first_start_that_never_came_to_its_tables(tmp_path, written):
    """A full disk or a kill leaves a file without a table: the same command goes on as if it were not there."""
    with closing(sqlite3.connect(tmp_path / FILE)) as base:
        base.execute("PRAGMA journal_mode = WAL")
        base.executescript(written)
    assert (tmp_path / FILE).stat().st_size > 0
    with Store(tmp_path) as store:
        assert store.notes == []
        store.begin({"name": "x"}, map(case, range(2)))
        store.add(outcome(1))
    assert set(results(tmp_path)) == {f"{1:064d}"}


def test_a_torn_end_of_the_journal_costs_the_last_case_alone(tmp_path):
    store = Store(tmp_path).__enter__()
    store.begin({"name": "x"}, map(case, range(10)))
    for number in range(10):
        store.add(outcome(number))
    copy = tmp_path / "killed"          # what another machine would find after a power cut at this moment
    copy.mkdir()
    for ending in ("", "-wal"):
        content = (tmp_path / f"{FILE}{ending}").read_bytes()
        (copy / f"{FILE}{ending}").write_bytes(content[:-1500] + b"\x55" * 700 if ending else content)
    store.__exit__(None, None, None)
    with Store(copy) as again:
        assert again.notes == []
        assert len(again.solved(("answer",), trace=False)) in (9, 10)
        again.add(outcome(9))
    assert len(results(copy)) == 10


def test_a_damaged_page_costs_its_rows_alone(tmp_path):
    filled(tmp_path, 400)
    before, path = results(tmp_path), tmp_path / FILE
    content = bytearray(path.read_bytes())
    page = content.find(b'"answer": 28.57')         # a page of results, somewhere in the middle
    start = page - page % 4096
    content[start:start + 4096] = b"\xa5" * 4096
    path.write_bytes(bytes(content))
    with Store(tmp_path) as store:
        (note,) = store.notes
        assert "was damaged" in note and "study.sqlite.damaged-1" in note
        kept = store.solved(("answer",), trace=False)
    assert 350 < len(kept) < 400 and (tmp_path / "study.sqlite.damaged-1").exists()
    assert results(tmp_path) == {digest: before[digest] for digest in kept}
    with Store(tmp_path) as store:
        assert store.notes == []


def test_a_row_that_was_changed_is_dropped(tmp_path):
    filled(tmp_path, 5)
    base = sqlite3.connect(tmp_path / FILE)
    base.execute("""UPDATE results SET outputs = '{"answer": 1.0}' WHERE id = 3""")
    base.commit()
    base.close()
    with Store(tmp_path) as store:
        assert "1 result" in store.notes[0] and "changed by something other than ems" in store.notes[0]
        assert len(store.solved(("answer",), trace=False)) == 4


@pytest.mark.parametrize("content, said", [
    (b"a letter to my aunt", "no SQLite database"), (None, "a file that ems did not write"), (7, "found 7; expected 1"),
])
def test_files_that_are_not_ours_are_left_alone(tmp_path, content, said):
    path = tmp_path / FILE
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        base = sqlite3.connect(path)
        if content is not None:
            base.execute("PRAGMA application_id = 1701671729")       # 0x656d7331
            base.execute(f"PRAGMA user_version = {content}")
        base.execute("CREATE TABLE letters (text)")
        base.close()
    before = path.read_bytes()
    with pytest.raises(InputError, match=said), Store(tmp_path):
        pass
    if isinstance(content, bytes):
        assert path.read_bytes() == before


def test_a_second_process_is_told_and_the_first_goes_on(write, tmp_path, start):
    study, out = write(cases=6), tmp_path / "out"
    with Store(out) as store:
        store.begin({"name": "trial"}, [])
        code, _, err = start("batch", "run", study, "--out", out).ended()
        assert code == 1 and "is being filled by another process" in err
        store.add(outcome(1))
    assert run_study(str(study), out).status == "done"
    assert solved(out) == len(table(out)) == 6


def test_another_study_is_not_mixed_in(write, tmp_path):
    run_study(str(write(cases=2)), tmp_path / "out")
    with pytest.raises(InputError, match=r"holds the study 'trial'.*a folder of its own for 'other'"):
        run_study(str(write(cases=2, name="other")), tmp_path / "out")
