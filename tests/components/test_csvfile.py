"""CSV files: what is read, and every way in which a file can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ems.components.csvfile import read_columns
from ems.errors import InputError

GOOD = '\ufeff# source: a bench, run 7\n# Invented: yes\n\n"a_m", b_W ,c_g\r\n1,2e3,-3.5\n# a remark\n\n4,5,6\n'


def write(tmp_path: Path, content: str | bytes) -> Path:
    path = tmp_path / "f.csv"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def test_reads_columns_lines_and_comments(tmp_path: Path) -> None:
    table = read_columns(write(tmp_path, GOOD), ["c_g", "a_m"], ["b_W", "d_s"])
    assert np.array_equal(table["a_m"], [1, 4]) and np.array_equal(table["b_W"], [2000, 5])
    assert np.array_equal(table["c_g"], [-3.5, 6]) and "d_s" not in table
    assert list(table.line_numbers) == [5, 8] and table.place(1, "c_g") == "line 8, column c_g"
    assert (table.source, table.invented) == ("a bench, run 7", True)


def test_a_file_that_does_not_say_invented_is_not(tmp_path: Path) -> None:
    table = read_columns(write(tmp_path, "a\n1\n"), ["a"])
    assert (table.source, table.invented) == ("", False)


@pytest.mark.parametrize("content, message", [
    ("", r"f\.csv: found an empty file; expected a file with content"),
    (" \n\t\n", r"found an empty file"),
    ("# source: x\n", r"found comments only; expected a header line: a,b"),
    (b"PK\x03\x04\xff\xfe\x00", r"found a byte that is no UTF-8 text at position 4; expected a text file"),
    (b"a,b\n1,\x00\n", r"found binary data; expected a text file in UTF-8"),
    ("a,b\n", r"line 1: found a header without rows; expected at least one row"),
    ("a;b\n1;2\n", r"line 1: found 'a;b'; expected commas between columns: a,b"),
    ("a,b\n1,2,3\n", r"line 2: found 3 values; expected 2: a,b"),
    ("a,b\n1\n", r"line 2: found 1 values; expected 2: a,b"),
    ("a,b\n1,x\n", r"line 2, column b: found 'x'; expected a finite number with a decimal point"),
    ("a,b\n1,\n", r"line 2, column b: found an empty value"),
    ("a,b\n1,NaN\n", r"line 2, column b: found 'NaN'; expected a finite number"),
    ("a,b\n1,-inf\n", r"line 2, column b: found '-inf'; expected a finite number"),
    ("a,b\n1,1_0\n", r"line 2, column b: found '1_0'; expected a finite number"),
    ("a,b\n1,1e999\n", r"line 2, column b: found '1e999'; expected a finite number"),
    ("a,b,b\n1,2,3\n", r"line 1: found column 'b' 2 times; expected each column once"),
    ("a,b,opt\n1,2,3\n", r"line 1: found column 'opt'; expected columns a, b, option \(nearest: option\)"),
    ("a\n1\n", r"line 1: found no column 'b'; expected columns a, b"),
])
def test_refused(tmp_path: Path, content: str | bytes, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_columns(write(tmp_path, content), ["a", "b"], ["option"])


def test_a_mistyped_column_is_one_mistake(tmp_path: Path) -> None:
    for header, told in (("sped_rpm,torque_Nm,fuel_g_s", ["column 'sped_rpm'"]),
                         ("speed_rpm,torq_Nm,feul_g_s", ["column 'torq_Nm'", "column 'feul_g_s'"]),
                         ("speed_rpm,mass,fuel_g_s", ["column 'mass'", "no column 'torque_Nm'"])):
        with pytest.raises(InputError) as caught:
            read_columns(write(tmp_path, f"{header}\n1,2,3\n"), ["speed_rpm", "torque_Nm", "fuel_g_s"])
        assert [m.found for m in caught.value.mistakes] == told


def test_all_mistakes_at_once_and_the_rest_counted(tmp_path: Path) -> None:
    path = write(tmp_path, "a,b\n" + "x,nan\n" * 30)
    with pytest.raises(InputError, match=r"mine\.csv: found 40 more mistakes; expected none; mend those") as caught:
        read_columns(path, ["a", "b"], where="mine.csv")
    assert len(caught.value.mistakes) == 21
    assert caught.value.mistakes[3].key == "line 3, column b"


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"f\.csv: found no such file or directory; expected a readable file"):
        read_columns(tmp_path / "f.csv", ["a"])
    with pytest.raises(InputError, match=r"found is a directory; expected a readable file"):
        read_columns(tmp_path, ["a"])


def test_a_large_file_is_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """100 MB (a sparse file): told by its size, without reading it."""
    path = tmp_path / "f.csv"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    monkeypatch.setattr(Path, "read_bytes", lambda self: pytest.fail("the file was read"))
    with pytest.raises(InputError, match=r"found 100 MB \(not read\); expected a text file of at most 20 MB"):
        read_columns(path, ["a"])
