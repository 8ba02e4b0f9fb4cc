"""The service manager's socket: what is sent, and when nothing is."""

from __future__ import annotations

import os
import re
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(address)
        one.settimeout(5)
        yield one, address


def test_what_is_said(manager: tuple[socket.socket, str]) -> None:
    heard, address = manager
    notifier = Notifier({"NOTIFY_SOCKET": address})
    notifier.ready()
    notifier.status("two\ngauges")
    notifier.status("two\ngauges")
    notifier.alive()
    notifier.reloading()
    notifier.stopping()
    said = [heard.recv(4096).decode() for _ in range(5)]
    assert said[:3] == ["READY=1", "STATUS=two gauges", "WATCHDOG=1"]
    assert re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=\d+", said[3])
    assert said[4] == "STOPPING=1"


@pytest.mark.skipif(sys.platform != "linux", reason="abstract sockets: run it on Linux")
def test_an_abstract_socket() -> None:
    name = f"shimwright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind("\0" + name)
        one.settimeout(5)
        Notifier({"NOTIFY_SOCKET": "@" + name}).ready()
        assert one.recv(100) == b"READY=1"


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "relative"}])
def test_no_manager(environment: dict[str, str]) -> None:
    notifier = Notifier(environment)
    notifier.ready()
    notifier.alive()
    assert notifier.watchdog_s is None


def test_a_manager_that_is_gone(tmp_path: Path) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).ready()


def test_a_manager_that_does_not_read_holds_up_nothing(manager: tuple[socket.socket, str]) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager[1]})
    for _ in range(1000):
        notifier.alive()


@pytest.mark.parametrize(
    ("said", "wanted_s"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_how_often_a_sign_of_life_is_wanted(said: dict[str, str], wanted_s: float | None) -> None:
    assert Notifier({"NOTIFY_SOCKET": "/run/nobody", **said}).watchdog_s == wanted_s
