"""The live line: redrawn where a person watches, a line a stroke elsewhere, never in the way."""

from __future__ import annotations

import io
import os
import pty
import threading
from decimal import Decimal

import pytest

from calc.units import Unit
from capture.readings import Gap, Garbled, Overrun, Reading, UnitChanged
from capture.session import Event, Progress, StrokeSeen
from cli.live import Live

STORY: list[Event] = [
    Reading(Decimal("0.123"), Unit.MM, 1.0),
    Garbled(b"\xff", "no number", 1.05),
    StrokeSeen(1.2, 1, True, "out", 0.3121),
    Progress(1.2, None, None, 1, 0, "1 of 5 full strokes"),
    StrokeSeen(2.2, 1, False, "in", 0.15),
    Progress(2.2, 0.3119, 0.0123, 4, 1, "4 of 5 full strokes"),
    Gap(1.5, 3.7),
    Reading(Decimal("-0.100"), Unit.MM, 3.9),
]


def told(live: Live) -> None:
    for event in STORY:
        live.see(event)
    live.close()


def on_a_terminal(unit: Unit, *, quiet: bool, columns: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("COLUMNS", columns)
    monkeypatch.setenv("TERM", "xterm")
    master, slave = pty.openpty()
    seen = bytearray()

    def read() -> None:
        while True:
            try:
                data = os.read(master, 4096)
            except OSError:  # the other end is closed
                return
            seen.extend(data)

    reader = threading.Thread(target=read)
    reader.start()
    with os.fdopen(slave, "w", encoding="utf-8") as stream:
        told(Live(unit, quiet=quiet, stream=stream))
    reader.join(5)
    os.close(master)
    return seen.decode()


def test_without_a_terminal_each_stroke_is_a_line() -> None:
    stream = io.StringIO()
    told(Live(Unit.MM, stream=stream))
    assert stream.getvalue().splitlines() == [
        "stroke 1 out: 0.312 mm",
        "half stroke 1 in: 0.150 mm",
        "no readings came for 1.5 s; measuring goes on",
    ]


def test_for_programs_nothing_is_said() -> None:
    stream = io.StringIO()
    told(Live(Unit.MM, quiet=True, stream=stream))
    assert stream.getvalue() == ""


@pytest.mark.parametrize("quiet", [False, True])
def test_on_a_terminal_one_line_is_redrawn(quiet: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    text = on_a_terminal(Unit.MM, quiet=quiet, columns="110", monkeypatch=monkeypatch)
    drawn = [line for line in text.split("\r\x1b[K") if line.strip()]
    assert drawn[0].startswith("+0.123 mm")
    last = drawn[-1]
    assert last.startswith("-0.100 mm  1 garbled  1 half  0.312 mm ± 0.012 mm (95 %)  4 of 5 full strokes")
    assert "stroke 1 out" not in text
    assert "no readings came for 1.5 s" in text
    assert text.endswith("\r\x1b[K")  # the line is taken away at the end


def test_the_bell_rings_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    Live(Unit.MM, stream=stream).ring()
    assert stream.getvalue() == ""
    monkeypatch.setattr(stream, "isatty", lambda: True)
    Live(Unit.MM, stream=stream).ring()
    assert stream.getvalue() == "\a"


def test_it_never_wraps(monkeypatch: pytest.MonkeyPatch) -> None:
    text = on_a_terminal(Unit.MM, quiet=False, columns="60", monkeypatch=monkeypatch)
    assert max(len(line) for line in text.split("\r\x1b[K")) < 62  # a note ends in CR and LF


def test_a_gauge_in_the_other_unit_is_shown_in_the_hubs(monkeypatch: pytest.MonkeyPatch) -> None:
    text = on_a_terminal(Unit.INCH, quiet=False, columns="110", monkeypatch=monkeypatch)
    assert "+0.0048 in" in text


def test_notes_for_what_is_rare() -> None:
    stream = io.StringIO()
    live = Live(Unit.MM, stream=stream)
    live.see(Overrun(12, 1.0))
    live.see(UnitChanged(Unit.MM, Unit.INCH, 2.0))
    assert "12 readings were dropped" in stream.getvalue()
    assert "switched from mm to in" in stream.getvalue()


def test_a_stream_that_has_gone_does_not_stop_the_measurement() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    stream = os.fdopen(writer, "w", buffering=1)
    live = Live(Unit.MM, stream=stream)
    told(live)
    assert live.readings == 2
    with pytest.raises(BrokenPipeError):
        stream.close()
