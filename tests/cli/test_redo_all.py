"""A whole log analysed again: what changed is found, nothing is written, and Ctrl-C ends it."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.refusals import stopped
from cli.redo_all import BATCH, change_of, examine
from joblog.records import Measurement, new_id
from tests.cli.conftest import PROGRAM, ROOT, Shimwright
from tests.cli.looking_back import keep, run, said, simulated

ONE = simulated(0.31, 3)


def another(**changes: Any) -> Measurement:
    return replace(ONE, id=new_id(), **changes)


def analysis(**changes: Any) -> dict[str, Any]:
    return ONE.analysis | changes


WHY = [{"code": "strokes-disagree", "text": "the strokes disagree"}]
NOTHING: dict[str, Any] = {"usable": False, "reasons": WHY, "end_play_mm": None, "expanded_mm": None}


def refused(**changes: Any) -> Measurement:
    return another(state="refused", verdict=None, p_within=None, analysis=analysis(**NOTHING), **changes)


STILL = replace(ONE.trace, counts=ONE.trace.counts * 0)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    return path


def changed() -> dict[str, Measurement]:
    """One of each kind, by the change that this version would make of it."""
    off = [{"code": str(stopped("").code), "text": "the link was lost"}]
    return {
        "same": another(),
        "numbers": another(analysis=analysis(end_play_mm=0.25, expanded_mm=0.01), verdict="within"),
        "refused": another(trace=STILL),
        "usable": refused(),
        "reasons": refused(trace=STILL),
        "broken-off": another(
            state="unfinished", analysis=analysis(**NOTHING | {"reasons": off}), verdict=None
        ),
        "empty": another(state="unfinished", trace=ONE.trace.cut(0, 0)),
    }


@pytest.mark.parametrize(("kind", "one"), changed().items())
def test_what_became_of_one(kind: str, one: Measurement) -> None:
    found = change_of(one)
    assert (found if isinstance(found, str) else found["change"]) == kind


def test_how_much_a_number_changed() -> None:
    found = change_of(changed()["numbers"])
    assert isinstance(found, dict)
    assert found["recorded"] == {"end_play_mm": 0.25, "expanded_mm": 0.01, "verdict": "within"}
    assert found["redone"] == {key: ONE.analysis[key] for key in ("end_play_mm", "expanded_mm")} | {
        "verdict": "loose"
    }
    assert found["differing"] == ["end_play_mm", "expanded_mm"]


def test_the_last_digit_counts(log: Path) -> None:
    keep(log, another(analysis=analysis(u_mm=ONE.analysis["u_mm"] * (1 + 3e-16))))
    last = json.loads(run("redo", "--all", "--json").stdout.splitlines()[-1])
    assert (last["same"], last["numbers"], last["largest_change_mm"]) == (0, 1, 0.0)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_log_with_one_of_each(jobs: str, log: Path) -> None:
    made = changed()
    keep(log, *made.values(), *(another() for _ in range(2 * BATCH)))
    broken = another()
    keep(log, broken)
    with closing(sqlite3.connect(log)) as spoil, spoil:
        spoil.execute("DROP TRIGGER trace_no_update")
        spoil.execute("UPDATE trace SET data = X'0102' WHERE measurement_id = ?", (broken.id,))
    before = log.read_bytes()
    result = run("redo", "--all", "--json", "--jobs", jobs)
    assert result.exit_code == 2  # one cannot be read
    *changes, summary = map(json.loads, result.stdout.splitlines())
    assert {one["measurement_id"]: one["change"] for one in changes} == {
        broken.id: "unreadable",
        **{made[kind].id: kind for kind in ("numbers", "refused", "usable", "reasons")},
    }
    counted = {key: summary[key] for key in ("same", "numbers", "reasons", "refused", "usable", "unreadable")}
    assert counted == {
        "same": 1 + 2 * BATCH,
        "numbers": 1,
        "reasons": 1,
        "refused": 1,
        "usable": 1,
        "unreadable": 1,
    }
    assert (summary["broken_off"], summary["empty"], summary["other_verdicts"]) == (1, 1, 1)
    assert summary["measurements"] == 8 + 2 * BATCH
    assert summary["largest_change_id"] == made["numbers"].id
    assert summary["largest_change_mm"] == pytest.approx(ONE.analysis["end_play_mm"] - 0.25)
    assert log.read_bytes() == before


def test_in_words(log: Path) -> None:
    made = changed()
    keep(log, *made.values())
    result = run("redo", "--all", "--jobs", "1")
    assert result.exit_code == 0
    text = said(result)
    assert "7 measurements analysed again by version" in text
    assert "1 the same, to the last digit 1 other numbers 1 refused as before, for other reasons" in text
    assert "The largest change of an end play is 0.060" in text
    assert "Verdicts that change with it: 1." in text
    named = next(
        line for line in result.stdout.splitlines() if made["numbers"].id[:8] in line and "LR" in line
    )
    assert "other numbers: 0.2500 mm within -> 0.3" in named
    assert "changes nothing" not in text


def test_nothing_changes_and_filters_choose(log: Path) -> None:
    keep(log, another(corner="LF"), another(corner="LF"), changed()["numbers"])
    text = said(run("redo", "--all", "--corner", "lf"))
    assert "2 measurements analysed again" in text
    assert "This version changes nothing that was recorded." in text
    assert run("redo", "--all", "--vehicle", "none such").stdout == "No measurements.\n"


def test_one_process_looks_at_its_share_alone(log: Path) -> None:
    keep(log, *(made := [another(), another()]))
    assert examine(log, [made[1].id]) == ({"same": 1}, [], 1)


@contextmanager
def started(log: Path, *words: str, stderr: int) -> Iterator[subprocess.Popen[str]]:
    """The program, in a group of its own as in a terminal, so that Ctrl-C reaches all its processes."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "SHIMWRIGHT_LOG": str(log), "TERM": "xterm"}
    command = [*PROGRAM, "trace", "redo", "--all", *words]
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=stderr, text=True, start_new_session=True
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_ends_it_with_one_line(jobs: str, log: Path) -> None:
    keep(log, changed()["numbers"], *(another() for _ in range(1500)))
    with started(log, "--json", "--jobs", jobs, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("{")  # the first is done, the others wait
        begun = time.monotonic()
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=20)
        assert time.monotonic() - begun < 10
    assert process.returncode == 130
    assert re.fullmatch(r"shimwright: stopped with Ctrl-C after \d+ of 1501 measurements\n", err)
    assert "measurements" not in out  # no summary of what was not done


def test_the_bar_is_for_a_person_and_goes_to_standard_error(log: Path, shimwright: Shimwright) -> None:
    keep(log, *(another() for _ in range(3 * BATCH)))
    assert shimwright("trace", "redo", "--all", "--jobs", "1").stderr == ""  # nobody watches
    terminal, end = pty.openpty()
    with started(log, "--jobs", "1", stderr=end) as process:
        assert process.stdout is not None
        text = process.stdout.read()
        process.wait(timeout=30)
    os.close(end)
    drawn = b""
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:
            break
        if not piece:
            break
        drawn += piece
    os.close(terminal)
    assert "48 of 48 measurements analysed again (100 %)" in drawn.decode()
    assert "analysed again" in drawn.decode()
    assert f"{3 * BATCH}  the same" in text
    assert sys.stdout is not None
