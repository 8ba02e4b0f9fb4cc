"""A station's voice, with real brokers: what is heard, what waits, and that nothing holds up the hub."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import getpass
import json
import socket
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from bus import publisher as publisher_module
from bus.commands import Intake
from bus.connection import connect
from bus.errors import CommandRefused
from bus.outbox import BATCH, Outbox
from bus.payloads import Command, Cue, CueKind, Live, Phase, Result, Status, decode, encode
from bus.publisher import LIVE_EVERY_S, MOST_CUES, Publisher, Source
from bus.results import encode_result
from bus.settings import BrokerSettings
from bus.topics import StationTopics
from joblog.records import Measurement, new_id
from tests.bus.brokers import AnyBroker, Ear, Log, Mosquitto, aside, free_port, listening, local, until

AT = "2026-03-02T09:30:05.120Z"
BAY = StationTopics("larkfield", "bay-2")
Make = Callable[..., Measurement]


class Station:
    """A publisher with what it needs around it."""

    def __init__(self, settings: BrokerSettings, log: Log) -> None:
        self.said: list[tuple[str, str]] = []
        self.commands: list[Command] = []
        self.since = AT
        self.lives = 0
        self.outbox = Outbox(
            log.with_store, encode_result, lambda event, text: self.said.append((event, text))
        )
        self.publisher = Publisher(
            settings=settings,
            topics=BAY,
            source=Source(lambda: Status(online=True, at=AT, since=self.since), self.live),
            outbox=self.outbox,
            intake=Intake(BAY, self.do, self.say),
            say=self.say,
        )

    def live(self, gauge: str) -> tuple[str, Live]:
        self.lives += 1
        return "LR", Live(
            gauge=gauge,
            at=AT,
            time_s=float(self.lives),
            reading_mm=0.3,
            low_mm=0.3,
            high_mm=0.3,
            step_mm=0.01,
            unit="mm",
            phase=Phase.WAITING,
        )

    def say(self, event: str, text: str, *, level: str = "info") -> None:
        assert level in {"info", "warning", "error"}
        self.said.append((event, text))

    async def do(self, command: Command) -> str:
        self.commands.append(command)
        if getattr(command, "corner", None) == "RR":
            raise CommandRefused("no gauge is at RR")
        if getattr(command, "corner", None) == "RF":
            raise RuntimeError("broken")
        return "done"

    def cue(self, number: int = 1) -> None:
        sentence = {"en": str(number)}
        cue = Cue(
            kind=CueKind.PUSH,
            at=AT,
            gauge="left rear",
            corner="LR",
            unit="mm",
            text=sentence,
            speech=sentence,
            number=number,
        )
        self.publisher.cue("LR", cue)

    def events(self, event: str) -> list[str]:
        return [text for what, text in self.said if what == event]


@contextlib.asynccontextmanager
async def station(port: int, log: Log, *, connected: bool = True) -> AsyncIterator[Station]:
    one = Station(local(port), log)
    one.publisher.start()
    if connected:
        await until(lambda: one.publisher.connected)
    try:
        yield one
    finally:
        await one.publisher.close(2.0)


def ids(ear: Ear) -> list[str]:
    return [message.payload["measurement_id"] for message in ear.of("result")]


def test_status_is_there_for_who_comes_later_and_offline_after_a_clean_end(
    broker: AnyBroker, log: Log
) -> None:
    async def scenario() -> None:
        async with station(broker.port, log) as bay, listening(broker.port) as ear:
            (first,) = await ear.until(lambda e: e.of("status"))
            assert first.retained
            assert first.payload == {"online": True, "at": AT, "since": AT}
            bay.since = "2026-03-02T10:00:00.000Z"
            bay.publisher.status_changed()
            await ear.until(lambda e: len(e.of("status")) == 2)
            assert ear.of("status")[1].payload["since"] == bay.since
            await bay.publisher.close(2.0)
            await ear.until(lambda e: len(e.of("status")) == 3)
            assert ear.of("status")[2].payload == {"online": False}
        async with listening(broker.port) as late:
            (only,) = await late.until(lambda e: e.of("status"))
            assert (only.payload, only.retained) == ({"online": False}, True)

    asyncio.run(scenario())


def test_results_come_from_the_log_in_order_once_and_the_newest_is_kept(
    broker: AnyBroker, log: Log, make: Make
) -> None:
    ones = [make() for _ in range(2 * BATCH + 3)]
    log.add(*ones[:-1])

    async def scenario() -> None:
        async with listening(broker.port) as ear, station(broker.port, log) as bay:
            await ear.until(lambda e: len(e.of("result")) == len(ones) - 1)
            await aside(log.add, ones[-1])
            bay.publisher.result_waits()
            await ear.until(lambda e: len(e.of("result")) == len(ones))
            assert ids(ear) == [one.id for one in ones]
            await log.until_unsent([])
            assert all(message.qos == 1 for message in ear.of("result"))
        async with listening(broker.port) as late:
            (kept,) = await late.until(lambda e: e.of("result"))
            assert kept.payload["measurement_id"] == ones[-1].id
            assert kept.retained

    asyncio.run(scenario())


def test_refused_and_unfinished_ones_are_told_too(mosquitto: Mosquitto, log: Log, make: Make) -> None:
    good = make()
    analysis = good.analysis | dict.fromkeys(("end_play_mm", "u_mm", "expanded_mm", "dof", "strokes"), None)
    analysis |= {"usable": False, "reasons": [{"code": "one-way", "text": "push and pull"}], "budget": []}
    without: dict[str, Any] = {"analysis": analysis, "verdict": None, "p_within": None, "shim": None}
    for state in ("refused", "unfinished"):
        log.add(dataclasses.replace(good, id=new_id(), state=state, **without))

    async def scenario() -> None:
        async with listening(mosquitto.port) as ear, station(mosquitto.port, log):
            await ear.until(lambda e: len(e.of("result")) == 2)
            assert [m.payload["state"] for m in ear.of("result")] == ["refused", "unfinished"]
            for message in ear.of("result"):
                assert decode(json.dumps(message.payload).encode(), Result).reasons[0].code == "one-way"

    asyncio.run(scenario())


def test_a_broker_that_dies_loses_nothing_and_what_was_acknowledged_does_not_come_again(
    broker: AnyBroker, log: Log, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    ones = [make() for _ in range(40)]
    tries: list[float] = []
    real = connect

    def counted(*words: Any) -> Any:
        tries.append(time.monotonic())
        return real(*words)

    # so that the ear is back before the station is, and hears all
    monkeypatch.setattr(publisher_module, "connect", counted)
    monkeypatch.setattr(publisher_module, "FIRST_PAUSE_S", 3.0)
    monkeypatch.setattr(publisher_module, "MOST_PAUSE_S", 3.0)

    async def scenario() -> None:
        async with station(broker.port, log) as bay:
            async with listening(broker.port) as ear:
                await aside(log.add, *ones[:2])
                bay.publisher.result_waits()
                await ear.until(lambda e: len(e.of("result")) == 2)
                await log.until_unsent([])
            await aside(broker.kill)
            await until(lambda: not bay.publisher.connected)
            for one in ones[2:]:
                await aside(log.add, one)
                began = time.monotonic()
                bay.publisher.result_waits()
                bay.cue()
                assert not bay.publisher.live_waits("left rear")
                assert time.monotonic() - began < 0.05
            assert await aside(log.unsent) == [one.id for one in ones[2:]]
            tried = len(tries)
            await until(lambda: len(tries) > tried)
            await aside(broker.start)
            async with listening(broker.port) as ear:
                await log.until_unsent([])
                await ear.until(lambda e: ones[-1].id in ids(e))
                fresh = [m.payload["measurement_id"] for m in ear.of("result") if not m.retained]
                assert fresh == [one.id for one in ones[2:]], "each once, in order"
                assert not ear.of("cue"), "a cue of then is of no use now"
            told = bay.events("broker-lost")
            assert len(told) == len(set(told)), "the same reason is told once"
            assert all("results wait in the log" in text for text in told)

    asyncio.run(scenario())


def test_what_waits_across_several_deaths_comes_once_each_in_order(
    tmp_path: Path, log: Log, make: Make
) -> None:
    broker = Mosquitto(tmp_path)
    # what it has acknowledged it keeps on disk
    broker.file.write_text(
        f"user {getpass.getuser()}\nlistener {broker.port} 127.0.0.1\nallow_anonymous true\n"
        "persistence true\n"
        f"persistence_location {tmp_path}/\nautosave_interval 1\nautosave_on_changes true\n"
    )
    ones = [make() for _ in range(30)]
    log.add(*ones)

    async def scenario() -> None:
        heard: list[str] = []
        async with station(broker.port, log, connected=False):
            for until_count in (5, 15, 30):
                await aside(broker.start)
                with contextlib.suppress(Exception):
                    async with listening(broker.port) as ear:
                        await log.until_few_unsent(30 - until_count)
                        heard += ids(ear)
                if await aside(log.unsent):
                    await aside(broker.kill)
            await log.until_unsent([])
        order = [one.id for one in ones]
        places = [order.index(one) for one in dict.fromkeys(heard)]
        assert places == sorted(places)
        assert len(set(heard)) >= len(heard) - 3, "only the one that was on its way may come again"

    try:
        asyncio.run(scenario())
    finally:
        broker.kill()


def test_a_result_that_the_broker_forbids_stays_in_the_outbox(tmp_path: Path, log: Log, make: Make) -> None:
    acl = tmp_path / "acl"
    acl.write_text("topic write shimwright/1/larkfield/bay-2/status\n")
    port = free_port()
    broker = Mosquitto(tmp_path, f"listener {port} 127.0.0.1\nallow_anonymous true\nacl_file {acl}\n", port)
    broker.start()
    one = make()
    log.add(one)

    async def scenario() -> None:
        async with station(port, log) as bay:
            (text,) = await until(lambda: bay.events("outbox"))
            assert "forbids writing shimwright/1/larkfield/bay-2/LR/result" in text
            assert await aside(log.unsent) == [one.id]
            bay.cue()
            texts = await until(lambda: [t for t in bay.events("broker-rules") if "/cue" in t])
            assert len(texts) == 1
            assert bay.publisher.connected

    try:
        asyncio.run(scenario())
    finally:
        broker.kill()


def test_live_readings_are_the_newest_and_at_most_twenty_a_second(broker: AnyBroker, log: Log) -> None:
    async def scenario() -> None:
        async with listening(broker.port) as ear, station(broker.port, log) as bay:
            end = time.monotonic() + 1.0
            while time.monotonic() < end:
                for gauge in ("left rear", "right rear"):
                    assert bay.publisher.live_waits(gauge)
                await asyncio.sleep(0.002)
            await asyncio.sleep(0.2)
            for gauge in ("left rear", "right rear"):
                count = sum(one.payload["gauge"] == gauge for one in ear.of("live"))
                assert 10 <= count <= 1.0 / LIVE_EVERY_S + 2
            assert not any(one.retained for one in ear.of("live"))
            if isinstance(broker, Mosquitto):  # the other one raises it to what the ear asked for
                assert all(one.qos == 0 for one in ear.of("live"))

    asyncio.run(scenario())


def test_a_single_reading_is_told_at_once_and_the_last_of_a_burst_is_told(
    mosquitto: Mosquitto, log: Log
) -> None:
    async def scenario() -> None:
        async with listening(mosquitto.port) as ear, station(mosquitto.port, log) as bay:
            for _ in range(3):
                bay.publisher.live_waits("left rear")
            await ear.until(lambda e: len(e.of("live")) == 1, 0.5)
            bay.publisher.live_waits("left rear")
            await ear.until(lambda e: len(e.of("live")) == 2, 0.5)

    asyncio.run(scenario())


def test_cues_are_heard_in_order(broker: AnyBroker, log: Log) -> None:
    async def scenario() -> None:
        async with listening(broker.port) as ear, station(broker.port, log) as bay:
            for number in range(20):
                bay.cue(number)
            await ear.until(lambda e: len(e.of("cue")) == 20)
            assert [one.payload["number"] for one in ear.of("cue")] == list(range(20))
            assert all(one.qos == 1 for one in ear.of("cue"))

    asyncio.run(scenario())


def test_a_frozen_broker_holds_up_nobody_and_hears_the_results_when_it_thaws(
    mosquitto: Mosquitto, log: Log, make: Make
) -> None:
    ones = [make() for _ in range(3)]

    async def scenario() -> None:
        async with station(mosquitto.port, log) as bay:
            mosquitto.freeze()
            began = time.monotonic()
            for one in ones:
                await aside(log.add, one)
                bay.publisher.result_waits()
            for number in range(3 * MOST_CUES):
                bay.cue(number)
                bay.publisher.live_waits("left rear")
            assert time.monotonic() - began < 0.5
            assert bay.events("cues-dropped")
            assert len(await aside(log.unsent)) == 3
            mosquitto.thaw()
            async with listening(mosquitto.port) as ear:
                await log.until_unsent([])
                await ear.until(lambda e: ones[-1].id in ids(e))

    asyncio.run(scenario())


def test_a_subscriber_that_does_not_read_delays_neither_results_nor_others(
    broker: AnyBroker, log: Log, make: Make
) -> None:
    ones = [make() for _ in range(60)]

    async def scenario() -> None:
        with await aside(socket.create_connection, ("127.0.0.1", broker.port)) as lazy:
            lazy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            await aside(lazy.sendall, bytes.fromhex("10 13 0004 4d515454 05 02 0000 00 0006") + b"sleepy")
            await aside(lazy.sendall, bytes.fromhex("82 12 0001 00 000c") + b"shimwright/#" + b"\x01")
            async with listening(broker.port) as ear, station(broker.port, log) as bay:
                await aside(log.add, *ones)
                bay.publisher.result_waits()
                await ear.until(lambda e: len(e.of("result")) == len(ones), 20)
                assert ids(ear) == [one.id for one in ones]

    asyncio.run(scenario())


def test_commands_are_answered_with_their_correlation_data(broker: AnyBroker, log: Log) -> None:
    async def scenario() -> None:
        async with listening(broker.port) as ear, station(broker.port, log) as bay:
            answers = BAY.answer("board-1")
            asked: dict[bytes, bytes] = {
                b"\x00\x01": b'{"command": "start", "corner": "LR"}',
                b"two": b'{"command": "start", "corner": "RR"}',
                b"three": b'{"command": "fly"}',
                b"four": b"nonsense",
                b"five": b'{"command": "start", "corner": "RF"}',
            }
            for about, payload in asked.items():
                await ear.say(BAY.command, payload, answer_on=answers, about=about)
            await ear.until(lambda e: len(e.of("answer")) == len(asked))
            got = {one.properties.CorrelationData: one.payload for one in ear.of("answer")}
            assert set(got) == set(asked)
            assert got[b"\x00\x01"] | {"at": AT} == {"ok": True, "text": "done", "command": "start", "at": AT}
            assert (got[b"two"]["ok"], got[b"two"]["text"]) == (False, "no gauge is at RR")
            assert '"fly" is no command' in got[b"three"]["text"]
            assert "it is no JSON" in got[b"four"]["text"]
            assert got[b"five"]["text"] == "a fault in the program: see the station's journal"
            assert len(bay.commands) == 3
            assert bay.publisher.connected

    asyncio.run(scenario())


def test_a_command_without_a_response_topic_is_done_and_told_to_the_journal(
    mosquitto: Mosquitto, log: Log
) -> None:
    async def scenario() -> None:
        async with listening(mosquitto.port) as ear, station(mosquitto.port, log) as bay:
            await ear.say(BAY.command, b'{"command": "quit"}')
            await until(lambda: bay.commands)
            await until(lambda: bay.events("command"))
            assert bay.events("command") == ["quit, done: done"]
            assert not ear.of("answer")

    asyncio.run(scenario())


def test_nobody_can_have_the_station_write_among_its_own_messages(mosquitto: Mosquitto, log: Log) -> None:
    async def scenario() -> None:
        async with listening(mosquitto.port) as ear, station(mosquitto.port, log) as bay:
            for topic in (BAY.status, BAY.result("LR"), BAY.command):
                await ear.say(BAY.command, b'{"command": "start"}', answer_on=topic)
            await until(lambda: len(bay.commands) == 3)
            await until(lambda: len(bay.events("command")) == 6)
            assert sum("does not write" in text for text in bay.events("command")) == 3
            assert len(ear.of("command")) == 3
            assert [one.payload["online"] for one in ear.of("status")] == [True]
            assert not ear.of("result")

    asyncio.run(scenario())


def test_a_retained_command_is_not_done(mosquitto: Mosquitto, log: Log) -> None:
    async def scenario() -> None:
        async with listening(mosquitto.port) as ear:
            await ear.say(BAY.command, b'{"command": "redo"}', answer_on=BAY.answer("me"), retain=True)
            async with station(mosquitto.port, log) as bay:
                (told,) = await ear.until(lambda e: e.of("answer"))
                assert "a retained command is not done" in told.payload["text"]
                assert not bay.commands

    asyncio.run(scenario())


def test_a_second_station_of_the_same_name_is_told_of(mosquitto: Mosquitto, log: Log, tmp_path: Path) -> None:
    other = Log(tmp_path / "other.sqlite")

    async def scenario() -> None:
        async with station(mosquitto.port, log) as first, station(mosquitto.port, other):
            (text, *_) = await until(lambda: first.events("broker-lost"))
            assert "is there a second service of the same shop and station?" in text

    try:
        asyncio.run(scenario())
    finally:
        other.close()


def test_closing_with_the_broker_away_is_quick(log: Log, make: Make) -> None:
    log.add(make())

    async def scenario() -> None:
        async with station(free_port(), log, connected=False) as bay:
            (text,) = await until(lambda: bay.events("broker-lost"))
            assert "nothing listens there" in text
            began = time.monotonic()
            await bay.publisher.close(1.0)
            assert time.monotonic() - began < 0.5

    asyncio.run(scenario())
    assert len(log.unsent()) == 1


def test_one_that_cannot_be_made_into_a_message_stays_and_the_others_go_on(
    mosquitto: Mosquitto, log: Log, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    ones = [make() for _ in range(3)]
    log.add(*ones)

    def encode_but_one(measurement: Measurement) -> bytes:
        if measurement.id == ones[1].id:
            raise ValueError("damaged")
        return encode_result(measurement)

    async def scenario() -> None:
        async with listening(mosquitto.port) as ear:
            bay = Station(local(mosquitto.port), log)
            monkeypatch.setattr(bay.outbox, "_encode", encode_but_one)
            bay.publisher.start()
            await ear.until(lambda e: len(e.of("result")) == 2)
            await log.until_unsent([ones[1].id])
            assert ids(ear) == [ones[0].id, ones[2].id]
            (text,) = bay.events("outbox")
            assert "stays in the outbox" in text
            await bay.publisher.close(2.0)

    asyncio.run(scenario())


def test_the_payload_of_the_last_will_is_that_of_the_contract() -> None:
    assert encode(Status(online=False)) == b'{"online":false}'
