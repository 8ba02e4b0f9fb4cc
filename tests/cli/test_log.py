"""``shimwright log``: faults are found and told, copies are whole, and counts are right."""

from __future__ import annotations

import json
import os
import pty
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from calc.units import Unit
from capture.end_play import analyse_trace, analysis_object
from capture.readings import Gauge, Trace
from joblog.records import Measurement, new_id
from joblog.store import Store

ROOT = Path(__file__).parents[2]
GOLDEN = ROOT / "fixtures" / "logs"

REFUSED = "too-few-readings"
"""Why three readings give no end play."""

Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]


def measured(trace: Trace, **changes: object) -> Measurement:
    gauge = Gauge(Unit.MM, 0.001)
    one = Measurement(
        id=new_id(),
        at="2026-03-02T08:30:05.250Z",
        corner="LR",
        stage="as-found",
        state="measured",
        analysis=json.loads(json.dumps(analysis_object(analyse_trace(trace, gauge)))),
        verdict="loose",
        p_within=0.01,
        hub_title="Heron GT rear hub",
        hub_text="",
        unit=Unit.MM,
        least_mm=0.03,
        most_mm=0.2,
        link="simulated:?end_play=0.31mm",
        profile="line",
        gauge=gauge,
        simulated=True,
        version="0.1.0",
        trace=trace,
    )
    return replace(one, **changes)  # type: ignore[arg-type]


@pytest.fixture
def log(tmp_path: Path, loose_trace: Trace) -> Path:
    """A log of two measurements, a refused one and an unfinished one."""
    path = tmp_path / "log.sqlite"
    refused = analysis_object(analyse_trace(loose_trace.cut(0, 3), Gauge(Unit.MM, 0.001)))
    nothing = {"state": "refused", "verdict": None, "p_within": None, "analysis": refused}
    with Store.open(path) as store:
        store.add(measured(loose_trace))
        store.add(
            measured(loose_trace, id=new_id(), corner="RR", at="2026-04-02T08:30:05Z", gauge_name="A-7")
        )
        store.add(measured(loose_trace.cut(0, 3), id=new_id(), **nothing))
        store.add(measured(loose_trace.cut(0, 0), id=new_id(), **nothing | {"state": "unfinished"}))
    return path


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as opened, opened:
        for (name,) in opened.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            opened.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            opened.execute(statement)


def test_a_sound_log(log: Path, quick: Shimwright) -> None:
    result = quick("log", "check")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.endswith("is sound: 4 measurements, each trace read back.\n")
    assert json.loads(quick("log", "check", "--json").stdout) == {
        "log": str(log),
        "sound": True,
        "measurements": 4,
        "redone": False,
        "faults": [],
    }


FAULTS = {
    "a bit of a trace": ("UPDATE trace SET data = CAST(data || 'x' AS BLOB) WHERE rowid = 1", "checksum"),
    "no trace": ("DELETE FROM trace WHERE rowid = 1", "has no trace"),
    "number of readings": ("UPDATE trace SET readings = 7 WHERE rowid = 1", "not the 7"),
    "a result": ("UPDATE measurement SET u_mm = 0.5 WHERE seq = 1", "u_mm is 0.5"),
    "a corner": ("UPDATE measurement SET corner = 'XX' WHERE seq = 1", "'XX' is not known"),
    "a gauge": ("UPDATE measurement SET gauge = '{\"colour\":1}' WHERE seq = 1", "does not read back"),
    "an orphan": (
        "DELETE FROM measurement WHERE seq = 1",
        "refers to a row of measurement that is not there",
    ),
}


@pytest.mark.parametrize("what", FAULTS)
def test_a_fault_is_one_line(what: str, log: Path, quick: Shimwright) -> None:
    statement, said = FAULTS[what]
    change(log, statement)
    result = quick("log", "check")
    assert result.returncode == 2
    assert said in result.stdout.splitlines()[0]
    assert "Put a backup copy in its place" in result.stdout.splitlines()[-1]
    told = json.loads(quick("log", "check", "--json").stdout)
    assert told["sound"] is False
    assert said in told["faults"][0]["text"]


def test_a_damaged_page_is_found(log: Path, quick: Shimwright) -> None:
    with closing(sqlite3.connect(log)) as opened:
        opened.execute("PRAGMA journal_mode = DELETE")
        page = opened.execute("PRAGMA page_size").fetchone()[0]
        root = opened.execute("SELECT rootpage FROM sqlite_master WHERE name = 'measurement_at'").fetchone()[
            0
        ]
    with log.open("r+b") as file:
        file.seek((root - 1) * page)
        file.write(b"\x00" * page)
    result = quick("log", "check")
    assert result.returncode == 2
    assert "Traceback" not in result.stderr
    assert quick("log", "backup", "copy.sqlite").returncode == 2
    assert not log.with_name("copy.sqlite").exists()


@pytest.mark.slow
def test_redo_finds_another_number(log: Path, quick: Shimwright) -> None:
    result = quick("log", "check", "--redo")
    assert (result.returncode, result.stderr) == (0, "")
    assert "worked out again to the same numbers" in result.stdout
    with closing(sqlite3.connect(log)) as opened:
        u_mm = opened.execute("SELECT u_mm FROM measurement WHERE seq = 2").fetchone()[0]
    other = repr(u_mm * 1.0001)
    both = f"analysis = json_set(analysis, '$.u_mm', {other}), u_mm = {other}"
    change(log, f"UPDATE measurement SET {both} WHERE seq = 2")
    assert quick("log", "check").returncode == 0
    result = quick("log", "check", "--redo")
    assert result.returncode == 2
    assert "differs from what version 0.1.0 recorded in: u_mm\n" in result.stdout
    assert "trace redo" in result.stdout


def test_an_older_log_is_checked_and_stays(tmp_path: Path, quick: Shimwright) -> None:
    old = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-1.db", old)
    was = old.read_bytes()
    for words in (["check"], ["stats"], ["backup", "copy.sqlite"]):
        assert quick("log", *words).returncode == 0
    assert old.read_bytes() == was
    assert {path.name for path in tmp_path.iterdir()} <= {
        "log.sqlite",
        "log.sqlite-shm",
        "log.sqlite-wal",
        "copy.sqlite",
    }


@pytest.mark.parametrize(
    "words", [["check"], ["stats"], ["backup", "copy.sqlite"], ["check", "--redo", "--json"]]
)
def test_no_log_is_one_line(words: list[str], tmp_path: Path, quick: Shimwright) -> None:
    result = quick("log", *words)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.count("\n") == 1
    assert "no log" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_progress_is_drawn_for_a_person_and_taken_away(log: Path) -> None:
    master, slave = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-c", "from cli.main import run; run()", "log", "check", "--log", str(log)],
        env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm"},
        stdout=subprocess.PIPE,
        stderr=slave,
        check=False,
    )
    os.close(slave)
    drawn = os.read(master, 10_000).decode()
    os.close(master)
    assert done.returncode == 0
    assert "1 of 4 measurements checked (25 %)" in drawn
    assert drawn.endswith("\r\x1b[K")


@pytest.mark.usefixtures("log")
def test_a_copy_is_a_log_and_never_overwrites(tmp_path: Path, quick: Shimwright) -> None:
    result = quick("log", "backup", "monday.sqlite")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.startswith("4 measurements copied to monday.sqlite")
    copy = tmp_path / "monday.sqlite"
    with Store.open(copy) as store:
        assert len(store.unsent()) == 4
    was = copy.read_bytes()
    again = quick("log", "backup", "monday.sqlite")
    assert again.returncode == 2
    assert "monday.sqlite exists and stays as it is" in again.stderr
    assert copy.read_bytes() == was
    made = json.loads(quick("log", "backup", "tuesday.sqlite", "--json").stdout)
    assert (made["measurements"], made["size_bytes"], made["faults"]) == (
        4,
        (tmp_path / "tuesday.sqlite").stat().st_size,
        [],
    )
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_a_copy_while_another_program_writes(log: Path, tmp_path: Path, quick: Shimwright) -> None:
    with closing(sqlite3.connect(log, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO job (id, opened_at, version) VALUES ('x', 'y', 'z')")
        assert quick("log", "backup", "monday.sqlite").returncode == 0
        writer.execute("COMMIT")
    with closing(sqlite3.connect(tmp_path / "monday.sqlite")) as copy:
        assert copy.execute("SELECT count(*) FROM job").fetchone() == (0,)


def test_a_log_with_a_fault_is_copied_as_it_is(log: Path, tmp_path: Path, quick: Shimwright) -> None:
    change(log, "UPDATE trace SET data = CAST(data || 'x' AS BLOB) WHERE rowid = 1")
    result = quick("log", "backup", "monday.sqlite")
    assert result.returncode == 2
    assert "the copy has the same" in result.stderr
    assert (tmp_path / "monday.sqlite").exists()


@pytest.mark.usefixtures("log")
def test_a_full_disk_leaves_no_copy(tiny_disk: Path, quick: Shimwright) -> None:
    (tiny_disk / "filler").write_bytes(b"x" * 700_000)
    result = quick("log", "backup", tiny_disk / "copy.sqlite")
    assert result.returncode == 2
    assert result.stderr.count("\n") == 1
    assert f"{tiny_disk / 'copy.sqlite'} cannot be written (no space left)" in result.stderr
    assert [path.name for path in tiny_disk.iterdir()] == ["filler"]
    assert quick("log", "check").returncode == 0


def test_counts(log: Path, quick: Shimwright) -> None:
    found = json.loads(quick("log", "stats", "--json").stdout)
    assert found["measurements"] == found["simulated"] == found["unsent"] == 4
    assert found["by_corner"] == {"LR": 3, "RR": 1}
    assert found["by_stage"] == {"as-found": 4}
    assert found["by_state"] == {"measured": 2, "refused": 1, "unfinished": 1}
    assert found["by_verdict"] == {"loose": 2}
    assert found["refused_share"] == pytest.approx(1 / 3, rel=1e-15)
    assert found["reasons"] == [{"code": REFUSED, "measurements": 1}]
    assert (found["oldest"], found["newest"]) == ("2026-03-02T08:30:05.250Z", "2026-04-02T08:30:05.000Z")
    assert [(one["name"], one["place"], one["measurements"]) for one in found["gauges"]] == [
        (None, "simulated:", 3),
        ("A-7", "simulated:", 1),
    ]
    assert found["size_bytes"] >= log.stat().st_size
    assert 0 < found["trace_bytes"] < found["size_bytes"]
    text = quick("log", "stats").stdout
    for said in (
        "4 measurements, 4 of them SIMULATED",
        "refused     33.3 %",
        f"1 × {REFUSED}",
        "never checked",
    ):
        assert said in text
    assert all(len(line) <= 80 for line in text.splitlines() if str(log) not in line)


def test_the_last_check_of_a_gauge_is_the_one_that_counts(tmp_path: Path, quick: Shimwright) -> None:
    shutil.copy(GOLDEN / "version-2.db", tmp_path / "log.sqlite")
    found = json.loads(quick("log", "stats", "--json").stdout)
    gauges = {
        one["name"] or one["place"]: (one["checked_at"][:10], one["outcome"]) for one in found["gauges"]
    }
    assert gauges == {"SN 1234": ("2026-03-01", "fail"), "serial:/dev/ttyUSB0": ("2026-03-02", None)}
