"""One measurement looked at: the same beginning as ever, then its trace, strokes, budget and reviews."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import struct
import subprocess
import termios
from dataclasses import replace
from pathlib import Path

import pytest

from calc.units import Unit
from capture.refusals import stopped
from capture.simulator import HubModel, simulate
from cli import chart
from cli.redoing import Settings, redo
from cli.report import recorded_lines
from cli.screen import Screen, screen_of
from cli.stroke_list import strokes_of
from cli.trace_show import budget_table
from tests.cli.conftest import PROGRAM, ROOT
from tests.cli.looking_back import keep, recorded, run, said, simulated

ONE = simulated(0.31, 2)
SLIPPED = recorded(simulate(HubModel(strokes=12, slip_mm=0.1, half_share=0.25), 4).trace)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    keep(path, ONE, SLIPPED)
    return path


def test_it_begins_as_it_was_seen_at_the_hub(log: Path) -> None:
    assert log.exists()
    beginning = " ".join(" ".join(recorded_lines(ONE, Screen(80))).split())
    assert said(run("show", ONE.id)).startswith(beginning)


def test_every_stroke_has_its_number_and_every_mark_a_meaning(log: Path) -> None:
    assert log.exists()
    text = run("show", SLIPPED.id).stdout
    strokes = strokes_of(redo(SLIPPED).outcome)
    for one in strokes:
        assert re.search(rf"^ *{one.number} .*{chart_kind(one.kind)}$", text, re.MULTILINE)
    for mark in (chart.PULL, chart.PUSH, chart.HALF, "│ the base slipped"):
        assert mark in text
    assert "slip" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def chart_kind(kind: str) -> str:
    return {
        "rest": "before the first",
        "full": "full stroke",
        "half": "half, left out",
        "aside": "set aside",
    }[kind]


def test_the_chart_marks_what_was_struck_out() -> None:
    again = redo(ONE, Settings(without=(3,)))
    lines = chart.trace_lines(ONE.trace, again.outcome, strokes_of(again.outcome), Unit.MM, Screen(90))
    drawn = "\n".join(lines)
    assert chart.STRUCK in drawn
    assert "× struck out" in lines[-1]
    assert max(map(len, lines)) <= 90
    assert "\x1b" not in drawn  # no colours: meaning is in the shapes
    rows = [line for line in lines if "┤" in line or "│" in line]
    assert sum(line.count(chart.PULL) for line in rows) == 4
    assert sum(line.count(chart.PUSH) for line in rows) == 6


def test_an_inch_gauge_is_drawn_in_inches() -> None:
    lines = chart.trace_lines(
        ONE.trace, redo(ONE).outcome, strokes_of(redo(ONE).outcome), Unit.INCH, Screen(80)
    )
    assert lines[0].strip() == "reading, in"
    assert any(re.match(r"0\.0[4-6]\d*┤", line) for line in lines)  # 1.2 mm to 1.51 mm


def test_the_budget_is_whole_and_adds_up(log: Path) -> None:
    assert log.exists()
    found = budget_table(ONE.analysis, Unit.MM)
    assert len(found) == 3 + len(ONE.analysis["budget"])
    for row in ONE.analysis["budget"]:
        assert any(row["source"] in line for line in found)
    text = said(run("show", ONE.id))
    assert "Together" in text
    assert f"times {ONE.analysis['coverage_factor']:.2f}:" in text
    assert budget_table({"budget": []}, Unit.MM) == []
    rows = [{"source": "drift not steady", "kind": "B", "u_mm": 2.8e-17, "dof": None}]
    tiny = budget_table(ONE.analysis | {"budget": rows, "dof": 9.2e12}, Unit.MM)
    assert tiny[2].endswith("under a nanometre")
    assert "over 1000 degrees of freedom" in tiny[3]


def test_where_nothing_can_be_drawn_the_words_say_it(log: Path) -> None:
    assert log.exists()
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    assert not chart.has_room(stream, screen_of(stream))
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    shown = subprocess.run(
        [*PROGRAM, "trace", "show", ONE.id], env=environment, capture_output=True, text=True, check=True
    ).stdout
    assert shown.isascii()
    assert "drawn only on a terminal of at least 60 x 24" in shown
    assert "full stroke" in shown


@pytest.mark.parametrize(("rows", "columns", "drawn"), [(24, 80, True), (12, 80, False), (40, 50, False)])
def test_a_small_terminal_has_no_room(rows: int, columns: int, drawn: bool) -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    with os.fdopen(slave, "w", encoding="utf-8") as terminal:
        assert chart.has_room(terminal, Screen(80, tty=True)) == drawn
    os.close(master)


def test_a_trace_of_another_version_is_said_to_be_seen_by_this_one(log: Path) -> None:
    other = replace(ONE, id="00000000-0000-4000-8000-000000000001", version="0.0.9")
    other = replace(other, analysis=ONE.analysis | {"strokes": 3})
    keep(log, other)
    assert "as this version sees it; version 0.0.9 measured" in said(run("show", other.id))
    assert "as this version sees it" not in said(run("show", ONE.id))


def test_a_refused_one_and_one_without_readings(log: Path) -> None:
    refused = recorded(simulate(HubModel(strokes=3), 1).trace)
    why = [{"code": str(stopped("").code), "text": "the link was lost"}]
    nothing: dict[str, object] = {"usable": False, "reasons": why, "budget": []}
    empty = replace(
        ONE,
        id="00000000-0000-4000-8000-000000000002",
        state="unfinished",
        verdict=None,
        p_within=None,
        analysis=ONE.analysis | nothing,
        trace=ONE.trace.cut(0, 0),
    )
    keep(log, refused, empty)
    text = said(run("show", refused.id))
    assert "It gives no end play; these only looked like strokes:" in text
    assert "Uncertainty budget" not in text
    result = run("show", empty.id)
    assert result.exit_code == 0
    assert "The trace" not in result.stdout
