"""Settings that every test shares, and the checks that run around each one."""

from __future__ import annotations

import asyncio
import asyncio.runners
import functools
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Generator, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import typer.testing
from blockbuster import BlockBuster, blockbuster_ctx
from hypothesis import settings
from typer.main import get_command

from capture.readings import Trace

REQUIRE_ALL = os.environ.get("SHIMWRIGHT_REQUIRE_ALL", "") not in {"", "0"}
"""Set where nothing may be left out: a skipped test is then a failed one."""

# Commands that tests start run as they do for a person: with output that is buffered when nobody watches it.
os.environ.pop("PYTHONUNBUFFERED", None)

# Hundreds of tests run the whole program in their own process. Its commands and options are worked out for
# the first of them alone: that takes a tenth of a second, and the outcome holds nothing of a run.
typer.testing._get_command = functools.cache(get_command)  # type: ignore[attr-defined]

# On shared cores a single example is slow now and then; a test's own time limit guards the rest.
settings.register_profile("shimwright", deadline=None, print_blob=True)
settings.load_profile("shimwright")


class NoSkips:
    """Turns a skip into a failure. Registered as a plugin, it sees the doctests outside this folder too."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        report = yield
        if report.skipped and not hasattr(report, "wasxfail"):
            refuse(report)
        return report

    @pytest.hookimpl(wrapper=True)
    def pytest_make_collect_report(self) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
        report = yield
        if report.skipped:
            refuse(report)
        return report


def refuse(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Make a skipped report a failed one that says why."""
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    report.outcome = "failed"
    report.longrepr = f"{report.nodeid} was left out, and SHIMWRIGHT_REQUIRE_ALL forbids it: {reason}"


def pytest_configure(config: pytest.Config) -> None:
    if REQUIRE_ALL:
        config.pluginmanager.register(NoSkips(), "no-skips")


@pytest.fixture(scope="session", autouse=True)
def loop_watch() -> Iterator[BlockBuster]:
    """A call that would hold up the event loop is an error; the watch is set once, for it takes a while."""
    with blockbuster_ctx() as watch:
        yield watch


@pytest.fixture(autouse=True)
def _no_task_left_behind(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A task that is still running when its loop ends is an error: whoever started it must end it."""
    left: list[str] = []
    cancel_all = asyncio.runners._cancel_all_tasks  # type: ignore[attr-defined]

    def look_then_cancel(loop: asyncio.AbstractEventLoop) -> None:
        left.extend(str(task) for task in asyncio.all_tasks(loop))
        cancel_all(loop)

    monkeypatch.setattr(asyncio.runners, "_cancel_all_tasks", look_then_cancel)
    yield
    assert not left, f"still running at the end of its event loop: {left}"


class Bluetooth:
    """A private D-Bus with a Bluetooth daemon of the tests on it (``fake_bluez.py``).

    Attributes:
        daemon: The daemon's process; None while it does not run.
    """

    def __init__(self, folder: Path, bus: subprocess.Popen[str]) -> None:
        self.daemon: subprocess.Popen[str] | None = None
        self._folder = folder
        self._bus = bus

    def start(self, *devices: dict[str, Any], adapters: dict[str, Any] | None = None) -> None:
        """Start the daemon in a world of these devices; one powered adapter unless told."""
        world = self._folder / "world.json"
        there = {"hci0": {}} if adapters is None else adapters
        world.write_text(json.dumps({"adapters": there, "devices": devices}), encoding="utf-8")
        script = Path(__file__).with_name("fake_bluez.py")
        self.daemon = subprocess.Popen(
            [sys.executable, str(script), str(world)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.until("ready")

    def until(self, word: str) -> None:
        """Wait until the daemon says ``ready`` or ``notifies``."""
        assert self.daemon
        assert self.daemon.stdout
        assert self.daemon.stdout.readline() == f"{word}\n"

    def tell(self, line: str) -> None:
        """Have the daemon do something; see ``fake_bluez.py``."""
        assert self.daemon
        assert self.daemon.stdin
        self.daemon.stdin.write(line + "\n")
        self.daemon.stdin.flush()

    def writes(self, address: str = "AA:BB:CC:DD:EE:01") -> tuple[list[list[str]], int]:
        """What was written to a device ([UUID, command or request, hex]), and how many at once at most."""
        self.tell(f"writes {address}")
        assert self.daemon
        assert self.daemon.stdout
        while True:
            word, _, said = self.daemon.stdout.readline().partition(" ")
            assert word
            if word == "writes":
                written, at_once = json.loads(said)
                return written, at_once

    def freeze(self) -> None:
        """The daemon no longer does anything, and does not die either."""
        assert self.daemon
        self.daemon.send_signal(signal.SIGSTOP)

    def die(self) -> None:
        """The daemon dies; the bus lives."""
        if self.daemon is not None:
            self.daemon.kill()
            self.daemon.communicate()
            self.daemon = None

    def end_bus(self) -> None:
        """The bus itself ends."""
        self._bus.terminate()
        self._bus.wait()
        assert self._bus.stdout
        self._bus.stdout.close()

    @staticmethod
    def device(
        *characteristics: dict[str, Any], address: str = "AA:BB:CC:DD:EE:01", **more: Any
    ) -> dict[str, Any]:
        """A device whose own service has these characteristics, with a battery and who it is."""
        own = {"uuid": "6e400001-b5a3-f393-e0a9-e50e24dcca9e", "characteristics": characteristics}

        def said(uuid: str, value: bytes, *flags: str) -> dict[str, Any]:
            return {"uuid": uuid, "flags": ["read", *flags], "value": value.hex()}

        battery = {"uuid": "180f", "characteristics": [said("2a19", bytes([87]), "notify")]}
        texts = {"2a29": "Larkfield", "2a24": "DI-12", "2a25": "0042", "2a26": "1.3"}
        who = {"uuid": "180a", "characteristics": [said(u, t.encode()) for u, t in texts.items()]}
        usual = {"address": address, "name": "DI-12", "uuids": [own["uuid"]], "services": [own, battery, who]}
        return usual | more

    @staticmethod
    def described(trace: Trace, seconds: float | None = None, **more: Any) -> dict[str, Any]:
        """A characteristic that says itself that it is s32 in micrometres, and sends a trace in real time."""
        values = [int(Decimal(text).scaleb(3)) for text in trace.texts()]
        frames = [value.to_bytes(4, "little", signed=True).hex() for value in values]
        return {
            "uuid": "6e400003-b5a3-f393-e0a9-e50e24dcca9e",
            "flags": ["read", "notify"],
            "descriptors": {"2902": "0000", "2904": "10FA0127010000"},
            "stream": _paced(trace, frames, seconds),
        } | more

    @staticmethod
    def serial_like(trace: Trace, piece: int = 20, **more: Any) -> dict[str, Any]:
        """A characteristic that sends a trace as lines of text, cut into packets of ``piece`` bytes."""
        text = "".join(f"{one} mm\r\n" for one in trace.texts()).encode()
        pieces = [text[i : i + piece].hex() for i in range(0, len(text), piece)]
        seconds = (trace.times_s[-1] - trace.times_s[0]) / len(pieces)
        stream = [[i * seconds, one] for i, one in enumerate(pieces)]
        return {"uuid": "ffe1", "flags": ["notify"], "stream": stream} | more

    @staticmethod
    def asked(
        trace: Trace, *flags: str, request: bytes = b"R\r", **more: Any
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """A characteristic that takes a request and one that answers it with the line of that moment."""
        lines = [f"{one} mm\r\n".encode().hex() for one in trace.texts()]
        answers = {"request": request.hex(), "from": "ffe1", "values": _paced(trace, lines, None)}
        takes = {"uuid": "ffe2", "flags": list(flags) or ["write-without-response"], "answers": answers}
        return takes | more, {"uuid": "ffe1", "flags": ["notify"]}


def _paced(trace: Trace, frames: list[str], seconds: float | None) -> list[list[Any]]:
    times = (trace.times_s - trace.times_s[0]).tolist()
    paced = zip(times, frames, strict=True)
    return [[at, frame] for at, frame in paced if seconds is None or at <= seconds]


BUS_POLICY = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:dir={folder}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/><allow own="*"/><allow send_type="method_call"/><allow send_type="signal"/>
    <allow send_requested_reply="true" send_type="method_return"/>
    <allow send_requested_reply="true" send_type="error"/>
    <allow receive_type="method_call"/><allow receive_type="method_return"/>
    <allow receive_type="error"/><allow receive_type="signal"/>{more}
  </policy>
</busconfig>
"""
"""Like that of a system bus; what is denied besides comes at the end."""


@pytest.fixture
def bluetooth(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> Iterator[Bluetooth]:
    """A private D-Bus in place of the system's; its parameter is one more rule of its policy."""
    program = shutil.which("dbus-daemon")
    if program is None or sys.platform != "linux":
        pytest.skip("needs dbus-daemon on Linux: as root, apt-get install dbus")
    folder = tmp_path_factory.mktemp("bus")
    policy = folder / "bus.conf"
    policy.write_text(BUS_POLICY.format(folder=folder, more=getattr(request, "param", "")), encoding="utf-8")
    bus = subprocess.Popen(
        [program, f"--config-file={policy}", "--nofork", "--print-address=1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert bus.stdout
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.stdout.readline().strip())
    one = Bluetooth(folder, bus)
    yield one
    one.die()
    one.end_bus()


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with three quarters of a megabyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=768k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a tiny disk needs the right to mount one: run the tests as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)
