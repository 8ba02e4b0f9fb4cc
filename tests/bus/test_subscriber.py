"""The board's ear: hears stations, is answered, says when the broker is away, and comes back by itself."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import aclosing
from typing import TypeVar

import pytest

from bus.connection import Connection, connect
from bus.errors import TopicError
from bus.payloads import OFFLINE, Answer, Start, Status, decode_command, encode
from bus.settings import BrokerSettings
from bus.subscriber import BrokerAway, BrokerThere, CommandLost, Heard, Subscriber, Told, Unreadable
from bus.topics import StationTopics
from tests.bus.brokers import AnyBroker, Mosquitto

_T = TypeVar("_T")
BAY = StationTopics("larkfield", "bay-2")
AT = "2026-03-02T09:30:05.120Z"
ONLINE = Status(online=True, at=AT)


async def until(told: AsyncIterator[Told], kind: type[_T]) -> _T:
    async with asyncio.timeout(20):
        async for one in told:
            if isinstance(one, kind):
                return one
    raise AssertionError("it ended")


async def answer_one(connection: Connection, text: str) -> None:
    async for message in connection.messages():
        command = decode_command(message.payload)
        assert command == Start(corner="LR")
        assert message.response_topic
        data = encode(Answer(ok=True, text=text, at=AT, command="start"))
        stray = b"\0" * 12
        await connection.put(message.response_topic, data, qos=1, correlation=stray)  # of another question
        await connection.put(message.response_topic, data, qos=1, correlation=message.correlation)
        return


def test_it_hears_what_is_kept_and_what_comes_and_is_answered(broker: AnyBroker) -> None:
    async def run() -> None:
        settings = BrokerSettings(f"mqtt://127.0.0.1:{broker.port}")
        ear = Subscriber(settings, "larkfield")
        with pytest.raises(CommandLost, match="the broker is away"):
            await ear.request("larkfield", "bay-2", Start())
        async with connect(settings, "bay-2") as bay, aclosing(ear.told()) as told:
            await bay.put(BAY.status, encode(ONLINE), qos=1, retain=True)
            await bay.listen(BAY.command)
            assert await until(told, BrokerThere)
            heard = await until(told, Heard)
            assert (heard.topic.station, heard.message) == ("bay-2", ONLINE)
            other = StationTopics("hillside", "bay-1")
            await bay.put(other.status, encode(ONLINE), qos=1)  # another shop's: not asked for
            await bay.put(BAY.status, b'{"online": "perhaps"}', qos=1)
            assert "online" in (await until(told, Unreadable)).why

            async def go_on() -> None:
                async for _ in told:
                    pass

            hears = asyncio.create_task(go_on())
            answers = asyncio.create_task(answer_one(bay, "begun"))
            answer = await ear.request("larkfield", "bay-2", Start(corner="LR"))
            assert (answer.ok, answer.text) == (True, "begun")
            await answers
            with pytest.raises(CommandLost, match=r"no answer from bay-2 within 0.2 s"):
                await ear.request("larkfield", "bay-2", Start(), timeout_s=0.2)
            hears.cancel()
            await asyncio.gather(hears, return_exceptions=True)

    asyncio.run(run())


def test_a_broker_that_dies_is_told_and_found_again_with_what_it_is_told_then(broker: AnyBroker) -> None:
    async def run() -> None:
        settings = BrokerSettings(f"mqtt://127.0.0.1:{broker.port}")
        ear = Subscriber(settings)
        async with aclosing(ear.told()) as told:
            await until(told, BrokerThere)
            waits = asyncio.create_task(ear.request("larkfield", "bay-2", Start(), timeout_s=20))
            await asyncio.to_thread(broker.kill)
            away = await until(told, BrokerAway)
            assert away.why.startswith("the broker at 127.0.0.1:")
            with pytest.raises(CommandLost):
                await waits
            await asyncio.to_thread(broker.start)
            await until(told, BrokerThere)
            async with connect(settings, "bay-2") as bay:
                await bay.put(BAY.status, encode(OFFLINE), qos=1)
                assert (await until(told, Heard)).message == OFFLINE

    asyncio.run(run())


def test_a_name_that_cannot_stand_in_a_topic_is_refused() -> None:
    with pytest.raises(TopicError):
        Subscriber(BrokerSettings("mqtt://127.0.0.1"), "#")


def test_a_flood_loses_nothing_on_the_way_from_the_broker(mosquitto: Mosquitto) -> None:
    most = 1500
    port = mosquitto.port
    topic = BAY.status.encode()
    body = len(topic).to_bytes(2, "big") + topic + b"\0"

    def flood() -> None:
        """Numbered messages, as fast as they can be written: by a plain socket."""
        with socket.create_connection(("127.0.0.1", port)) as wire:
            wire.sendall(bytes.fromhex("10 0d 0004 4d515454 05 02 003c 00 0000"))
            wire.recv(64)
            for i in range(most):
                data = body + encode(Status(online=True, at=AT, unsent=i))
                wire.sendall(b"\x30" + bytes([len(data) % 128 | 0x80, len(data) // 128]) + data)
            wire.sendall(bytes.fromhex("e0 00"))
            wire.recv(1)

    async def run() -> list[int]:
        ear = Subscriber(BrokerSettings(f"mqtt://127.0.0.1:{port}"))
        seen: list[int] = []
        async with aclosing(ear.told()) as told:
            await until(told, BrokerThere)
            floods = asyncio.create_task(asyncio.to_thread(flood))
            async with asyncio.timeout(20):
                while len(seen) < most:
                    heard = await until(told, Heard)
                    assert isinstance(heard.message, Status)
                    seen.append(heard.message.unsent)
            await floods
        return seen

    assert asyncio.run(run()) == list(range(most))
