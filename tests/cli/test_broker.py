"""``shimwright broker`` as a process: it says where it listens, ends when told, and says what is wrong."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
from typing import Any

import pytest

from tests.bus.brokers import free_port, listening


def begin(
    start: Any, *words: str, env: dict[str, str] | None = None, afresh: bool = False
) -> tuple[Any, str]:
    running = start("broker", *words, env=env, afresh=afresh)
    assert running.process.stderr
    return running, running.process.stderr.readline()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_runs_until_it_is_told_to_end(start: Any, number: int) -> None:
    port = free_port()
    running, said = begin(start, "--port", str(port), afresh=True)
    assert said == f"the broker listens on mqtt://127.0.0.1:{port}; Ctrl-C ends it\n"

    async def scenario() -> None:
        async with listening(port, "t") as ear:
            await ear.say("t", b"1")
            await ear.until(lambda e: e.heard)

    asyncio.run(scenario())
    running.interrupt(number)
    done = running.end(5)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "the broker has ended\n")
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0


def test_a_taken_port(start: Any) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        done = start("broker", "--port", str(other.getsockname()[1])).end()
    assert done.returncode == 2
    assert "is taken: is a broker running there already?" in done.stderr
    assert len(done.stderr.splitlines()) == 1


WORDS = [("--host", "0.0.0.0"), ("--host", "larkfield"), ("--port", "0"), ("--port", "x")]


@pytest.mark.parametrize("words", WORDS)
def test_what_cannot_be_listened_on(start: Any, words: tuple[str, str]) -> None:
    done = start("broker", *words).end()
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "Traceback" not in done.stderr


def test_its_login_is_the_environments_and_is_not_said(start: Any) -> None:
    port = free_port()
    env = {"SHIMWRIGHT_MQTT_USER": "bay-2", "SHIMWRIGHT_MQTT_PASSWORD": "hunter2"}
    running, said = begin(start, "--port", str(port), "--host", "0.0.0.0", env=env)
    assert "hunter2" not in said
    children = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout
    assert "hunter2" not in children

    async def scenario() -> None:
        async with listening(port, "t", username="bay-2", password="hunter2") as ear:
            await ear.say("t", b"1")
            await ear.until(lambda e: e.heard)

    asyncio.run(scenario())
    running.interrupt()
    assert running.end(5).returncode == 0


def test_a_broker_that_dies_is_told_of(start: Any) -> None:
    running, _ = begin(start, "--port", str(free_port()))
    listed = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(running.process.pid)], capture_output=True, text=True, check=True
    )
    (child,) = listed.stdout.split()
    os.kill(int(child), signal.SIGKILL)
    done = running.end(5)
    assert done.returncode == 2
    assert "the broker ended by itself" in done.stderr
