"""The pretended indicator is a real line: pyserial reads it, at the trace's pace."""

from __future__ import annotations

import os
import time

import numpy as np
import pytest
import serial

from calc.units import Unit
from capture.readings import Trace
from cli import pretend

TRACE = Trace(5.0 + 0.02 * np.arange(20, dtype=np.float64), np.arange(20, dtype=np.int64) - 3, 3, Unit.MM)
LINES = [f"{c / 1000:+.3f}".encode() for c in range(-3, 17)]


def read_all(url: str) -> tuple[list[bytes], float]:
    """Read to the last line; opening a port drops what had come before."""
    address = url.removeprefix("serial:").split("?")[0]
    begin = time.monotonic()
    lines: list[bytes] = []
    with serial.serial_for_url(address, timeout=2) as port:
        while not lines or lines[-1] not in {LINES[-1], b""}:
            lines.append(port.readline().rstrip(b"\r\n"))
    return lines, time.monotonic() - begin


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_pseudo_terminal_gives_the_lines_in_real_time() -> None:
    with pretend.pretended_indicator(TRACE) as url:
        assert url.startswith("serial:/dev/")
        lines, seconds = read_all(url)
    assert len(lines) > 10
    assert lines == LINES[-len(lines) :]
    assert 0.2 < seconds < 2.0  # 19 pauses of 20 ms, less those before the port was open


def test_a_socket_takes_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty", raising=False)
    with pretend.pretended_indicator(TRACE) as url:
        assert url.startswith("socket://127.0.0.1:")
        lines, _ = read_all(url)
    assert len(lines) > 10
    assert lines == LINES[-len(lines) :]


@pytest.mark.parametrize("pseudo_terminal", [True, False])
def test_it_stops_at_once_when_nobody_wants_more(
    pseudo_terminal: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not pseudo_terminal:
        monkeypatch.delattr(os, "openpty", raising=False)
    slow = Trace(np.array([0.0, 0.3, *range(60, 78)]), TRACE.counts, 3, Unit.MM)
    begin = time.monotonic()
    with pretend.pretended_indicator(slow) as url:
        address = url.removeprefix("serial:").split("?")[0]
        with serial.serial_for_url(address, timeout=2) as port:
            assert port.readline() in {b"-0.003\r\n", b"-0.002\r\n"}
    assert time.monotonic() - begin < 1.5
