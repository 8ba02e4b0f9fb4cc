"""Commands from outside: read, queued, done one after another, and answered.

Who may command is the broker's to say (``docs/mqtt.md``). A command may do what a person at the station may:
nothing here changes what is in the log.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from bus.connection import Incoming
from bus.desk import Desk, Errand, NoDesk
from bus.errors import BrokerLost, CommandRefused, PayloadError, shown
from bus.payloads import Answer, Command, decode_command
from bus.topics import StationTopics
from joblog.records import utc_text

__all__ = ["Asked", "CommandRefused", "Desk", "Errand", "Intake", "NoDesk", "answer"]

MOST_WAITING = 32
"""Commands that may wait; one more is answered with that."""

MOST_CORRELATION = 256
"""Bytes of correlation data that are sent back."""

PATIENCE_S = 10.0
"""A command that takes longer is answered with that, seconds."""


@dataclass(slots=True)
class Asked:
    """A command with where its answer goes.

    Attributes:
        command: None if it could not be read.
        answer: None until there is one.
        response_topic: None if nobody waits for an answer, or it may not go there.
        correlation: What the asker knows its question by.
    """

    command: Command | None
    answer: Answer | None = None
    response_topic: str | None = None
    correlation: bytes | None = None


class Intake:
    """Takes commands in, has them done one after another, and gives the answers.

    Args:
        topics: The station's.
        do: Does a command and says in one line what was done; raises ``CommandRefused``.
        say: Tells the journal, with the kind of event and one line.
    """

    def __init__(
        self,
        topics: StationTopics,
        do: Callable[[Command], Awaitable[str]],
        say: Callable[[str, str], None],
    ) -> None:
        self._topics = topics
        self._do = do
        self._say = say

    async def listen(
        self, messages: AsyncIterator[Incoming], give: Callable[[Asked], Awaitable[None]]
    ) -> None:
        """Take every command that comes, until the connection ends.

        Args:
            messages: What comes on the command topic.
            give: Sends an answer.

        Raises:
            BrokerLost: When the connection ends.
        """
        waiting: asyncio.Queue[Asked] = asyncio.Queue(MOST_WAITING)
        full = f"{MOST_WAITING} commands wait already: ask again"
        worker = asyncio.create_task(self._work(waiting, give), name="does commands")
        try:
            async for message in messages:
                asked = self.read(message)
                if asked is None:
                    continue
                if asked.answer is None and waiting.full():
                    asked.answer = answer(asked.command, ok=False, text=full)
                if asked.answer is None:
                    waiting.put_nowait(asked)
                else:
                    self._tell(asked)
                    await give(asked)
                if worker.done():
                    worker.result()
        finally:
            worker.cancel()
            await asyncio.gather(worker, return_exceptions=True)

    def read(self, message: Incoming) -> Asked | None:
        """Read what came: a command, or with an answer already if it is none; None if it is not for us.

        Args:
            message: As it came.
        """
        if message.topic != self._topics.command:
            return None
        asked = Asked(None)
        if message.response_topic and self._topics.may_answer_on(message.response_topic):
            asked.response_topic = message.response_topic
            if message.correlation is not None and len(message.correlation) <= MOST_CORRELATION:
                asked.correlation = message.correlation
        elif message.response_topic:
            where = shown(message.response_topic)
            self._say("command", f"a command wants its answer on {where}, where this station does not write")
        if message.retained:
            why = "a retained command is not done: send it without retain, and clear the topic"
            asked.answer = answer(None, ok=False, text=why)
            return asked
        try:
            asked.command = decode_command(message.payload)
        except PayloadError as error:
            asked.answer = answer(None, ok=False, text=str(error))
        return asked

    async def _work(self, waiting: asyncio.Queue[Asked], give: Callable[[Asked], Awaitable[None]]) -> None:
        while True:
            asked = await waiting.get()
            asked.answer = await self._answer_to(asked.command)
            self._tell(asked)
            await give(asked)

    async def _answer_to(self, command: Command | None) -> Answer:
        if command is None:  # it has its answer; only commands are queued
            return answer(None, ok=False, text="it is no command")
        try:
            async with asyncio.timeout(PATIENCE_S):
                return answer(command, ok=True, text=await self._do(command))
        except CommandRefused as error:
            return answer(command, ok=False, text=str(error))
        except TimeoutError:
            return answer(
                command, ok=False, text=f"it took longer than {PATIENCE_S:g} s: see what became of it"
            )
        except BrokerLost:
            raise
        except Exception as error:  # noqa: BLE001 - a command must not end the station's connection
            self._say("fault", f"a fault in the program, in a command: {type(error).__name__}: {error}")
            return answer(command, ok=False, text="a fault in the program: see the station's journal")

    def _tell(self, asked: Asked) -> None:
        if asked.answer is not None:
            how = "done" if asked.answer.ok else "not done"
            what = asked.answer.command or "a message that is no command"
            self._say("command", f"{what}, {how}: {asked.answer.text}")


def answer(command: Command | None, *, ok: bool, text: str) -> Answer:
    """An answer of now.

    Args:
        command: What was asked; None if it could not be read.
        ok: Whether it was done.
        text: What was done, or why not.
    """
    name = None if command is None else str(command.__struct_config__.tag)
    return Answer(ok=ok, text=" ".join(text.split()), at=utc_text(datetime.now(UTC)), command=name)
