"""A process that has the whole program loaded, and forks the processes that tests start.

To load numpy, the log and the bus takes a process half a second of a processor, and the tests start some
hundreds. What is forked is a process of its own in all else: its words, folder, environment, streams,
signals, exit code and end are those of a process started afresh.
"""

from __future__ import annotations

import gc
import importlib
import inspect
import json
import os
import pkgutil
import select
import signal
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PROGRAM = [sys.executable, "-c", "from cli.main import run; run()"]
ROOMS = ("calc", "capture", "joblog", "bus", "cli")

_NUMBER = struct.Struct("i")
_LONGEST = 1 << 17


class Loaded:
    """The process that has the program loaded; it ends when it is closed."""

    def __init__(self) -> None:
        self._asks, asked = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        words = [sys.executable, "-c", f"from tests.cli.loaded import serve; serve({asked.fileno()})"]
        alone = {"PYTHONPATH": str(ROOT), "PYTHONUTF8": "1", "OPENBLAS_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            words,
            env=os.environ | alone,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            pass_fds=[asked.fileno()],
        )
        asked.close()

    def fork(self, call: dict[str, Any], ends: list[int]) -> tuple[int, int]:
        """Start what is asked for with these standard streams; its number, and where its end is read."""
        status, tells = os.pipe()
        socket.send_fds(self._asks, [json.dumps(call).encode()], [*ends, tells])
        os.close(tells)
        return _NUMBER.unpack(os.read(status, _NUMBER.size))[0], status

    def close(self) -> None:
        self._asks.close()
        self._process.wait(30)


class Forked(subprocess.Popen[str]):
    """As ``Popen`` of Python with ``-c``, but forked from a process that has the program loaded."""

    def __init__(self, loaded: Loaded, command: list[str], **options: Any) -> None:
        self._loaded = loaded
        self._status = -1
        super().__init__(command, **options)

    def _execute_child(self, *given: Any) -> None:
        """What ``Popen`` calls to have the process made, once its pipes are."""
        usual = inspect.signature(subprocess.Popen._execute_child)  # type: ignore[attr-defined]
        call = usual.bind(self, *given).arguments
        ends = [call["p2cread"], call["c2pwrite"], call["errwrite"]]
        _, _, code, *words = call["args"]
        asked = {"code": code, "words": words, "folder": str(call["cwd"]), "env": call["env"]}
        self.pid, self._status = self._loaded.fork(asked, ends)
        self._child_created = True
        for end in ends:
            os.close(end)

    def poll(self) -> int | None:
        return self._ended(0)

    def wait(self, timeout: float | None = None) -> int:
        code = self._ended(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0)
        return code

    def _ended(self, seconds: float | None) -> int | None:
        if self.returncode is None and select.select([self._status], [], [], seconds)[0]:
            self.returncode = os.waitstatus_to_exitcode(
                _NUMBER.unpack(os.read(self._status, _NUMBER.size))[0]
            )
            os.close(self._status)
        return self.returncode


def serve(number: int) -> None:
    """Fork a process for each one asked for on this socket.

    Args:
        number: The socket's; each message brings the three standard streams and where to tell the end.
    """
    for room in ROOMS:
        for module in pkgutil.walk_packages([str(ROOT / room)], f"{room}."):
            importlib.import_module(module.name)
    gc.collect()
    gc.freeze()  # so that what is forked shares this memory
    asked = socket.socket(fileno=number)
    watching: set[int] = set()
    while True:
        said, streams, _, _ = socket.recv_fds(asked, _LONGEST, 4)
        watching = {one for one in watching if not os.waitpid(one, os.WNOHANG)[0]}
        if not said:
            return
        watches = os.fork()
        if not watches:
            asked.close()
            _look_after(json.loads(said), streams)
            return
        watching.add(watches)
        for stream in streams:
            os.close(stream)


def _look_after(call: dict[str, Any], streams: list[int]) -> None:
    """Make one process, tell its number, wait for its end and tell that; returns in that process alone."""
    *ends, tells = streams
    made = os.fork()
    if made:
        for end in ends:
            os.close(end)
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        os.write(tells, _NUMBER.pack(made))
        _, status = os.waitpid(made, 0)
        os.write(tells, _NUMBER.pack(status))
        os._exit(0)
    os.close(tells)
    for place, end in enumerate(ends):
        os.dup2(end, place)
        os.close(end)
    os.chdir(call["folder"])
    os.environ.clear()
    os.environ.update(call["env"])
    time.tzset()
    sys.argv = ["-c", *call["words"]]
    exec(call["code"], {"__name__": "__main__"})
