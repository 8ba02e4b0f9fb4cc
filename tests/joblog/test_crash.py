"""Killed at any moment, the log holds a measurement wholly or not at all, and all that were announced."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from joblog.fetch import load_measurement
from joblog.reader import list_measurements
from joblog.store import Store

ROOT = Path(__file__).parents[2]
WRITER = Path(__file__).with_name("writer.py")
READINGS = 3000  # of each trace that the writer makes

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kill -9 is for POSIX systems: run it on Linux")


def start(path: Path, *what: str) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(WRITER), str(path), *what]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)


def assert_whole(path: Path, announced: list[str]) -> list[str]:
    """Check the log after a kill; gives the ids that it holds."""
    with closing(sqlite3.connect(path)) as log:
        assert log.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert log.execute("PRAGMA foreign_key_check").fetchall() == []
        ids = [row[0] for row in log.execute("SELECT id FROM measurement ORDER BY id")]
        assert [row[0] for row in log.execute("SELECT measurement_id FROM trace ORDER BY 1")] == ids
        assert [row[0] for row in log.execute("SELECT measurement_id FROM outbox ORDER BY 1")] == ids
    assert set(announced) <= set(ids)
    return ids


@pytest.mark.slow
def test_killed_at_random_moments(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    dice = random.Random()
    announced: list[str] = []
    for _ in range(6):
        child = start(path, "endless")
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        time.sleep(dice.uniform(0, 0.08))  # the moment is what varies here: nothing is waited for
        child.send_signal(signal.SIGKILL)
        said, _ = child.communicate(timeout=10)
        assert child.returncode == -signal.SIGKILL
        announced += [line for line in said.splitlines() if len(line) == 36]  # the last line may be cut off
        held = assert_whole(path, announced)
    for measurement_id in held:
        assert load_measurement(path, measurement_id).trace.counts.tolist() == [READINGS] * READINGS
    assert announced, "no child lived long enough to record anything: the kills came too early to test much"
    with Store.open(path) as store:  # and the log can be written again
        assert store.backup is None


@pytest.mark.slow
@pytest.mark.parametrize(
    "sql", ["BEGIN", "INSERT INTO measurement", "INSERT INTO trace", "INSERT INTO outbox", "COMMIT"]
)
def test_killed_before_each_statement_of_the_transaction(tmp_path: Path, sql: str) -> None:
    path = tmp_path / "log.sqlite"
    child = start(path, "stop-before", sql)
    said, _ = child.communicate(timeout=20)
    assert child.returncode == -signal.SIGKILL, f"there was no statement {sql}"
    assert said == "open\n"
    assert assert_whole(path, []) == []


@pytest.mark.slow
def test_two_processes_make_and_write_one_log_at_once(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    children = [start(path, "times", "40") for _ in range(2)]
    announced: list[str] = []
    for child in children:
        said = child.communicate(timeout=50)[0].split()
        assert child.returncode == 0
        announced += said[1:]
    assert len(set(announced)) == 80
    assert assert_whole(path, announced) == sorted(announced)
    assert {row.id for row in list_measurements(path)} == set(announced)
