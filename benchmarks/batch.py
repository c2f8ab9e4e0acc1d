"""Figures of a batch: python benchmarks/batch.py [--store] [--scale] [--end-to-end] [--kills [N]] [--study STUDY] [--seconds S] [--cases N]

--store       the store at 100,000 synthetic rows: size, appending, reading, a query, continuing
--scale       one worker against two (kernels compiled before: run it twice the first time): cases a second, processor time, overhead
              beside the solve, memory a worker, are both tables the same?
--end-to-end  a study of 1,000 cases (or --cases), from the file to the table
--kills       a study killed with SIGKILL ten times (or N) at random moments, and once left alone: are both tables the same?
--study       a study of your own, or a shipped one, in place of gear ratios of three-clutch drawn at random on a short trip
--seconds     only the beginning of every cycle
--out         keep all folders there; what they hold already is not solved again
--against     a folder of the same study that was left alone, for --kills to compare with

Without any of the first four: --store and --scale. Wall times depend on machine and load: compare within one run, on an idle machine.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import re
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, nullcontext, suppress
from pathlib import Path

from ems.studies.results import load_study
from ems.studies.run import Ran, run_study
from ems.studies.store import FILE, CaseRow, Store
from ems.studies.studyfile import read_study
from ems.studies.worker import Outcome
from ems.trips.cycle import load_cycle

SHORT = Path(__file__).parent.parent / "tests" / "data" / "short-trip.csv"
ROWS, APPENDED = 100_000, 1_000


def main() -> None:
    """Reads the options and measures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("store", "scale", "end-to-end"):
        parser.add_argument(f"--{name}", action="store_true")
    parser.add_argument("--kills", type=int, nargs="?", const=10)
    parser.add_argument("--study")
    parser.add_argument("--seconds", type=int)
    parser.add_argument("--cases", type=int)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--against", type=Path)
    options = parser.parse_args()
    chosen = [n for n in MEASURES if getattr(options, n)] or ["store", "scale"]
    with nullcontext(options.out) if options.out is not None else tempfile.TemporaryDirectory() as folder:
        for name in chosen:
            (place := Path(folder) / name).mkdir(parents=True, exist_ok=True)
            MEASURES[name](place, options)


# ------------------------------------------------------------------------------------------------------------ the store


def synthetic(number: int) -> Outcome:
    """A result such as an optimum leaves."""
    chance = random.Random(number)
    outputs = {name: chance.uniform(1.0, 1000.0) for name in (
        "fuel_l_per_100km", "co2_g_per_km", "fuel_g", "objective_g", "lower_bound_g", "gap_percent", "table_error_percent",
        "floor_l_per_100km", "distance_km", "duration_s", "soc_start", "soc_end", "surplus_J", "costate", "energy_residual_percent")}
    return Outcome(f"{number:032x}", "done", "", outputs | {"engine_starts": number % 40}, None, 1.5, 250.0, "machine:1234", "0" * 16)


def store(folder: Path, _: argparse.Namespace) -> None:
    """100,000 rows: most of them written at once, the last appended as results are, a transaction each."""
    cases = [CaseRow(n, f"{n:032x}", "three-clutch", "wltc-3b", None, 1, 1, {"gears.first.ratio": n / 1e4, "gears.third.ratio": n % 97})
             for n in range(ROWS)]
    meta = {"name": "synthetic", "summary": "", "text": "", "solve": '["optimum"]', "varied": '["gears.first.ratio", "gears.third.ratio"]',
            "columns": json.dumps(list(synthetic(0).outputs)), "require": "{}", "sources": "{}", "versions": "{}"}
    with Store(folder) as kept:
        kept.begin(meta, cases)
        kept.base.execute("PRAGMA synchronous = OFF")
        for n in range(ROWS - APPENDED):
            kept._insert(synthetic(n))
        kept.base.commit()
        kept.base.execute("PRAGMA synchronous = FULL")
        begun = time.perf_counter()
        for n in range(ROWS - APPENDED, ROWS):
            kept.add(synthetic(n))
        append = (time.perf_counter() - begun) / APPENDED
    print(f"store of {ROWS} rows: {(folder / FILE).stat().st_size / 1e6:.0f} MB, appending {1e3 * append:.2f} ms a row, each on the disk")
    begun = time.perf_counter()
    with Store(folder) as kept:
        opened = time.perf_counter() - begun
        held = kept.solved(tuple(synthetic(0).outputs), trace=False)
        print(f"  opening with every checksum {opened:.2f} s, what need not be solved {time.perf_counter() - begun - opened:.2f} s "
              f"({len(held)} rows)")
    begun = time.perf_counter()
    study = load_study(folder)
    loaded = time.perf_counter() - begun
    begun = time.perf_counter()
    frame = study.to_frame()
    print(f"  load_study {loaded:.2f} s, to pandas {time.perf_counter() - begun:.2f} s ({len(frame)} rows, {frame.shape[1]} columns)")
    begun = time.perf_counter()
    front = study.pareto("fuel_l_per_100km", "gap_percent").rows
    print(f"  Pareto front of {len(front)} cases {time.perf_counter() - begun:.2f} s")
    base = sqlite3.connect(folder / FILE)
    begun = time.perf_counter()
    least = base.execute("SELECT number, json_extract(outputs, '$.fuel_g') AS fuel FROM cases JOIN results USING (digest) "
                         "ORDER BY fuel LIMIT 10").fetchall()
    print(f"  ten least by SQL {time.perf_counter() - begun:.2f} s (first: case {least[0][0]})")
    base.close()


# ------------------------------------------------------------------------------------------------------------ running


def study_file(place: Path, options: argparse.Namespace, cases: int) -> Path:
    """The study asked for, its cycles cut short where that is; else so many cases of three-clutch, or as many as are asked for."""
    plan, cases, seconds = read_study(options.study) if options.study else None, options.cases or cases, options.seconds
    text = plan.text if plan is not None else (
        f'name = "benchmark"\nlayouts = "three-clutch"\ncycles = "{SHORT}"\n[vary]\ngears.first.ratio = {{ from = 2.5, to = 3.3 }}\n'
        f'gears.third.ratio = {{ from = 0.65, to = 0.95 }}\n[sample]\nmethod = "latin-hypercube"\ncount = {cases}\n')
    if seconds is not None:
        cut = [begun(place, cycle, seconds) for cycle in (plan.cycles if plan is not None else (str(SHORT),))]
        text = re.sub(r"^cycles = .*$", f"cycles = {json.dumps(cut)}", text, count=1, flags=re.MULTILINE)
    path = place / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def begun(place: Path, word: str, seconds: int) -> str:
    """A file with the beginning of a cycle."""
    cycle = load_cycle(word)
    path = place / f"{cycle.name}-{seconds}.csv"
    rows = list(zip(cycle.time_s, cycle.speed_m_s, cycle.grade, strict=True))[:seconds + 1]
    path.write_text(f"# source: the first {seconds} s of {cycle.name}\ntime_s,speed_m_s,grade_percent\n"
                    + "".join(f"{t:g},{float(v)!r},{100.0 * float(g)!r}\n" for t, v, g in rows), encoding="utf-8")
    return str(path)


def parent_cpu_s() -> float:
    """Time this process has computed, its workers not counted [s]."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def children_cpu_s() -> float:
    """Time that workers of this process have computed, those that have ended [s]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def timed(study: Path, out: Path, workers: int) -> tuple[Ran, float, float]:
    """A run, and from its second quarter on, when all workers are at it: results a second, and time this process computed for each [s]."""
    arrivals: list[tuple[float, float]] = []
    ran = run_study(str(study), out, workers=workers, progress=lambda _: arrivals.append((time.perf_counter(), parent_cpu_s())))
    if ran.solved < 8:
        raise SystemExit(f"{ran.solved} cases were left to solve, too few for a rate: another --out, or more --cases")
    results = arrivals[-ran.solved:][ran.solved // 4:]
    return ran, (len(results) - 1) / (results[-1][0] - results[0][0]), (results[-1][1] - results[0][1]) / (len(results) - 1)


def scale(place: Path, options: argparse.Namespace) -> None:
    """One worker against two, without the first quarter of the results, in which a second worker loads while the first one solves."""
    study = study_file(place, options, 128)
    rates, cpus = [], []
    for workers in (1, 2):
        begun, cpu = time.perf_counter(), children_cpu_s()
        ran, rate, beside = timed(study, place / f"workers-{workers}", workers)
        total, cpu = time.perf_counter() - begun, children_cpu_s() - cpu
        rates.append(rate)
        cpus.append(cpu / ran.solved)
        print(f"{workers} worker(s), {ran.solved} cases: {rate:.3f} cases a second without the first quarter, {total:.1f} s in all; "
              f"{cpus[-1]:.3f} s of processor a case, start included; load {os.getloadavg()[0]:.1f}")
        print(f"  a case: {ran.busy_s / ran.solved:.3f} s in its worker, start included; {1e3 * beside:.1f} ms of processor beside it in "
              f"this process ({100 * beside / cpus[-1]:.2f} % of the worker's); up to {ran.memory_MB:.0f} MB a worker")
    print(f"two workers are {rates[1] / rates[0]:.2f} times as fast by the clock, a case takes {cpus[1] / cpus[0]:.2f} times the processor "
          f"time; tables alike to the last bit: {table(place / 'workers-1') == table(place / 'workers-2')}")


def end_to_end(place: Path, options: argparse.Namespace) -> None:
    """From the file to the table, on every core."""
    study, begun, cpu, here = study_file(place, options, 1000), time.perf_counter(), children_cpu_s(), parent_cpu_s()
    ran = run_study(str(study), place / "whole", workers=os.cpu_count() or 1, note=print)
    frame = load_study(place / "whole").to_frame()
    wall, cpu, here = time.perf_counter() - begun, children_cpu_s() - cpu, parent_cpu_s() - here
    print(f"{ran.cases} cases, {ran.workers} workers, file to table: {wall:.0f} s, {ran.solved / wall:.2f} cases a second; "
          f"{ran.done} done, {ran.not_followed} not followed, {ran.failed} failed; {len(frame)} rows, store "
          f"{(place / 'whole' / FILE).stat().st_size / 1e6:.2f} MB")
    print(f"  workers: up to {ran.memory_MB:.0f} MB, solving {100 * ran.busy_s / (ran.workers * wall):.1f} % of the time; of processor "
          f"{cpu:.0f} s in them and {here:.1f} s here ({100 * here / cpu:.2f} %)")


def table(folder: Path) -> str:
    """The table of a folder but for what the clock says."""
    return json.dumps([{k: v for k, v in row.items() if k != "seconds"} for row in load_study(folder).to_dict()["rows"]])


def kills(place: Path, options: argparse.Namespace) -> None:
    """Kills at random moments spread over the study by the results held; workers are left to find out by themselves.

    Where a study has come to by a kill is drawn beforehand, and a moment after that: a start may be killed before it has solved anything.
    """
    study, alone, killed, chance = study_file(place, options, 40), options.against or place / "alone", place / "killed", random.Random(1)
    if options.against is None:
        ran = run_study(str(study), alone, workers=2)
        print(f"left alone: {ran.cases} cases in {ran.seconds:.0f} s", flush=True)
    rows, before = load_study(alone).rows, held(killed)
    a_case = sum(row["seconds"] for row in rows) / len(rows)
    command = [sys.executable, "-m", "ems", "batch", "run", str(study), "--out", str(killed), "--workers", "2", "--quiet"]
    for number, count in enumerate(sorted(chance.randrange(before, len(rows)) for _ in range(options.kills)), start=1):
        begun = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while held(killed) < count and process.poll() is None:
            time.sleep(0.1)
        time.sleep(chance.uniform(0.0, 2.0 * a_case))       # in the middle of starting, of solving or of writing
        state = "under way" if process.poll() is None else "had ended"
        process.send_signal(signal.SIGKILL)
        process.wait()
        print(f"  kill {number}, {time.perf_counter() - begun:.1f} s after its start: {state}, {held(killed)} of {len(rows)} results held",
              flush=True)
    done = subprocess.run(command, stdout=subprocess.DEVNULL, check=False).returncode
    tables = [table(folder) for folder in (alone, killed)]
    digests = [hashlib.sha256(one.encode()).hexdigest()[:16] for one in tables]
    print(f"{len(rows)} cases killed {options.kills} times: exit {done}, {held(killed)} results; table {digests[1]}, of the run left alone "
          f"{digests[0]}; alike to the last bit: {tables[0] == tables[1]}")


def held(folder: Path) -> int:
    """Results a folder holds, at no cost for those who solve; none while there is no store."""
    with suppress(sqlite3.Error), closing(sqlite3.connect(f"{(folder / FILE).absolute().as_uri()}?mode=ro", uri=True)) as base:
        return int(base.execute("SELECT count(*) FROM results").fetchone()[0])
    return 0


MEASURES = {"store": store, "scale": scale, "end_to_end": end_to_end, "kills": kills}

if __name__ == "__main__":
    main()
