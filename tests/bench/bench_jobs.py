"""Job cards in a large log: how soon a station knows its car, and how soon the job commands answer.

Run `python tests/bench/bench_jobs.py` in the project's folder. It makes a log of 100 000 simulated
measurements and 5 000 job cards, five of them open (about 700 MB, in the temporary folder), prints what it
measures beside plain sqlite3 and start-up alone, and judges nothing.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from joblog.at_station import open_jobs
from joblog.jobs import EntryKind, JobEntry, entry_row, list_jobs, new_entry
from joblog.records import new_id, utc_text
from joblog.store import Store
from tests.bench.bench_review import BEGAN, HUB, SHIMWRIGHT, make_log, patterns, start

BAY = "larkfield/bay-2"
OPEN_JOBS = 5
PACK = {"thicknesses_mm": [3.0], "torque_nm": 135.0, "torque_text": "135 N·m"}
STEPS = (EntryKind.TORN_DOWN, EntryKind.FITTED, EntryKind.CHOSEN, EntryKind.REASSEMBLED)


def entries_of(number: int, *, closed: bool) -> list[JobEntry]:
    """A job card of two corners, as much on it as a whole job leaves."""
    job, at = new_id(), utc_text(BEGAN + timedelta(hours=5 * number))
    entries = [new_entry(job, EntryKind.CAR, None, {"vehicle": f"Heron GT, LG {1000 + number}"})]
    for corner in ("LR", "RR"):
        entries.append(new_entry(job, EntryKind.CORNER, corner, {"hub_text": HUB, "hub_path": "rear.toml"}))
        entries += [
            new_entry(
                job, kind, corner, {"thicknesses_mm": [3.0], "torque_nm": 135.0, "torque_text": "135 N·m"}
            )
            for kind in STEPS
        ]
    entries += [new_entry(job, EntryKind.CLOSED, None, {"why": "done"})] if closed else []
    return [replace(entry, at=at) for entry in entries]


def add_jobs(path: Path, number: int) -> None:
    """So many job cards; all but a few of the last ones are closed, and those have measurements."""
    first = patterns(1)[0]
    with closing(sqlite3.connect(path)) as log:
        log.execute("PRAGMA synchronous = OFF")
        for i in range(number):
            entries = entries_of(i, closed=i < number - OPEN_JOBS)
            head = (entries[0].job_id, entries[0].at, "bench")
            log.execute("INSERT INTO job (id, opened_at, version) VALUES (?, ?, ?)", head)
            for entry in entries:
                row = entry_row(entry)[1]
                names, marks = ", ".join(row), ", ".join("?" * len(row))
                insert = f"INSERT INTO job_entry ({names}) VALUES ({marks})"
                log.execute(insert, tuple(row.values()))
        log.commit()
    with Store.open(path) as store:
        for job in list_jobs(path, open_only=True):
            for corner in job.corners:
                store.add(replace(first, id=new_id(), corner=corner, job=job.id))


def plain(path: Path) -> int:
    """What nothing less would do: the entries of the open jobs, out of SQLite and JSON."""
    with closing(sqlite3.connect(path)) as log:
        query = """
        SELECT data FROM job_entry WHERE job_id IN (SELECT id FROM job WHERE coalesce((
            SELECT kind FROM job_entry e WHERE e.job_id = job.id AND kind IN ('closed', 'reopened')
            ORDER BY seq DESC LIMIT 1), '') <> 'closed')
        """
        return sum(len(json.loads(data)) for (data,) in log.execute(query))


def median_ms(work: Callable[[], object], rounds: int) -> float:
    """Of so many rounds after one that is not counted."""
    taken = []
    for turn in range(-1, rounds):
        began = time.perf_counter()
        work()
        taken += [] if turn < 0 else [(time.perf_counter() - began) * 1e3]
    return statistics.median(taken)


def main() -> None:
    """All of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--measurements", type=int, default=100_000)
    parser.add_argument("--jobs", type=int, default=5_000)
    parser.add_argument("--rounds", type=int, default=9)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, empty = Path(folder) / "log.sqlite", Path(folder) / "empty.sqlite"
        Store.open(empty).close()
        make_log(path, asked.measurements, patterns(8))
        add_jobs(path, asked.jobs)
        newest = list_jobs(path, open_only=True)[-1].id
        print(f"{asked.jobs} job cards, {OPEN_JOBS} open, {asked.measurements} measurements; medians:")
        inside: dict[str, Callable[[], object]] = {
            "plain sqlite3 and JSON, the open jobs' entries": lambda: plain(path),
            "the job card of a station": lambda: open_jobs(path, BAY),
        }
        for name, work in inside.items():
            print(f"  {name:48}{median_ms(work, asked.rounds):8.1f} ms")
        words = {
            "job list --open, empty log (start-up alone)": ["job", "list", "--open", "--log", str(empty)],
            "job list --open": ["job", "list", "--open", "--log", str(path)],
            "job next": ["job", "next", newest, "--corner", "LR", "--log", str(path)],
            "job list": ["job", "list", "--log", str(path)],
        }
        for name, line in words.items():
            print(f"  {name:48}{median_ms(partial(start, [SHIMWRIGHT, *line]), asked.rounds):8.0f} ms")


if __name__ == "__main__":
    main()
