"""Commands: one after another, a bounded queue, and an answer whatever happens; more is in test_publisher."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

import pytest

from bus.commands import MOST_CORRELATION, MOST_WAITING, Asked, Intake, answer
from bus.connection import Incoming
from bus.desk import Errand, NoDesk
from bus.errors import BrokerLost, CommandRefused
from bus.payloads import Command, Start
from bus.topics import StationTopics
from joblog.records import Measurement

BAY = StationTopics("larkfield", "bay-2")
START = b'{"command": "start", "corner": "LR"}'


def incoming(payload: bytes = START, **more: object) -> Incoming:
    usual = {"topic": BAY.command, "payload": payload, "retained": False, "response_topic": BAY.answer("me")}
    return Incoming(**(usual | more))  # type: ignore[arg-type]


class Bench:
    """An intake with what it does and says."""

    def __init__(self) -> None:
        self.done: list[Command] = []
        self.given: list[Asked] = []
        self.said: list[str] = []
        self.gate = asyncio.Event()
        self.intake = Intake(BAY, self.do, lambda _event, text: self.said.append(text))

    async def do(self, command: Command) -> str:
        self.done.append(command)
        await self.gate.wait()
        return "first line\nsecond line"

    async def give(self, asked: Asked) -> None:
        self.given.append(asked)

    async def come(self, *messages: Incoming) -> AsyncIterator[Incoming]:
        for one in messages:
            yield one
        self.gate.set()
        while len(self.given) < len(messages):  # noqa: ASYNC110 - the intake says nothing when it is done
            await asyncio.sleep(0)
        raise BrokerLost("gone")


def test_more_commands_than_may_wait_are_answered_with_that() -> None:
    async def scenario() -> None:
        bench = Bench()
        count = MOST_WAITING + 5
        with pytest.raises(BrokerLost):
            await bench.intake.listen(bench.come(*[incoming()] * count), bench.give)
        texts = [one.answer.text for one in bench.given if one.answer]
        full = sum("commands wait already" in text for text in texts)
        assert len(texts) == count
        assert count - MOST_WAITING - 1 <= full <= count - MOST_WAITING
        assert texts[-1] == "first line second line"

    asyncio.run(scenario())


def test_what_is_on_another_topic_is_not_for_us() -> None:
    assert asyncio.run(read(incoming(topic=BAY.status))) is None


async def read(message: Incoming) -> Asked | None:
    return Bench().intake.read(message)


def test_long_correlation_data_is_not_sent_back() -> None:
    asked = asyncio.run(read(incoming(correlation=b"x" * (MOST_CORRELATION + 1))))
    assert asked
    assert (asked.command, asked.correlation) == (Start(corner="LR"), None)


def test_an_answer_names_its_command() -> None:
    assert answer(Start(), ok=True, text="a\n b").text == "a b"
    assert answer(Start(), ok=True, text="").command == "start"
    assert answer(None, ok=False, text="").command is None


def test_a_station_without_job_cards_says_so(make: Callable[..., Measurement]) -> None:
    desk, one = NoDesk(), make()
    assert desk.errand("LR") == Errand()
    assert desk.car() is None
    desk.kept(one)
    with pytest.raises(CommandRefused, match="no job card is open"):
        asyncio.run(desk.note("bearing blue", "LR", None))
    with pytest.raises(CommandRefused, match='"17"'):
        asyncio.run(desk.select("17", None))
    assert f"in the log as {one.id[:8]}" in asyncio.run(desk.accept("LR", one))
