"""The board's ear: what the stations tell, for as long as it is asked for, and commands that are answered.

The broker may go and come back; each time it is told, and everything that it keeps comes anew.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import AsyncGenerator, Iterator
from dataclasses import dataclass

from bus.connection import Connection, Incoming, connect
from bus.errors import BrokerLost, BusError, NotAllowed, PayloadError, TopicError
from bus.payloads import MESSAGES, Answer, Command, Cue, Live, Result, Status, decode, encode
from bus.settings import BrokerSettings
from bus.topics import QOS, Kind, StationTopics, Topic, board_filters, parse_topic

FIRST_PAUSE_S, MOST_PAUSE_S = 0.25, 5.0
"""Pause before the broker is tried again, seconds, doubled each time: people look at the page."""

STEADY_S = 10.0
"""A connection that lasted so long, seconds, was a good one: the pauses begin anew."""

ANSWER_S = 12.0
"""A station answers a command within this, seconds, or is taken not to."""

MOST_ASKED = 64
"""Commands that may wait for their answers at once."""


@dataclass(frozen=True, slots=True)
class BrokerThere:
    """The broker is there, and everything was subscribed to."""


@dataclass(frozen=True, slots=True)
class BrokerAway:
    """The broker is not there; it is tried again by itself.

    Attributes:
        why: One line.
    """

    why: str


@dataclass(frozen=True, slots=True)
class Heard:
    """A message of a station.

    Attributes:
        topic: Its topic, taken apart.
        message: What it says.
    """

    topic: Topic
    message: Status | Live | Cue | Result


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A message that could not be read.

    Attributes:
        topic: Its topic, taken apart.
        why: One line.
    """

    topic: Topic
    why: str


Told = BrokerThere | BrokerAway | Heard | Unreadable


class CommandLost(BusError):  # noqa: N818 - it is an event, as BrokerLost is
    """A command could not be sent, or nobody answered it; the text says which."""


class Subscriber:
    """Hears the stations of a shop, and asks them.

    Args:
        settings: The broker.
        shop: Hear this shop alone; None for all that the broker lets us see.

    Raises:
        TopicError: If the shop's name cannot stand in a topic.
    """

    def __init__(self, settings: BrokerSettings, shop: str | None = None) -> None:
        self._settings = settings
        self._me = f"board-{secrets.token_hex(4)}"
        self._filters = [(one, QOS[Kind(one.rsplit("/", 1)[1])]) for one in board_filters(shop)]
        status = self._filters[0][0]
        answers = status.removesuffix(Kind.STATUS) + f"{Kind.ANSWER}/{self._me}"
        self._filters.insert(0, (answers, 1))
        self._connection: Connection | None = None
        self._asked: dict[bytes, asyncio.Future[Answer]] = {}

    async def told(self) -> AsyncGenerator[Told]:
        """All that is heard, and whether the broker is there; goes on for ever.

        Raises:
            SettingsError: If a file or variable that the settings name cannot be used.
        """
        pause = FIRST_PAUSE_S
        while True:
            began = time.monotonic()
            try:
                async with connect(self._settings, f"shimwright-{self._me}") as connection:
                    for one, qos in self._filters:
                        await connection.listen(one, qos)
                    self._connection = connection
                    yield BrokerThere()
                    async for incoming in connection.messages():
                        if (heard := self._read(incoming)) is not None:
                            yield heard
                        for more in _waiting(connection):
                            if (heard := self._read(more)) is not None:
                                yield heard
            except (BrokerLost, NotAllowed) as error:
                why = str(error)
            else:
                why = f"the broker at {self._settings.place}: the connection ended"
            finally:
                self._connection = None
                self._nobody_answers()
            yield BrokerAway(why)
            if time.monotonic() - began >= STEADY_S:
                pause = FIRST_PAUSE_S
            await asyncio.sleep(pause)
            pause = min(2 * pause, MOST_PAUSE_S)

    async def request(
        self, shop: str, station: str, command: Command, *, timeout_s: float = ANSWER_S
    ) -> Answer:
        """Ask a station, and wait for its answer. Only while ``told`` is being read.

        Args:
            shop: The shop's name.
            station: The station's name.
            command: What it is to do.
            timeout_s: How long to wait, seconds.

        Raises:
            CommandLost: If the broker is away, forbids it, or no answer came.
            TopicError: If a name cannot stand in a topic.
        """
        topics = StationTopics(shop, station)
        connection = self._connection
        if connection is None:
            raise CommandLost("nothing was sent: the broker is away")
        if len(self._asked) >= MOST_ASKED:
            raise CommandLost(f"nothing was sent: {len(self._asked)} commands wait for answers already")
        correlation = secrets.token_bytes(12)
        waits = self._asked[correlation] = asyncio.get_running_loop().create_future()
        try:
            async with asyncio.timeout(timeout_s):
                await connection.put(
                    topics.command,
                    encode(command),
                    qos=QOS[Kind.COMMAND],
                    response_topic=topics.answer(self._me),
                    correlation=correlation,
                )
                answer: Answer = await waits
        except TimeoutError:
            why = f"no answer from {station} within {timeout_s:g} s: look there whether it was done"
            raise CommandLost(why) from None
        except (BrokerLost, NotAllowed) as error:
            raise CommandLost(str(error)) from error
        finally:
            self._asked.pop(correlation, None)
            if waits.done() and not waits.cancelled():
                waits.exception()  # taken note of, should the sending have failed first
        return answer

    def _read(self, incoming: Incoming) -> Heard | Unreadable | None:
        try:
            topic = parse_topic(incoming.topic)
        except TopicError:
            return None
        try:
            if topic.kind is Kind.ANSWER:
                self._answered(incoming)
                return None
            if not incoming.payload:  # a kept message was taken away
                return None
            return Heard(topic, decode(incoming.payload, MESSAGES[topic.kind]))
        except PayloadError as error:
            return Unreadable(topic, str(error))

    def _answered(self, incoming: Incoming) -> None:
        waits = self._asked.get(incoming.correlation or b"")
        if waits is not None and not waits.done():
            waits.set_result(decode(incoming.payload, Answer))

    def _nobody_answers(self) -> None:
        for waits in self._asked.values():
            if not waits.done():
                waits.set_exception(CommandLost("the broker went away: look at the station if it was done"))


def _waiting(connection: Connection) -> Iterator[Incoming]:
    """What has come already, taken at once.

    The library's iterator takes some three turns of the event loop for each message, while one comes in each
    turn: under load its queue would be full, and what is over would be dropped, results too.
    """
    queue = connection._client._queue  # noqa: SLF001 - the library has no other way to it
    while not queue.empty():
        message = queue.get_nowait()
        properties, payload = message.properties, message.payload
        yield Incoming(
            topic=str(message.topic),
            payload=bytes(payload) if isinstance(payload, bytes | bytearray) else b"",
            retained=bool(message.retain),
            response_topic=getattr(properties, "ResponseTopic", None),
            correlation=getattr(properties, "CorrelationData", None),
        )
