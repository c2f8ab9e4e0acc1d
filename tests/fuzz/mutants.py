"""Input files with something wrong: every kind of file a user hands in, changed at a few places by a seeded generator.

``mutant("map", 17, folder)`` writes number 17 of the changed maps, with the files it refers to, and says which file to hand in. Changes are
of bytes, lines, numbers, words and quoted texts; some put code, paths or endless nesting where a value stands.
"""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path

from ems import library

KINDS = ("layout", "map", "cycle", "calibration", "recording", "study")
TOUCHED = "touched-by-an-input"        # a file that exists only if something of an input was executed
CODE = f"open('{TOUCHED}','w')"

NUMBERS = ("nan", "-nan", "inf", "-inf", "0", "-0.0", "-1", "1e308", "-1e308", "5e-324", "1e999", "1e-999", "1E+999999999",
           "9" * 400, "9" * 5000, "0x1F",
           "1_000", "1,5", "1.5.2", "", " ", "true", "-", "+", "1e", ".", "0.1.2", "1/3", "1/0", "2000000", "1e-7",
           "-3.5", "1e5", "999999999999", "٣", "½", "NaN", "Infinity", "''", "[]", "{}", "1979-05-27", "07:32:00")
WORDS = ("", "nobody", "crank", "wheels", "../../../../etc/passwd", "/dev/null", "/dev/zero", ".", "..", "~", "~nobody/x.toml",
         "a" * 5000, "C:\\x.toml", "x\\u0000y", "\\n", "ä", "名前", "%s%n{0}{x}", "{{7*7}}", "${HOME}",
         "$(touch " + TOUCHED + ")", "`touch " + TOUCHED + "`",
         "__import__('os').system('touch " + TOUCHED + "')", "python:os:system", "!!python/object/apply:os.system", "based_on",
         "on:K1", "off:",
         "off:K1+K1", "K1 K2", "S1=nowhere", "=", "+", "sobol", "csv", "grid", "1", "optimum", "loop.toml", "file:///etc/passwd",
         "http://localhost/x", "con", "nul", CODE.replace("'", ""), "gASVHgAAAAAAAACMBXBvc2l4lIwGc3lzdGVtlJOUjAR0cnVllIWUUpQu")
LINES = ("[", "]", "[[", "[a", "a = ", "= 1", "[x.y.z]", "x = [1, 2", "x = \"", "x = '''", "a.b.c = 1\na.b = 2", "#",
         "# phase: a 0 1", ",,,,",
         "time_s", ";;;", "\t", "name = 1", "name = \"a\"\nname = \"b\"", "x = " + "[" * 3000, "x = " + "{a=" * 2000,
         "x" + ".x" * 3000 + " = 1",
         "[sample]\nmethod = \"sobol\"\ncount = 1000000000", "based_on = \"loop.toml\"", "without = [\"engine\"]",
         "9,9,9,9,9,9", "-1,-1,-1",
         "nan,nan,nan,nan", "1e9,1e9,1e9", "0,0,0", "x = 1" + "0" * 5000, "\ufeff", "\u2028", "x = 2020-13-45", "# source:",
         "# phases: " + "a" * 3000)
BYTES = (b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\x80\x04\x95", b"\r", b"\r\n\r\n", b"\x1b[31m", b"\x7f", b"\xc3", b"PK\x03\x04",
         b"\xf0\x9f\x9a\x95")

NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?(?![\w.])")
WORD = re.compile(r"[A-Za-z_][\w-]*")
TEXT = re.compile(r"\"[^\"\n]*\"")


def _replaced(draw: random.Random, text: str, pattern: re.Pattern[str], made: Callable[[str], str]) -> str:
    """One match of the pattern replaced."""
    found = list(pattern.finditer(text))
    if not found:
        return text
    match = draw.choice(found)
    return text[:match.start()] + made(match[0]) + text[match.end():]


def _typo(draw: random.Random, word: str) -> str:
    i = draw.randrange(len(word))
    return draw.choice([word[:i] + word[i + 1:], word[:i] + word[i] + word[i:], word[:i] + "x" + word[i + 1:], word.upper(), word + "_kW"])


def _number(draw: random.Random, found: str) -> str:
    value = float(found)
    return draw.choice([*NUMBERS, *(f"{value * f:.6g}" for f in (-1.0, 1e-3, 0.1, 0.99, 1.01, 2.0, 10.0, 1e3, 1e9)),
                        found + "0" * draw.choice([1, 30]), f"\"{found}\"", f"[{found}, {found}]"])


def _lines(draw: random.Random, text: str) -> str:
    lines = text.splitlines(keepends=True)
    i, j = sorted(draw.randrange(len(lines) + 1) for _ in range(2))
    j = min(j, i + draw.choice([1, 1, 2, 5, 40]))
    shuffled = lines[i:j]
    draw.shuffle(shuffled)
    junk = draw.choice(LINES) + "\n"
    return "".join(draw.choice([lines[:i] + lines[j:], lines[:j] + lines[i:], [*lines[:i], junk, *lines[i:]], lines[:i], lines[i:],
                                lines[:i] + shuffled + lines[j:], lines[:i] + lines[i:j] * 40 + lines[j:]]))


def _bytes(draw: random.Random, raw: bytes) -> bytes:
    if not raw:
        return draw.choice(BYTES)
    i, j = sorted(draw.randrange(len(raw) + 1) for _ in range(2))
    return draw.choice([raw[:i] + draw.choice(BYTES) + raw[i:], raw[:i], raw[:i] + bytes([draw.randrange(256)]) + raw[i + 1:],
                        raw[:i] + raw[j:], raw[:i] + draw.randbytes(draw.choice([1, 8, 300])) + raw[i:]])


def changed(draw: random.Random, raw: bytes) -> bytes:
    """The content with one to four changes."""
    for _ in range(draw.choice([1, 1, 1, 2, 4])):
        text = raw.decode("utf-8", "surrogateescape")
        words = WORD.findall(text) or ["x"]
        how = draw.choices(["number", "word", "quoted", "lines", "typo", "swap", "bytes"], [8, 2, 4, 5, 3, 3, 2])[0]
        if how == "bytes":
            raw = _bytes(draw, raw)
            continue
        if how == "number":
            text = _replaced(draw, text, NUMBER, lambda found: _number(draw, found))
        elif how == "word":
            text = _replaced(draw, text, WORD, lambda _: draw.choice(WORDS))
        elif how == "quoted":
            text = _replaced(draw, text, TEXT, lambda _: f"\"{draw.choice(WORDS)}\"")
        elif how == "typo":
            text = _replaced(draw, text, WORD, lambda found: _typo(draw, found))
        elif how == "swap":
            text = _replaced(draw, text, WORD, lambda _, words=words: draw.choice(words))
        else:
            text = _lines(draw, text)
        raw = text.encode("utf-8", "surrogateescape")
    return raw


# -- what is changed -----------------------------------------------------------------------------------------------------


def _cut(path: Path, rows: int) -> str:
    """The first lines of a cycle's file, without the phases that they end before."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)[:rows]
    return "".join(line for line in lines if not line.startswith("# phase"))


LOGGED = ("# title: a logger's round\n# source: a logger (invented)\n# phase: out, 0, 20\n# phase: back, 20, 40\n"
          "time_s,speed_mph,grade_percent,auxiliary_W\n"
          + "".join(f"{0.5 * i:.1f},{min(i, 80 - i):d},{i % 5 - 2},{100 * (i % 3)}\n" for i in range(81)))
DRIVE = "t,v,n,tq,m1,m2,c\n" + "".join(f"{0.1 * i:.1f},{i % 60},{1000 + i},{i % 90},{500 + i},{20 * i},{i % 2}\n" for i in range(300))
MAPPING = ('recording = "drive.csv"\nnoise_rpm = 20\nlongest_gap_s = 2.0\nstart_s = 1\n[columns]\n'
           'time_s = "t"\nspeed_kmh = "v"\nengine_rpm = "n"\n'
           'engine_torque_Nm = "tq"\n[machine_rpm]\nmg1 = "m1"\nmg2 = "m2"\n[states]\nK1 = "c"\n')
STUDIES = (
    'name = "x"\nlayouts = ["series", "three-clutch"]\ncycles = ["udds", "trip.csv"]\nsolve = ["optimum"]\n[vary]\n'
    'vehicle.mass_kg = [1800, 1900]\nbattery.soc_target = { from = 0.5, to = 0.6, steps = 3 }\n[set]\nvehicle.auxiliary_W = 300\n'
    '[require]\nfuel_l_per_100km = { below = 5 }\n'
    '[keep]\ncolumns = ["fuel_l_per_100km", "gap_percent"]\ntrace = true\n',
    'name = "y"\nlayouts = ["series"]\ncycles = ["nedc"]\n[vary]\nvehicle.mass_kg = { from = 1500, to = 2000 }\nmachines.mg2.rating_kW = '
    '{ from = 80, to = 120 }\n[sample]\nmethod = "sobol"\ncount = 4\nseed = 3\n',
    'name = "z"\nlayouts = ["series"]\ncycles = ["nedc"]\n[sample]\nmethod = "csv"\nfile = "cases.csv"\n')
CASES = "vehicle.mass_kg,charge\n1900,0.6:0.5\n1800,0.5:0.5\n"


@cache
def originals(kind: str) -> tuple[tuple[str, dict[str, bytes]], ...]:
    """(name of the file to hand in, all files that belong to it) of everything that is changed."""
    loop = {"loop.toml": b'based_on = "loop.toml"\nname = "loop"\n'}
    if kind == "layout":
        found = {f"{n}.toml": library.find("layout", n, where="").read_bytes() for n in library.names("layout")}
        return tuple((name, {name: raw, **loop}) for name, raw in found.items())
    if kind == "map":
        folders = [library.folder(k) for k in ("engine", "machine", "battery", "vehicle")]
        return tuple((p.name, {other.name: other.read_bytes() for other in f.iterdir() if p.suffix == ".toml" or other == p})
                     for f in folders for p in sorted(f.iterdir()) if p.name != "bench-1500.csv")      # scattered, as its TOML file says
    if kind == "cycle":
        pieces = {f"{n}.csv": _cut(library.find("cycle", n, where=""), 60).encode() for n in ("wltc-3b", "hill-town", "nedc")}
        return tuple((name, {name: raw}) for name, raw in {**pieces, "logged.csv": LOGGED.encode()}.items())
    if kind == "calibration":
        folder = library.folder("layout") / "calibrations"      # those that name the configurations of three-clutch
        paths = [folder / "three-clutch.toml", folder / "three-clutch-chargeable.toml"]
        return tuple((p.name, {p.name: p.read_bytes().replace(b"target = 0.2 ", b"target = 0.55 ")}) for p in paths)    # in its window
    if kind == "recording":
        return (("drive.toml", {"drive.toml": MAPPING.encode(), "drive.csv": DRIVE.encode()}),)
    beside = {"trip.csv": LOGGED.encode(), "cases.csv": CASES.encode()}
    return tuple(("study.toml", {"study.toml": text.encode(), **beside}) for text in STUDIES)


def mutant(kind: str, number: int, folder: Path) -> Path:
    """Writes a changed file and those it needs into an empty ``folder``; the path to hand in."""
    draw = random.Random(f"{kind} {number}")
    name, files = draw.choice(originals(kind))
    target = draw.choice([name, name, name, *files])        # often the file itself, now and then one it refers to
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for file, raw in files.items():
        (folder / file).write_bytes(changed(draw, raw) if file == target else raw)
    return folder / name
