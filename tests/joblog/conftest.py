"""Measurements to put into logs."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calc.units import Unit
from capture.readings import Gauge, Trace
from joblog.records import Measurement, new_id
from joblog.store import Store
from joblog.tables import PORTABLE

HUB_TEXT = """title = "Heron GT rear hub, pressed spindle"
unit = "mm"
[end_play]
least = 0.03
most = 0.20
"""

ANALYSIS: dict[str, Any] = {
    "usable": True,
    "reasons": [],
    "end_play_mm": 0.1 + 0.2,  # 0.30000000000000004: every digit must come back
    "u_mm": 0.0012345678901234567,
    "expanded_mm": 0.0025,
    "coverage_factor": 2.03,
    "dof": None,
    "strokes": 8,
    "half_strokes": 0,
    "resolution_mm": 0.001,
    "drift_mm_per_s": -1.5e-05,
    "budget": [{"source": "repeatability", "kind": "A", "u_mm": 0.0011, "dof": 7.0}],
}

SHIM: dict[str, Any] = {"zero_mm": 2.9, "candidates": [], "choice": None, "why": "nothing fits: ½ µm short"}


@pytest.fixture(scope="session")
def make() -> Callable[..., Measurement]:
    """A measurement with everything in it; say what should differ."""
    return make_measurement


def make_measurement(**changes: Any) -> Measurement:
    n = 40
    values: dict[str, Any] = {
        "id": new_id(),
        "at": "2026-03-02T08:30:05.250Z",
        "corner": "LR",
        "stage": "as-found",
        "state": "measured",
        "analysis": ANALYSIS,
        "verdict": "loose",
        "p_within": 0.0123,
        "hub_title": "Heron GT rear hub, pressed spindle",
        "hub_text": HUB_TEXT,
        "unit": Unit.MM,
        "least_mm": 0.03,
        "most_mm": 0.20,
        "fitted_mm": 3.2,
        "shim": SHIM,
        "vehicle": "Heron GT, LG 1234",
        "job": "2026-117",
        "link": "simulated:?end_play=0.31mm",
        "profile": "line",
        "gauge": Gauge(Unit.MM, 0.001, 12.7, 0.004, "indicator's data sheet"),
        "simulated": True,
        "version": "0.1.0",
        "trace": Trace(np.arange(n, dtype=np.float64) * 0.02 + 81234.5, np.arange(n) % 7 * 50, 3, Unit.MM),
    }
    return Measurement(**values | changes)


@pytest.fixture(scope="session")
def contents() -> Callable[[Path], dict[str, list[tuple[Any, ...]]]]:
    """All that a log holds but the order of recording and the outbox, to be compared with another's."""

    def read(path: Path) -> dict[str, list[tuple[Any, ...]]]:
        with closing(sqlite3.connect(path)) as log:
            found = {}
            for table in PORTABLE:
                names = [row[1] for row in log.execute(f"PRAGMA table_info({table})") if row[1] != "seq"]
                found[table] = sorted(log.execute(f"SELECT {', '.join(names)} FROM {table}"), key=repr)
            return found

    return read


@pytest.fixture
def full_log(tmp_path: Path, make: Callable[..., Measurement]) -> Path:
    """A log with two jobs of two measurements each, and with something in every table that there is."""
    path = tmp_path / "full.sqlite"
    jobs = [new_id(), new_id()]
    ms = [
        make(
            job=jobs[number // 2],
            corner=("LR", "RR")[number % 2],
            gauge_name="A-7",
            vehicle=f"Heron {number}",
        )
        for number in range(4)
    ]
    with Store.open(path) as store:
        for measurement in ms:
            store.add(measurement)
    fill(path, jobs, [measurement.id for measurement in ms])
    return path


def fill(path: Path, jobs: list[str], ids: list[str]) -> None:
    at, version = "2026-03-02T09:00:00.000Z", "0.2.0"
    with closing(sqlite3.connect(path)) as log, log:
        log.execute("PRAGMA foreign_keys = ON")

        def put(table: str, **row: Any) -> str:
            row = {"id": new_id(), **row}
            places = ", ".join("?" * len(row))
            log.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({places})", tuple(row.values()))
            return str(row["id"])

        entry = ""
        for number, job in enumerate(jobs):
            put("job", id=job, opened_at=at, version=version)
            put("job_entry", job_id=job, at=at, who="Ada", kind="opened", data='{"vehicle":"Heron ½"}')
            for one in ids[2 * number : 2 * number + 2]:
                about = {"job_id": job, "at": at, "kind": "measured", "data": "{}", "measurement_id": one}
                first = put("job_entry", **about, who="", corner="LR")
                entry = put("job_entry", **about | {"measurement_id": None}, corrects=first)
        check = {
            "at": at, "place": "simulated:", "link": "simulated:?x=1", "profile": "line", "unit": "mm",
            "block_mm": 5.0, "repeats": 5, "error_mm": 1e-3 / 3, "u_mm": 0.001, "expanded_mm": 0.002,
            "repeatability_mm": 5e-324, "simulated": 1, "version": version, "found": '{"errors":[0.1]}',
        }  # fmt: skip
        put("gauge_check", **check, gauge_name="A-7")
        put("gauge_check", **check)
        put(
            "stock_move",
            at=at,
            bin="heron",
            thickness_nm=2_900_000,
            change=-1,
            why="fitted",
            job_entry_id=entry,
        )
        review = {
            "at": at,
            "version": version,
            "settings": "{}",
            "analysis": '{"usable":false}',
            "accepted": 0,
        }
        put("review", measurement_id=ids[0], **review)
        put("review", measurement_id=ids[3], **review, why="")
        study = put("study", at=at, title="hands", plan='{"repeats":2}', version=version)
        value = {"study_id": study, "at": at, "person": "Ada", "part": "LR", "repeat": 1}
        for about_one in (ids[0], ids[1], None):
            first = put("study_value", **value, value_mm=0.1 + 0.2, measurement_id=about_one)
            put("study_value", **value, value_mm=0.3, corrects=first)
