"""A station's voice on MQTT: status, live readings, cues and results, through whatever happens to the broker.

Nothing here can hold up a measurement. Results wait in the log; live readings and cues of a time when the
broker is away are dropped, as nobody would want them later.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
import traceback
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, Protocol

import msgspec

from bus.commands import Asked, Intake
from bus.connection import Connection, Will, connect
from bus.errors import BrokerLost, BusError, NotAllowed, SettingsError
from bus.outbox import Letter, Outbox
from bus.payloads import OFFLINE, Cue, Live, Status, encode
from bus.settings import BrokerSettings
from bus.topics import QOS, RETAINED, Kind, StationTopics

LIVE_EVERY_S = 0.05
"""Least time between two live messages of a gauge, seconds: at most 20 a second."""

STATUS_EVERY_S = 0.1
"""Least time between two status messages, seconds."""

REFRESH_S = 10.0
"""A status is told anew so often, seconds, so that the time a gauge was last heard stays true."""

FIRST_PAUSE_S, MOST_PAUSE_S = 0.5, 5.0
"""Pause before the broker is tried again, seconds, doubled each time up to the second."""

THROWN_OUT_S = 30.0
"""The same where it let us in and threw us out within this, seconds: as a rule another has our name."""

MOST_CUES = 64
"""Cues that may wait for a broker that is slow."""

MOST_TRACEBACK = 2000
"""Letters kept of where a fault happened, from its end."""

SAY_AGAIN_S = 3600.0
"""A broker that stays away for the same reason is told of so often, seconds."""


class Say(Protocol):
    """Says what happens to the journal."""

    def __call__(self, event: str, text: str, *, level: str = ...) -> None:
        """Say one thing."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where the publisher gets what it tells.

    Attributes:
        status: The station's status now.
        live: The newest of a gauge, and its corner; None if there is nothing to tell.
        away: Called when live readings are not sent: what was gathered of them is to be forgotten.
    """

    status: Callable[[], Status]
    live: Callable[[str], tuple[str, Live] | None]
    away: Callable[[], None] = lambda: None


class Publisher:
    """Keeps a station on the bus.

    Attributes:
        connected: Whether the broker is there.

    Args:
        settings: The broker.
        topics: The station's.
        source: What is to be told.
        outbox: The results that wait.
        intake: Takes the commands.
        say: Tells what happens.
    """

    def __init__(
        self,
        *,
        settings: BrokerSettings,
        topics: StationTopics,
        source: Source,
        outbox: Outbox,
        intake: Intake,
        say: Say,
    ) -> None:
        self.connected = False
        self._settings = settings
        self._topics = topics
        self._source = source
        self._outbox = outbox
        self._intake = intake
        self._say = say
        self._cues: asyncio.Queue[tuple[str, Cue]] = asyncio.Queue(MOST_CUES)
        self._live_due: dict[str, float] = {}
        self._live_sent: dict[str, float] = {}
        self._live_waits = asyncio.Event()
        self._status_waits = asyncio.Event()
        self._ending = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._told, self._told_at = "", 0.0
        self._cue_forbidden = False

    def start(self) -> None:
        """Begin; returns at once."""
        self._task = asyncio.create_task(self._run(), name="publishes")

    async def close(self, patience_s: float) -> None:
        """Send what waits, say that the station goes, and leave.

        Args:
            patience_s: How long that may take, seconds. What was not sent by then stays in the log.
        """
        task, self._task = self._task, None
        if task is None:
            return
        end = time.monotonic() + patience_s
        if self.connected:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(patience_s * 0.6):
                    self._outbox.look()
                    await self._outbox.until_empty()
        self._ending.set()
        await asyncio.wait([task], timeout=max(0.05, end - time.monotonic()))
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    def live_waits(self, gauge: str) -> bool:
        """A gauge has a new reading; says whether it will be told, else it is dropped."""
        if not self.connected:
            return False
        if gauge not in self._live_due:
            self._live_due[gauge] = self._live_sent.get(gauge, 0.0) + LIVE_EVERY_S
            self._live_waits.set()
        return True

    def status_changed(self) -> None:
        """The station's status is another."""
        self._status_waits.set()

    def cue(self, corner: str, cue: Cue) -> None:
        """Tell a cue; with the broker away it is dropped."""
        if not self.connected:
            return
        if self._cues.full():
            self._cues.get_nowait()
            self._say("cues-dropped", "the broker is slow: a cue was dropped", level="warning")
        self._cues.put_nowait((corner, cue))

    def result_waits(self) -> None:
        """A measurement is in the log."""
        self._outbox.look()

    async def _run(self) -> None:
        tries = 0
        for warning in await asyncio.get_running_loop().run_in_executor(None, self._settings.warnings):
            self._say("broker-warning", warning, level="warning")
        while not self._ending.is_set():
            began = time.monotonic()
            try:
                await self._be_connected()
            except (BrokerLost, NotAllowed, SettingsError) as error:
                lost: BusError = error
            except Exception as error:  # noqa: BLE001 - a mistake here must not leave the station without a voice
                self._say("fault", f"a fault in the program: {_traced(error)}", level="error")
                lost = BrokerLost(f"a fault in the program ({type(error).__name__})")
            else:
                return
            lasted = time.monotonic() - began > THROWN_OUT_S
            most = THROWN_OUT_S if self.connected and not lasted else MOST_PAUSE_S
            tries = 1 if lasted else tries + 1
            self.connected = False
            self._source.away()
            self._tell_lost(lost)
            pause = min(most, FIRST_PAUSE_S * 2.0 ** min(tries - 1, 16)) * (1 + 0.2 * random.random())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause):
                    await self._ending.wait()

    async def _be_connected(self) -> None:
        """One connection, from its opening to our leaving; anything else raises."""
        will = Will(self._topics.status, encode(OFFLINE))
        name = f"{self._topics.shop}-{self._topics.station}"
        async with connect(self._settings, name, will) as connection:
            try:
                await connection.listen(self._topics.command)
            except NotAllowed as error:
                self._say("broker-rules", f"{error}; no commands come", level="warning")
            while not self._cues.empty():
                self._cues.get_nowait()
            first = self._source.status()
            await self._put(connection, self._topics.status, Kind.STATUS, encode(first))
            self.connected = True
            self._told = ""
            self._say("broker", f"connected to the broker at {self._settings.place}")
            await _until_one_ends(
                self._ending.wait(),
                self._send_status(connection, first),
                self._send_live(connection),
                self._send_cues(connection),
                self._outbox.send(lambda letter: self._put_result(connection, letter)),
                self._intake.listen(connection.messages(), lambda asked: self._answer(connection, asked)),
            )
            self.connected = False
            if not self._ending.is_set():
                raise BrokerLost(f"the broker at {self._settings.place}: nothing more came from it")
            await connection.put(self._topics.status, encode(OFFLINE), qos=1, retain=True)

    async def _send_status(self, connection: Connection, told: Status) -> None:
        while True:
            self._status_waits.clear()
            now = self._source.status()
            if msgspec.structs.replace(now, at=told.at) != told:
                told = now
                await self._put(connection, self._topics.status, Kind.STATUS, encode(now))
                await asyncio.sleep(STATUS_EVERY_S)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(REFRESH_S):
                    await self._status_waits.wait()

    async def _send_live(self, connection: Connection) -> None:
        self._live_due.clear()
        while True:
            self._live_waits.clear()
            now = time.monotonic()
            for gauge in [name for name, due in self._live_due.items() if due <= now]:
                del self._live_due[gauge]
                found = self._source.live(gauge)
                if found is not None:
                    self._live_sent[gauge] = now
                    corner, live = found
                    await self._put(connection, self._topics.live(corner), Kind.LIVE, encode(live))
            pause = min(self._live_due.values(), default=now + REFRESH_S) - time.monotonic()
            if pause > 0:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(pause):
                        await self._live_waits.wait()

    async def _send_cues(self, connection: Connection) -> None:
        while True:
            corner, cue = await self._cues.get()
            try:
                await self._put(connection, self._topics.cue(corner), Kind.CUE, encode(cue))
            except NotAllowed as error:
                if not self._cue_forbidden:
                    self._say("broker-rules", f"{error}; cues are not heard elsewhere", level="warning")
                self._cue_forbidden = True

    async def _put_result(self, connection: Connection, letter: Letter) -> None:
        await self._put(connection, self._topics.result(letter.corner), Kind.RESULT, letter.payload)

    async def _answer(self, connection: Connection, asked: Asked) -> None:
        """Answer who asked; an answer that the rules forbid is told of, and harms nothing else."""
        if asked.response_topic is None or asked.answer is None:
            return
        try:
            await connection.put(
                asked.response_topic,
                encode(asked.answer),
                qos=QOS[Kind.ANSWER],
                correlation=asked.correlation,
            )
        except NotAllowed as error:
            self._say("command", str(error), level="warning")

    async def _put(self, connection: Connection, topic: str, kind: Kind, payload: bytes) -> None:
        await connection.put(topic, payload, qos=QOS[kind], retain=kind in RETAINED)

    def _tell_lost(self, lost: BusError) -> None:
        why, now = str(lost), time.monotonic()
        if why == self._told and now - self._told_at < SAY_AGAIN_S:
            return
        self._told, self._told_at = why, now
        text = f"{why}; measuring goes on, results wait in the log, and it is tried again"
        self._say("broker-lost", text, level="warning")


def _traced(error: Exception) -> str:
    return "".join(traceback.format_exception(error))[-MOST_TRACEBACK:]


async def _until_one_ends(*work: Coroutine[Any, Any, Any]) -> None:
    """Do all at once until one of them ends or raises; the others are cancelled."""
    tasks = [asyncio.ensure_future(one) for one in work]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
