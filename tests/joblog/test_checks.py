"""Checks of gauges in the log, and how a gauge stands by them."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from joblog.checks import GaugeCheck, GaugeIdentity, list_checks, standing_of
from joblog.errors import LogFailed, LogMissing, NotALog, RecordError
from joblog.records import new_id, utc_text
from joblog.store import Store

NOW = datetime(2026, 3, 31, 12, tzinfo=UTC)
PORT = GaugeIdentity("serial:/dev/ttyUSB0?baud=9600", "line")


def check(days_ago: float = 1.0, **changes: Any) -> GaugeCheck:
    values: dict[str, Any] = {
        "id": new_id(),
        "at": utc_text(NOW - timedelta(days=days_ago)),
        "gauge": PORT,
        "unit": Unit.MM,
        "block_mm": 1.0,
        "block_u_mm": 0.0001,
        "repeats": 5,
        "error_mm": 0.1 + 0.2,
        "u_mm": 0.001,
        "expanded_mm": 0.0025,
        "repeatability_mm": 0.0011,
        "permissible_error_mm": 0.004,
        "outcome": "pass",
        "p_within": 0.99,
        "simulated": False,
        "version": "0.1.0",
        "found": {"errors_mm": [0.1 + 0.2], "why": "½ µm"},
    }
    return GaugeCheck(**values | changes)


def log_of(tmp_path: Path, *checks: GaugeCheck) -> Path:
    path = tmp_path / "log.sqlite"
    with Store.open(path) as store:
        for one in checks:
            store.add_check(one)
    return path


def test_checks_come_back_exactly_and_in_order(tmp_path: Path) -> None:
    first = check(5)
    second = check(
        3,
        unit=Unit.INCH,
        block_u_mm=None,
        permissible_error_mm=None,
        outcome=None,
        p_within=None,
        simulated=True,
    )
    assert list_checks(log_of(tmp_path, first, second)) == [first, second]


def test_a_gauge_is_known_by_its_name_or_by_its_place(tmp_path: Path) -> None:
    named = check(gauge=GaugeIdentity("serial:/dev/ttyUSB1", "line", "SN 1"))
    path = log_of(tmp_path, check(), named)
    other_baud = GaugeIdentity("serial:/dev/ttyUSB0?baud=4800", "line")
    moved = GaugeIdentity("serial:/dev/ttyACM3", "other", "SN 1")
    assert [one.gauge for one in list_checks(path, other_baud)] == [PORT]
    assert list_checks(path, moved) == [named]
    assert list_checks(path, replace(PORT, profile="other")) == []
    assert list_checks(path, replace(PORT, name="SN 2")) == []


def test_a_check_is_written_once(tmp_path: Path) -> None:
    path = log_of(tmp_path, one := check())
    with Store.open(path) as store, pytest.raises(RecordError, match="never changed"):
        store.add_check(one)
    with closing(sqlite3.connect(path)) as log:
        for statement in ("UPDATE gauge_check SET outcome = 'fail'", "DELETE FROM gauge_check"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                log.execute(statement)
    assert list_checks(path) == [one]


@pytest.mark.parametrize("changes", [{"outcome": "perhaps"}, {"found": {"u_mm": float("nan")}}])
def test_what_cannot_be_stored_is_refused(tmp_path: Path, changes: dict[str, Any]) -> None:
    path = log_of(tmp_path)
    with Store.open(path) as store, pytest.raises(RecordError):
        store.add_check(check(**changes))
    assert list_checks(path) == []


def test_a_gauge_that_passed_lately_stands_well(tmp_path: Path) -> None:
    path = log_of(tmp_path, check(40, outcome="fail"), check(2))
    assert standing_of(path, PORT, NOW, 30) is None
    assert standing_of(path, PORT, NOW) is None


@pytest.mark.parametrize("days", [None, 30.0])
def test_a_gauge_whose_last_check_failed(tmp_path: Path, days: float | None) -> None:
    path = log_of(tmp_path, check(3), check(2, outcome="fail", error_mm=0.0123))
    said = standing_of(path, PORT, NOW, days)
    assert said is not None
    assert "failed its last check, 2026-03-29" in said
    assert "error +0.0123 mm on a block of 1.000 mm, ± 0.0040 mm permissible" in said


def test_a_gauge_whose_last_check_was_too_near_to_tell(tmp_path: Path) -> None:
    said = standing_of(log_of(tmp_path, check(outcome="undecided")), PORT, NOW)
    assert said is not None
    assert "too near to tell" in said


@pytest.mark.parametrize(("days_ago", "told"), [(29.9, False), (30.1, True)])
def test_a_check_that_is_too_old(tmp_path: Path, days_ago: float, told: bool) -> None:
    path = log_of(tmp_path, check(days_ago))
    said = standing_of(path, PORT, NOW, 30)
    assert (said is not None) is told
    assert said is None or "last checked 30 days ago, 2026-03-01; 30 days are allowed" in said
    assert standing_of(path, PORT, NOW) is None  # nobody asked for a check


def test_both_are_told(tmp_path: Path) -> None:
    said = standing_of(log_of(tmp_path, check(90, outcome="fail")), PORT, NOW, 30)
    assert said is not None
    assert "failed its last check" in said
    assert "90 days ago" in said


@pytest.mark.parametrize("there", [True, False])
def test_a_gauge_that_was_never_checked(tmp_path: Path, there: bool) -> None:
    path = log_of(tmp_path) if there else tmp_path / "none.sqlite"
    assert standing_of(path, PORT, NOW) is None
    said = standing_of(path, replace(PORT, name="SN 7"), NOW, 30)
    assert said is not None
    assert "(SN 7) was never checked, and a check every 30 days is asked for" in said
    assert path.exists() is there  # looking makes no log


def test_a_log_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(LogMissing):
        list_checks(tmp_path / "none.sqlite")
    text = tmp_path / "notes.txt"
    text.write_text("no log")
    with pytest.raises((NotALog, LogFailed)):
        standing_of(text, PORT, NOW)


def test_a_listing_loads_little() -> None:
    code = "import sys, joblog.checks; print(sorted({'numpy', 'sqlite_utils', 'msgspec'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
