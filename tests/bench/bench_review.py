"""Looking back: how soon a search answers in a large log, and how fast a whole log is analysed again.

Run `python tests/bench/bench_review.py` in the project's folder. It makes a log of 100 000 simulated
measurements (about 700 MB, in the temporary folder), prints what it measures beside something to hold it
against, and judges nothing.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import gzip
import io
import json
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from calc.limits import Limits, assess
from calc.units import Unit
from capture.end_play import EndPlay, analyse_trace, analysis_object
from capture.readings import Gauge, Trace
from capture.simulator import HubModel, simulate
from capture.traces import write_csv
from cli.version import version
from joblog.codec import encode_trace
from joblog.records import CORNERS, STAGES, Measurement, new_id, to_row, utc_text
from joblog.store import Store

ROOT = Path(__file__).parents[2]
HUB = (ROOT / "cli" / "heron-rear.toml").read_text(encoding="utf-8")
LIMITS = Limits(0.03, 0.20)
BEGAN = datetime(2023, 1, 2, 8, 0, tzinfo=UTC)
AS_USUAL = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
SHIMWRIGHT = str(Path(sys.executable).with_name("shimwright"))
LIST_AIM_MS = 300.0
EMPTY = "an empty log (start-up alone)"
JITTER_S = 0.0002


def patterns(number: int) -> list[Measurement]:
    """So many different simulated measurements."""
    made = []
    for seed in range(number):
        end_play = 0.02 + 0.01 * (seed % 40)
        model = HubModel(end_play_mm=end_play, strokes=14, dwell_s=1.0, half_share=0.05 * (seed % 3))
        trace = as_it_arrives(simulate(model, seed).trace, seed)
        outcome = analyse_trace(trace)
        found: dict[str, object] = {"state": "refused"}
        if isinstance(outcome, EndPlay):
            verdict = assess(outcome.end_play_mm, outcome.u_mm, outcome.dof, LIMITS)
            found = {"state": "measured", "verdict": str(verdict.verdict), "p_within": verdict.p_within}
        one = Measurement(
            id=new_id(),
            at=utc_text(BEGAN),
            corner="LR",
            stage="as-found",
            state="refused",
            analysis=analysis_object(outcome),
            hub_title="Heron GT rear hub, pressed spindle",
            hub_text=HUB,
            unit=Unit.MM,
            least_mm=LIMITS.least_mm,
            most_mm=LIMITS.most_mm,
            link="simulated:",
            profile="line",
            gauge=Gauge(),
            simulated=True,
            version=version(),
            trace=trace,
        )
        made.append(replace(one, **found))  # type: ignore[arg-type]
    return made


def as_it_arrives(trace: Trace, seed: int) -> Trace:
    """The trace with times as a live one has them: arrivals jitter, and are kept to the microsecond."""
    jitter = np.random.default_rng(seed).normal(0.0, JITTER_S, len(trace))
    return replace(trace, times_s=np.sort(np.round(trace.times_s + jitter, 6)))


def make_log(path: Path, number: int, made: list[Measurement]) -> None:
    """A log of so many measurements over three years, of a thousand vehicles."""
    blobs = [encode_trace(one.trace) for one in made]
    rows = [to_row(one) for one in made]
    names = list(rows[0])
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as log:
        log.execute("PRAGMA synchronous = OFF")
        insert = f"INSERT INTO measurement ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
        for i in range(number):
            which = i % len(made)
            row = rows[which] | {
                "id": new_id(),
                "at": utc_text(BEGAN + timedelta(seconds=i * 3 * 365 * 86_400 / number)),
                "corner": CORNERS[i % 4],
                "stage": STAGES[i % 3],
                "vehicle": f"Heron GT, LG {1000 + i * 7919 % 1000}",
                "job": f"{2023 + i * 3 // number}-{i % 4000:04d}",
                "gauge_name": f"SN {100 + i % 8}",
            }
            log.execute(insert, tuple(row.values()))
            trace = (row["id"], len(made[which].trace), blobs[which])
            log.execute("INSERT INTO trace (measurement_id, readings, data) VALUES (?, ?, ?)", trace)
        log.commit()


def start(words: list[str]) -> float:
    """Run a command to its end; milliseconds on the clock."""
    started = time.perf_counter()
    subprocess.run(words, check=True, env=AS_USUAL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return (time.perf_counter() - started) * 1e3


def searches(path: Path, number: int, rounds: int) -> None:
    """``trace list`` with each filter, above the same command on an empty log."""
    log = ["--log", str(path)]
    empty = path.with_name("empty.sqlite")
    Store.open(empty).close()
    lines: dict[str, list[str]] = {
        EMPTY: [SHIMWRIGHT, "trace", "list", "--log", str(empty)],
        "no filter": [SHIMWRIGHT, "trace", "list", *log],
        "--vehicle 'LG 1234'": [SHIMWRIGHT, "trace", "list", *log, "--vehicle", "LG 1234"],
        "--corner LR": [SHIMWRIGHT, "trace", "list", *log, "--corner", "LR"],
        "--verdict loose": [SHIMWRIGHT, "trace", "list", *log, "--verdict", "loose"],
        "--refused": [SHIMWRIGHT, "trace", "list", *log, "--refused"],
        "--gauge 'SN 103'": [SHIMWRIGHT, "trace", "list", *log, "--gauge", "SN 103"],
        "--since 2024-03 --until 2024-04": [
            SHIMWRIGHT, "trace", "list", *log, "--since", "2024-03", "--until", "2024-04",
        ],
        "--vehicle ... --json": [SHIMWRIGHT, "trace", "list", *log, "--vehicle", "LG 1234", "--json"],
        "--vehicle (none such)": [SHIMWRIGHT, "trace", "list", *log, "--vehicle", "no such"],
    }  # fmt: skip
    times: dict[str, list[float]] = {name: [] for name in lines}
    for turn in range(-1, rounds):
        for name, line in lines.items():
            taken = start(line)
            if turn >= 0:
                times[name].append(taken)
    bare = statistics.median(times[EMPTY])
    print(f"\ntrace list in a log of {number} measurements, {rounds} starts of each in turns, medians:")
    for name, taken_ms in times.items():
        median = statistics.median(taken_ms)
        aim = "" if median - bare <= LIST_AIM_MS else f"  (aim: {LIST_AIM_MS:.0f} ms above)"
        print(f"  {name:34}{median:7.0f} ms{median - bare:8.0f} ms above start-up{aim}")


def plain_read(path: Path) -> int:
    """What nothing less would do: every trace out of SQLite and unpacked into numpy columns of numbers."""
    readings = 0
    with closing(sqlite3.connect(path)) as log:
        query = (
            "SELECT m.analysis, t.readings, t.data FROM measurement m JOIN trace t ON t.measurement_id = m.id"
        )
        for analysis, n, data in log.execute(query):
            json.loads(analysis)
            planes = np.frombuffer(zlib.decompress(data[12:-4]), dtype=np.uint8)
            columns = planes.reshape(2, 8, n).transpose(0, 2, 1).copy().view("<u8")
            readings += int(np.cumsum(columns, axis=1).shape[1])
    return readings


def redo_all(path: Path, jobs: int) -> Callable[[], object]:
    """``trace redo --all`` as a process of its own."""
    return lambda: start(
        [SHIMWRIGHT, "trace", "redo", "--all", "--json", "--jobs", str(jobs), "--log", str(path)]
    )


def redoing(path: Path, number: int) -> None:
    """A whole log analysed again, beside reading it."""
    cores = len(os.sched_getaffinity(0))
    cases: dict[str, tuple[Callable[[], object], int]] = {
        "plain sqlite3 and numpy, read only": (lambda: plain_read(path), 1),
        "trace redo --all --jobs 1": (redo_all(path, 1), 1),
        f"trace redo --all --jobs {cores}": (redo_all(path, cores), cores),
    }
    print(f"\nall of a log of {number} measurements, one after the other, the best of three:")
    for name, (work, used) in cases.items():
        best = min(_timed(work) for _ in range(3))
        print(f"  {name:38}{number / best:9.0f} a second{number / best / used:9.0f} a second and core")


def _timed(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def sizes(path: Path, number: int, made: list[Measurement]) -> None:
    """What a measurement takes, beside its trace alone as CSV and gzip."""
    texts = []
    for one in made:
        text = io.StringIO()
        write_csv(one.trace, text)
        texts.append(text.getvalue().encode())
    mean = statistics.mean
    each = mean(len(one.trace) for one in made)
    print(f"\nbytes a measurement, of {len(made)} different ones, {each:.0f} readings each:")
    print(f"  {'in the log, row, trace and indexes':38}{path.stat().st_size / number:9.0f}")
    print(f"  {'its trace in the log':38}{mean(len(encode_trace(one.trace)) for one in made):9.0f}")
    print(f"  {'its trace as raw CSV':38}{mean(map(len, texts)):9.0f}")
    print(f"  {'its trace as CSV, gzip -9':38}{mean(len(gzip.compress(text, 9)) for text in texts):9.0f}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--measurements", type=int, default=100_000, help="in the large log (default %(default)s)"
    )
    parser.add_argument("--redo", type=int, default=2_000, help="analysed again (default %(default)s)")
    parser.add_argument("--rounds", type=int, default=7, help="starts of each search (default %(default)s)")
    asked = parser.parse_args()
    made = patterns(200)
    print(f"Python {sys.version.split()[0]}, SQLite {sqlite3.sqlite_version}, {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as folder:
        large, small = Path(folder) / "large.sqlite", Path(folder) / "small.sqlite"
        make_log(large, asked.measurements, made)
        searches(large, asked.measurements, asked.rounds)
        make_log(small, asked.redo, made)
        redoing(small, asked.redo)
        sizes(large, asked.measurements, made)


if __name__ == "__main__":
    main()
