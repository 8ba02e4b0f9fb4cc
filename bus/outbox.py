"""The outbox: measurements in the log that no broker has acknowledged yet; sent in order, marked singly."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import NamedTuple, Protocol, TypeVar

from bus.errors import NotAllowed
from joblog.errors import LogError
from joblog.records import Measurement
from joblog.store import Store, Unsent

BATCH = 16
"""Measurements that are taken out of the log at once: memory stays bounded however many wait."""

MOST_COUNTED = 1000
"""More that wait are not counted."""

LOOK_AGAIN_S = 10.0
"""Another program may have put a measurement into the log: it is looked for so often, seconds."""

_T = TypeVar("_T")


class WithStore(Protocol):
    """Does something with the open log in the log's own thread."""

    def __call__(self, work: Callable[[Store], _T]) -> Awaitable[_T]:
        """Do ``work``."""


class Letter(NamedTuple):
    """A result that is ready to go.

    Attributes:
        seq: Its place in the outbox.
        measurement_id: UUID.
        corner: LF, RF, LR or RR.
        payload: The message.
    """

    seq: int
    measurement_id: str
    corner: str
    payload: bytes


class Outbox:
    """Sends what waits.

    Attributes:
        unsent: How many wait, as far as it looked; counted to a thousand and a few.

    Args:
        with_store: Reaches the log.
        encode: Makes the message of a measurement.
        say: Is told, with the kind of event and one line, what cannot be sent.
    """

    def __init__(
        self,
        with_store: WithStore,
        encode: Callable[[Measurement], bytes],
        say: Callable[[str, str], None],
    ) -> None:
        self.unsent = 0
        self._with_store = with_store
        self._encode = encode
        self._say = say
        self._waits = asyncio.Event()
        self._waits.set()
        self._empty = asyncio.Event()
        self._broken: set[int] = set()
        self._sent_last = 0
        self._told = ""

    def look(self) -> None:
        """There is something new in the log."""
        self._empty.clear()
        self._waits.set()

    async def until_empty(self) -> None:
        """Wait until all was sent; with the broker away that is for ever."""
        await self._empty.wait()

    async def send(self, put: Callable[[Letter], Awaitable[None]]) -> None:
        """Send what waits and what will wait, for as long as ``put`` can.

        Args:
            put: Sends one, and returns when the broker has acknowledged it.

        Raises:
            BrokerLost: From ``put``; nothing that was not acknowledged is marked.
        """
        while True:
            self._waits.clear()
            try:
                await self._send_all(put)
            except LogError as error:
                self._tell(f"the outbox cannot be read or marked: {error}; it is tried again")
            except NotAllowed as error:
                self._tell(f"{error}; results stay in the log, and it is tried again")
            else:
                self._told = ""
                if not self._waits.is_set():
                    self._empty.set()
            try:
                async with asyncio.timeout(LOOK_AGAIN_S):
                    await self._waits.wait()
            except TimeoutError:
                continue

    async def _send_all(self, put: Callable[[Letter], Awaitable[None]]) -> None:
        while letters := await self._with_store(self._take):
            self.unsent = len(letters)
            if len(letters) == BATCH:
                self.unsent = len(await self._with_store(lambda store: store.unsent(MOST_COUNTED)))
            for letter in letters:
                if letter.seq != self._sent_last:  # else it was sent, and could only not be marked
                    await put(letter)
                    self._sent_last = letter.seq
                seq = letter.seq
                await self._with_store(lambda store, seq=seq: store.mark_sent(seq))  # type: ignore[misc]
                self.unsent -= 1

    def _take(self, store: Store) -> list[Letter]:
        """The next letters; runs in the log's thread."""
        letters: list[Letter] = []
        for one in store.unsent(BATCH + len(self._broken)):
            if one.seq in self._broken:
                continue
            try:
                measurement = store.get(one.measurement_id)
                letters.append(Letter(one.seq, measurement.id, measurement.corner, self._encode(measurement)))
            except LogError as error:
                self._set_aside(one, str(error))
            except Exception as error:  # noqa: BLE001 - one that cannot be told must not hold up the others
                self._set_aside(one, f"it cannot be made into a message ({type(error).__name__}: {error})")
            if len(letters) == BATCH:
                break
        return letters

    def _tell(self, text: str) -> None:
        if text != self._told:
            self._told = text
            self._say("outbox", text)

    def _set_aside(self, one: Unsent, why: str) -> None:
        """One that cannot be read stays unsent, and those behind it go on."""
        self._broken.add(one.seq)
        text = f"measurement {one.measurement_id[:8]} cannot be published and stays in the outbox: {why}"
        self._say("outbox", text)
