"""The program as a process of its own, a hub file, and an indicator at the other end of a pseudo-terminal."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.readings import Trace
from capture.simulator import HubModel, simulate
from cli.whole import app
from tests.cli.loaded import PROGRAM, Forked, Loaded
from tests.unplugged import let_rest

__all__ = ["HERON_REAR", "PROGRAM", "ROOT", "Indicator", "Running", "Shimwright", "Start"]

ROOT = Path(__file__).parents[2]

HERON_REAR = """\
title = "Heron GT rear hub, pressed spindle"
unit = "mm"

[end_play]
least = 0.03
most = 0.20

[shim]
effect = "opens"
sizes = { from = 2.40, to = 3.75, step = 0.05 }
trial = 3.75
aim = "tightest"

[nut]
torque = "135 N·m"
slots = 6
pin_holes = 2
line_up = "tighten"
"""


class Indicator:
    """Sends bytes through a pseudo-terminal, as a gauge does; ``unplug`` closes its end."""

    def __init__(self) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.url = f"serial:{self.path}"
        self._stop = threading.Event()
        self._sender: threading.Thread | None = None

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def play(
        self, trace: Trace, *, suffix: str = "", seconds: float | None = None, speed: float = 1.0
    ) -> None:
        """Send a trace in real time, or faster, from a thread; only its first ``seconds`` if given."""
        times = (trace.times_s - trace.times_s[0]).tolist()
        lines = [f"{text}{suffix}\r\n".encode() for text in trace.texts()]

        def send_all() -> None:
            begin = time.monotonic()
            for at, line in zip(times, lines, strict=True):
                if seconds is not None and at > seconds:
                    return
                if self._stop.wait(max(0.0, begin + at / speed - time.monotonic())):
                    return
                try:
                    os.write(self._master, line)
                except OSError:
                    return

        self._sender = threading.Thread(target=send_all, daemon=True)
        self._sender.start()

    def repeat(self, data: bytes, *, every_s: float = 0.02) -> None:
        """Send the same bytes again and again from a thread."""

        def send_on() -> None:
            while not self._stop.wait(every_s):
                try:
                    os.write(self._master, data)
                except OSError:
                    return

        self._sender = threading.Thread(target=send_on, daemon=True)
        self._sender.start()

    def unplug(self) -> None:
        self._stop.set()
        if self._sender is not None:
            self._sender.join(2)
        if self._master >= 0:
            os.close(self._master)
            let_rest(self._slave)
        self._master = self._slave = -1


@pytest.fixture
def indicator() -> Iterator[Indicator]:
    gauge = Indicator()
    yield gauge
    gauge.unplug()


@pytest.fixture
def hub_file(tmp_path: Path) -> Path:
    path = tmp_path / "heron-rear.toml"
    path.write_text(HERON_REAR, encoding="utf-8")
    return path


class Running:
    """The program while it runs."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def interrupt(self, number: int = signal.SIGINT) -> None:
        self.process.send_signal(number)

    def end(self, timeout: float = 30) -> subprocess.CompletedProcess[str]:
        out, err = self.process.communicate(timeout=timeout)
        return subprocess.CompletedProcess(self.process.args, self.process.returncode, out, err)


Start = Callable[..., Running]


@pytest.fixture(scope="session")
def loaded() -> Iterator[Loaded | None]:
    """A process that has the program loaded; None where the system has no such sockets."""
    if sys.platform != "linux":
        yield None
        return
    process = Loaded()
    yield process
    process.close()


@pytest.fixture
def start(tmp_path: Path, loaded: Loaded | None) -> Iterator[Start]:
    """Start the program with these words; its log is ``log.sqlite`` in the test's folder unless told.

    ``afresh`` starts Python too, as a person does: for one test of each command that runs on, and wherever
    the start is what is looked at. Otherwise it is forked from a process that has the program loaded.
    ``code`` runs in place of the program.
    """
    started: list[subprocess.Popen[str]] = []

    def begin(
        *words: str | Path, env: dict[str, str] | None = None, afresh: bool = False, code: str = PROGRAM[-1]
    ) -> Running:
        ours = {"NO_COLOR", "COLUMNS", "SHIMWRIGHT_LOG"}
        variables = {name: value for name, value in os.environ.items() if name not in ours}
        variables |= {
            "PYTHONPATH": str(ROOT),
            "PYTHONUTF8": "1",
            "SHIMWRIGHT_LOG": str(tmp_path / "log.sqlite"),
            **(env or {}),
        }
        options: dict[str, Any] = {
            "cwd": tmp_path,
            "env": variables,
            "stdin": subprocess.DEVNULL,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            "text": True,
            "encoding": "utf-8",
        }
        command = [*PROGRAM[:-1], code, *map(str, words)]
        process: subprocess.Popen[str]
        if afresh or loaded is None or any(name.startswith("PYTHON") for name in env or {}):
            process = subprocess.Popen(command, **options)
        else:
            process = Forked(loaded, command, **options)
        started.append(process)
        return Running(process)

    yield begin
    for process in started:
        if process.poll() is None:
            process.kill()
            process.communicate()


Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def shimwright(start: Start) -> Shimwright:
    """Run the program to its end with these words."""

    def run(
        *words: str | Path, env: dict[str, str] | None = None, afresh: bool = False, timeout: float = 30
    ) -> subprocess.CompletedProcess[str]:
        return start(*words, env=env, afresh=afresh).end(timeout)

    return run


@pytest.fixture
def quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shimwright:
    """The same without a process of its own, where none is needed: it saves the start."""
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.chdir(tmp_path)

    def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
        result = CliRunner().invoke(app, list(map(str, words)))
        return subprocess.CompletedProcess(words, result.exit_code, result.stdout, result.stderr)

    return run


@pytest.fixture
def loose_trace() -> Trace:
    """A loose hub, 0.312 mm, simulated."""
    return simulate(HubModel(end_play_mm=0.312, strokes=30), 4).trace
