"""Tells the service manager that the service is ready, how it is, and that it lives (``sd_notify``).

Source: sd_notify(3) and systemd.service(5): datagrams of ``NAME=value`` lines to the socket in
``NOTIFY_SOCKET``; ``WATCHDOG_USEC`` says how often a sign of life is wanted, and ``WATCHDOG_PID`` of which
process.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping


class Notifier:
    """Sends to the service manager, where there is one; otherwise it does nothing.

    Attributes:
        watchdog_s: A sign of life is wanted at least this often, seconds; None if none is.

    Args:
        environment: Where the manager's words are looked up; the process's own if not given.
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        said = os.environ if environment is None else environment
        self._address = _address(said.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(said) if self._address else None
        self._status = ""

    def ready(self) -> None:
        """The service has begun, or has taken in its changed settings."""
        self._send("READY=1")

    def reloading(self) -> None:
        """The service takes in its changed settings; ``ready`` ends that."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")

    def stopping(self) -> None:
        """The service is about to end."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """The service works."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """How it is, in one line for a person; the same twice is sent once."""
        if text != self._status:
            self._status = text
            self._send("STATUS=" + " ".join(text.split()))

    def _send(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
                line.setblocking(False)
                line.sendto(text.encode(), self._address)
        except OSError:
            return  # a manager that does not listen is no reason to stop measuring


def _address(text: str) -> str:
    """The socket's address; one that begins with an at sign is in the abstract name space."""
    if text.startswith("@"):
        return "\0" + text[1:]
    return text if text.startswith("/") else ""


def _watchdog_s(said: Mapping[str, str]) -> float | None:
    wanted, whose = said.get("WATCHDOG_USEC", ""), said.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or not int(wanted) or (whose and whose != str(os.getpid())):
        return None
    return int(wanted) / 1e6
