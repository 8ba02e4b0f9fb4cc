"""A pretended indicator on a real line: a trace is sent, in real time, through a pseudo-terminal.

Where the system has no pseudo-terminals, a socket on the loopback address takes its place; the reader's code
is the same for both.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capture.readings import Trace

BAUD = 9600
"""What the link's URL says; a pseudo-terminal takes any."""

ACCEPT_S = 30.0
"""How long the socket waits for its reader, seconds."""


@contextmanager
def pretended_indicator(trace: Trace) -> Iterator[str]:
    """Send ``trace`` as the lines of an indicator, each at its time.

    Args:
        trace: What to send; its times count from when the line is there.

    Yields:
        The URL of the line, to be opened like any other link.
    """
    stop = threading.Event()
    with _pty_line(trace, stop) if hasattr(os, "openpty") else _socket_line(trace, stop) as (url, send):
        sender = threading.Thread(target=send, name="pretended indicator", daemon=True)
        sender.start()
        try:
            yield url
        finally:
            stop.set()
            sender.join(timeout=2.0)


@contextmanager
def _pty_line(trace: Trace, stop: threading.Event) -> Iterator[tuple[str, Callable[[], None]]]:
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
def _socket_line(trace: Trace, stop: threading.Event) -> Iterator[tuple[str, Callable[[], None]]]:
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


def _send(trace: Trace, write: Callable[[bytes], None], stop: threading.Event) -> None:
    start = time.monotonic() - (float(trace.times_s[0]) if len(trace) else 0.0)
    for at, text in zip(trace.times_s.tolist(), trace.texts(), strict=True):
        if stop.wait(max(0.0, start + at - time.monotonic())):
            return
        write(f"{text if text.startswith('-') else '+' + text}\r\n".encode("ascii"))
