"""The embedded broker: MQTT 5 on this machine alone, its port told of, and gone with its parent."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from bus.broker import EmbeddedBroker
from bus.errors import BrokerError
from tests.bus.brokers import aside, free_port, listening


def taken(port: int, host: str = "127.0.0.1") -> bool:
    try:
        with socket.create_connection((host, port), timeout=1):
            return True
    except OSError:
        return False


def own_address() -> str | None:
    """An address of this machine that is not its loopback; None without one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # of the documentation (RFC 5737): nothing is sent
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if address.startswith("127.") else address


def test_it_takes_mqtt_5_as_soon_as_it_has_started_and_is_gone_when_stopped() -> None:
    port = free_port()
    with EmbeddedBroker(port) as broker:
        assert broker.url == f"mqtt://127.0.0.1:{port}"

        async def scenario() -> None:
            async with listening(port, "t/#") as ear:
                await ear.say("t/1", b'{"a": 1}', answer_on="t/2", about=b"\x00x", retain=True)
                (heard,) = await ear.until(lambda e: e.heard)
                assert heard.properties.ResponseTopic == "t/2"
                assert heard.properties.CorrelationData == b"\x00x"
            async with listening(port, "t/#") as late:
                (kept,) = await late.until(lambda e: e.heard)
                assert kept.retained

        asyncio.run(scenario())
    assert not taken(port)
    with EmbeddedBroker(port):  # its port is free again at once
        assert taken(port)


def test_it_listens_on_this_machine_alone() -> None:
    port = free_port()
    with EmbeddedBroker(port):
        address = own_address()
        if address is None:
            pytest.skip("needs an address of this machine other than 127.0.0.1: connect it to a network")
        assert not taken(port, address)


def test_a_taken_port_is_told_in_one_line() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(BrokerError, match="is taken: is a broker running there already") as caught:
            EmbeddedBroker(other.getsockname()[1]).start()
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::"])
def test_elsewhere_it_wants_a_password(host: str) -> None:
    with pytest.raises(BrokerError, match="without a password"):
        EmbeddedBroker(free_port(), host)


@pytest.mark.parametrize(
    ("host", "said"),
    [("broker.larkfield", "is no address"), ("", "is no address"), ("192.0.2.7", "does not have")],
)
def test_an_address_that_cannot_be_listened_on(host: str, said: str) -> None:
    with pytest.raises(BrokerError, match=said):
        EmbeddedBroker(free_port(), host, "bay-2", "secret").start()


def test_with_a_password_nobody_comes_in_without_it() -> None:
    port = free_port()
    password = 'quo"te\\\n'

    async def try_login(**login: Any) -> bool:
        client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, timeout=1, **login)
        try:
            async with client:
                return True
        except aiomqtt.MqttError:
            client._client._sock_close()
            if client._misc_task is not None:
                client._misc_task.cancel()
                await asyncio.gather(client._misc_task, return_exceptions=True)
            return False

    async def scenario() -> None:
        assert await try_login(username="bay-2", password=password)
        assert not await try_login(username="bay-2", password="wrong")
        assert not await try_login()

    with EmbeddedBroker(port, "0.0.0.0", "bay-2", password) as broker:
        assert broker.url == f"mqtt://127.0.0.1:{port}"
        assert broker._folder is not None
        assert list(Path(broker._folder.name).iterdir()) == [], "the password is on no disk"
        asyncio.run(scenario())


def test_it_ends_with_its_parent_however_that_ended() -> None:
    port = free_port()
    code = (
        f"from bus.broker import EmbeddedBroker\nbroker = EmbeddedBroker({port})\nbroker.start()\n"
        "print('up', flush=True)\ninput()"
    )
    root = Path(__file__).parents[2]
    words = [sys.executable, "-c", code]
    parent = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root)
    assert parent.stdout
    assert parent.stdin
    try:
        assert parent.stdout.readline() == b"up\n"
        assert taken(port)
        os.kill(parent.pid, signal.SIGKILL)
        parent.wait()
        end = time.monotonic() + 5
        while taken(port):
            assert time.monotonic() < end, "the broker outlives its parent"
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()
        parent.stdin.close()


def test_a_large_message_passes() -> None:
    port = free_port()

    async def scenario() -> None:
        async with listening(port, "t") as ear:
            await ear.say("t", b"[" + b"1," * 50_000 + b"1]")
            (one,) = await ear.until(lambda e: e.heard)
            assert len(one.payload) == 50_001

    with EmbeddedBroker(port):
        asyncio.run(scenario())
        assert asyncio.run(aside(taken, port))
