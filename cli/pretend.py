"""A pretended indicator on a real line: a trace is sent, in real time, through a pseudo-terminal.

Where the system has no pseudo-terminals, a socket on the loopback address takes its place; the reader's code
is the same for both.
"""

from __future__ import annotations

import contextlib
import os
import queue
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capture.readings import Trace

BAUD = 9600
"""What the link's URL says; a pseudo-terminal takes any."""

REST_S = 0.02
"""Time between two readings of a script at rest, seconds."""

ACCEPT_S = 30.0
"""How long the socket waits for its reader, seconds."""


@contextmanager
def pretended_indicator(trace: Trace | Script) -> Iterator[str]:
    """Send ``trace`` as the lines of an indicator, each at its time.

    Args:
        trace: What to send; its times count from when the line is there. A script goes on for ever.

    Yields:
        The URL of the line, to be opened like any other link.
    """
    stop = threading.Event()
    lines = trace if isinstance(trace, Script) else _Lines(trace)
    with _pty_line(lines, stop) if hasattr(os, "openpty") else _socket_line(lines, stop) as (url, send):
        sender = threading.Thread(target=send, name="pretended indicator", daemon=True)
        sender.start()
        try:
            yield url
        finally:
            stop.set()
            sender.join(timeout=2.0)


class Script:
    """Readings of a hub that is at rest, until something is done to it: traces are played as they are given.

    A trace goes on from where the indicator stands, as if it had been put on again there.

    Args:
        first: What is played first.
    """

    def __init__(self, first: Trace) -> None:
        self._waiting: queue.SimpleQueue[Trace] = queue.SimpleQueue()
        self._first = first
        self._waiting.put(first)

    def play(self, trace: Trace) -> None:
        """Play this next, once what plays now is over."""
        self._waiting.put(trace)

    def __iter__(self) -> Iterator[tuple[float, str]]:
        at, count = 0.0, int(self._first.counts[0])
        while True:
            try:
                trace = self._waiting.get_nowait()
            except queue.Empty:
                at += REST_S
                yield at, _text(count, self._first.decimals)
                continue
            begin = at + REST_S - float(trace.times_s[0])
            shift = count - int(trace.counts[0])
            for time_s, value in zip(trace.times_s.tolist(), trace.counts.tolist(), strict=True):
                at, count = begin + time_s, value + shift
                yield at, _text(count, trace.decimals)


class _Lines:
    """The lines of one trace, from its first reading on."""

    def __init__(self, trace: Trace) -> None:
        self._trace = trace

    def __iter__(self) -> Iterator[tuple[float, str]]:
        first = float(self._trace.times_s[0]) if len(self._trace) else 0.0
        for time_s, text in zip(self._trace.times_s.tolist(), self._trace.texts(), strict=True):
            yield time_s - first, text


def _text(count: int, decimals: int) -> str:
    return f"{Decimal(count).scaleb(-decimals):f}"


@contextmanager
def _pty_line(trace: _Lines | Script, stop: threading.Event) -> Iterator[tuple[str, Callable[[], None]]]:
    import tty  # noqa: PLC0415  # not on every system

    indicator, line = os.openpty()
    try:
        tty.setraw(line)  # bytes go through as they are
        os.set_blocking(indicator, False)  # a reader that has stopped reading must not hold the sender

        def write(data: bytes) -> None:
            with contextlib.suppress(BlockingIOError):
                os.write(indicator, data)

        yield f"serial:{os.ttyname(line)}?baud={BAUD}", lambda: _send(trace, write, stop)
    finally:
        os.close(line)
        os.close(indicator)


@contextmanager
def _socket_line(trace: _Lines | Script, stop: threading.Event) -> Iterator[tuple[str, Callable[[], None]]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(ACCEPT_S)

        def send() -> None:
            try:
                reader, _ = server.accept()
            except OSError:
                return
            with reader, contextlib.suppress(OSError):
                _send(trace, reader.sendall, stop)

        yield f"socket://127.0.0.1:{server.getsockname()[1]}", send


def _send(lines: _Lines | Script, write: Callable[[bytes], None], stop: threading.Event) -> None:
    start = time.monotonic()
    for at, text in lines:
        if stop.wait(max(0.0, start + at - time.monotonic())):
            return
        write(f"{text if text.startswith('-') else '+' + text}\r\n".encode("ascii"))
