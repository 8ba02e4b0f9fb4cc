"""A process forked from the loaded one is, to all that tests look at, one that was started afresh."""

from __future__ import annotations

import json
import signal
from typing import Any

import pytest

from tests.cli.conftest import Start

LOOK = """
import json, os, signal, sys
from cli.main import run
print("to standard error", file=sys.stderr)
facts = {
    "argv": sys.argv, "folder": os.getcwd(), "env": dict(os.environ), "input": sys.stdin.read(),
    "ends": [os.isatty(n) for n in range(3)], "open": len(os.listdir("/proc/self/fd")),
    "encoding": [sys.stdout.encoding, sys.stderr.encoding, sys.stdout.line_buffering],
    "signals": [str(signal.getsignal(n)) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGCHLD)],
}
print(json.dumps(facts))
sys.exit(7)
"""


@pytest.mark.parametrize("afresh", [True, False])
def test_its_words_surroundings_streams_and_end(start: Start, afresh: bool) -> None:
    def look(afresh: bool) -> tuple[int, str, dict[str, Any]]:
        result = start("a", "b c", code=LOOK, env={"HERON": "GT"}, afresh=afresh).end()
        return result.returncode, result.stderr, json.loads(result.stdout)

    code, said, facts = look(afresh)
    assert (code, said) == (7, "to standard error\n")
    assert facts["argv"] == ["-c", "a", "b c"]
    assert facts["env"]["HERON"] == "GT"
    assert facts == look(not afresh)[2]


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_it_can_be_stopped(start: Start, number: int) -> None:
    running = start(code="import sys, time; print('on', flush=True); time.sleep(30)")
    assert running.process.stdout
    assert running.process.stdout.readline() == "on\n"
    assert running.process.poll() is None
    running.interrupt(number)
    assert running.end().returncode == -number


def test_a_fault_is_told(start: Start) -> None:
    failed = start(code="1 / 0").end()
    assert failed.returncode == 1
    assert failed.stderr.endswith("ZeroDivisionError: division by zero\n")
