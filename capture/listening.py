"""Listens to many gauges for months: each has its own task, link, watch and way back after its link was lost.

Nothing is worked out here, and nothing is kept here: a measurement that is over goes to ``keep``, and what
happens to ``tell``. Both are called in the loop's own thread and must not block.
"""

from __future__ import annotations

import asyncio
import random
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from calc.hub import Hub
from calc.units import Unit
from capture.decoder import Decoder
from capture.described import Described
from capture.errors import LinkError
from capture.links import Link, open_link
from capture.links.base import PATIENCE_S
from capture.profiles import BUILT_IN, Profile, SerialSettings
from capture.readings import Reading
from capture.session import Abandon, Arm, Ended, Finish, Goal, Session
from capture.watch import Watch, WatchEvent

FIRST_PAUSE_S = 0.2
MOST_PAUSE_S = 5.0
"""A lost link is tried again after the first pause, then after twice as long, up to the last: a gauge that is
plugged in again is heard within seconds, and one that is gone for the night costs next to nothing."""

LEAVE_S = 0.8
"""Stopping waits for links that do not close for no longer than this, seconds."""

MOST_TRACEBACK = 2000
"""Letters kept of where a fault happened, from its end."""


@dataclass(frozen=True, slots=True)
class Setup:
    """One gauge, ready to be listened to. Two that are equal need no restart.

    Attributes:
        name: What people call it.
        link: URL that its readings come over.
        profile: How it speaks.
        hub: What it measures.
        unit: Unit of readings that do not say theirs; None to take the profile's.
        corner: Where it is; None if a command is to say so.
        timeout_s: How long a measurement may take once its strokes began, seconds.
    """

    name: str
    link: str
    profile: Profile
    hub: Hub
    unit: Unit | None
    corner: str | None
    timeout_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """A measurement that is over.

    Attributes:
        setup: The gauge it was made with.
        profile: How its bytes were read: the setup's profile, or what the gauge said of itself.
        corner: Of which corner it is.
        ended: What came out, and the trace.
        unfinished: Whether it was broken off from outside.
        simulated: Whether the readings are made up.
    """

    setup: Setup
    profile: Profile
    corner: str
    ended: Ended
    unfinished: bool
    simulated: bool


class State(StrEnum):
    """How a gauge is."""

    OPENING = "being opened"
    CONNECTED = "connected"
    LOST = "not connected"
    OVER = "at its end"


@dataclass(frozen=True, slots=True)
class Connected:
    """The link is open. ``tries`` were needed, and there is a corner to measure, or ``corner`` is None."""

    tries: int
    corner: str | None


@dataclass(frozen=True, slots=True)
class Lost:
    """The link could not be opened, or broke.

    Attributes:
        why: One line for a person.
        tries: How often in a row it was tried without a byte coming.
        pause_s: When it is tried again.
    """

    why: str
    tries: int
    pause_s: float


@dataclass(frozen=True, slots=True)
class Over:
    """The source has come to its end, such as a replayed file; it is not opened again."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Bytes come and no number is among them; ``text`` says what may be set wrong."""

    text: str


@dataclass(frozen=True, slots=True)
class Fault:
    """A mistake of the program; ``text`` is for whoever mends it. The gauge is opened again."""

    text: str


@dataclass(frozen=True, slots=True)
class CornerSet:
    """From now on the gauge measures this corner."""

    corner: str


ListenEvent = WatchEvent | Connected | Lost | Over | Trouble | Fault | CornerSet
Tell = Callable[[str, ListenEvent], None]
Keep = Callable[[Outcome], None]
Open = Callable[[str, SerialSettings], Link]


def open_usual(url: str, settings: SerialSettings) -> Link:
    """Make the link of a URL."""
    return open_link(url, profile_settings=settings)


def pause_s(tries: int, spread: float = 0.0) -> float:
    """How long to wait before a link is tried again, seconds.

    >>> [pause_s(tries) for tries in (1, 2, 3, 6, 100)]
    [0.2, 0.4, 0.8, 5.0, 5.0]

    Args:
        tries: How often in a row it failed, 1 or more.
        spread: 0 to 1: up to a fifth more, so that many gauges do not come back all at one moment.
    """
    usual = min(MOST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(tries - 1, 16))
    return usual * (1.0 + 0.2 * spread)


class Listener:
    """Listens to one gauge until it is stopped, whatever happens to its link.

    Attributes:
        setup: The gauge.
        corner: Of which corner the next result is; None: none is measured.
        state: How it is.
        held: Whether nothing is measured until it is armed or its corner is set.

    Args:
        setup: The gauge.
        keep: Takes each measurement that is over.
        tell: Takes the gauge's name and each event.
        make: Makes the link.
    """

    def __init__(self, setup: Setup, keep: Keep, tell: Tell, make: Open = open_usual) -> None:
        self.setup = setup
        self.corner = setup.corner
        self.state = State.OPENING
        self.held = False
        self._keep = keep
        self._hear = tell
        self._make = make
        self._watch: Watch | None = None
        self._at = 0.0
        self._simulated = False
        self._profile = setup.profile
        self._tries = 0

    async def run(self) -> None:
        """Open the gauge's link, listen, and begin again when it breaks; ends with the source."""
        while True:
            self.state = State.OPENING
            try:
                await self._listen()
            except LinkError as error:
                why = str(error)
            except Exception as error:  # noqa: BLE001 - one gauge's fault must not end the others
                why = f"a fault in the program ({type(error).__name__})"
                self._tell(Fault("".join(traceback.format_exception(error))[-MOST_TRACEBACK:]))
            else:
                self.state = State.OVER
                self._tell(Over())
                return
            self.state = State.LOST
            self._tries += 1
            pause = pause_s(self._tries, random.random())
            self._tell(Lost(why, self._tries, pause))
            await asyncio.sleep(pause)

    @property
    def simulated(self) -> bool:
        """Whether its readings are made up, as far as its link knows."""
        return self._simulated

    def set_corner(self, corner: str) -> None:
        """Say of which corner the next result is; also of a measurement that is going on."""
        self.corner = corner
        self._hold(on=False)
        self._tell(CornerSet(corner))

    def finish(self) -> None:
        """End the measurement that is going on with what there is."""
        self._feed(Finish(self._at))

    def arm(self) -> None:
        """Throw away the measurement that is going on; the next begins with the next stroke."""
        self._hold(on=False)
        self._feed(Arm(self._at))

    def hold(self) -> None:
        """Throw away the measurement that is going on; none begins until ``arm`` or ``set_corner``."""
        self._hold(on=True)
        self._feed(Arm(self._at))

    def _hold(self, *, on: bool) -> None:
        self.held = on
        if self._watch is not None:
            self._watch.held = on or self.corner is None

    async def _listen(self) -> None:
        """One connection, from its opening to its end."""
        setup = self.setup
        link = self._make(setup.link, setup.profile.settings)
        profile = (
            setup.profile if link.profile is None else BUILT_IN[link.profile]
        )  # a replayed trace is lines
        decoder = Decoder(profile, setup.unit, joined_midway=link.joined_midway)
        goal = Goal(limits=setup.hub.limits, timeout_s=setup.timeout_s, unit=setup.hub.unit)
        watch = Watch(Session(decoder, goal, setup.profile.gauge))
        watch.held = self.held or self.corner is None
        self._simulated, self._profile = link.simulated, setup.profile
        async with link:
            self.state = State.CONNECTED
            self._tell(Connected(self._tries + 1, self.corner))
            self._watch = watch
            try:
                await self._hear_out(link, watch)
            except BaseException as error:
                why = "the link was lost" if isinstance(error, LinkError) else "listening was stopped"
                self._feed(Abandon(self._at, why), unfinished=True)
                raise
            finally:
                self._watch = None

    async def _hear_out(self, link: Link, watch: Watch) -> None:
        decoder, doubt = watch.decoder, True
        hear, name = self._hear, self.setup.name
        while True:
            item = await link.receive(PATIENCE_S)
            if item is None:
                self._feed(Finish(self._at))
                return
            self._at = item.at
            for event in watch.feed(item):
                if type(event) is Reading:  # by far the most
                    hear(name, event)
                else:
                    self._take(event)
            if doubt:
                if decoder.good:
                    doubt, self._tries = False, 0
                    continue
                trouble = decoder.looks_wrong(item.at)
                if trouble is not None:
                    doubt, self._tries = False, 0
                    self._tell(Trouble(trouble))

    def _feed(self, command: Finish | Abandon | Arm, *, unfinished: bool = False) -> None:
        if self._watch is not None:
            for event in self._watch.feed(command):
                self._take(event, unfinished=unfinished)

    def _take(self, event: WatchEvent, *, unfinished: bool = False) -> None:
        if isinstance(event, Described) and event.profile is not None:
            self._profile = replace(event.profile, gauge=self.setup.profile.gauge)
        if isinstance(event, Ended) and self.corner is not None:
            outcome = Outcome(self.setup, self._profile, self.corner, event, unfinished, self._simulated)
            self._keep(outcome)
        self._tell(event)

    def _tell(self, event: ListenEvent) -> None:
        self._hear(self.setup.name, event)


class Listening:
    """All gauges of a station.

    Attributes:
        listeners: By the gauge's name.
        over: Set once no gauge is listened to any more because every source came to its end.

    Args:
        keep: Takes each measurement that is over.
        tell: Takes the gauge's name and each event.
        make: Makes the links.
    """

    def __init__(self, keep: Keep, tell: Tell, make: Open = open_usual) -> None:
        self.listeners: dict[str, Listener] = {}
        self.over = asyncio.Event()
        self._keep, self._tell, self._make = keep, tell, make
        self._tasks: dict[str, asyncio.Task[None]] = {}

    async def listen_to(self, setups: Iterable[Setup]) -> tuple[list[str], list[str]]:
        """Listen to these gauges and no others; those that are listened to already, just so, are left alone.

        Args:
            setups: With names of their own.

        Returns:
            The names of gauges that are stopped, and of those that are started; one that changed is both.
        """
        wanted = {setup.name: setup for setup in setups}
        stopped = [name for name, one in self.listeners.items() if wanted.get(name) != one.setup]
        await self._stop(stopped)
        started = [name for name in wanted if name not in self.listeners]
        for name in started:
            one = self.listeners[name] = Listener(wanted[name], self._keep, self._tell, self._make)
            task = self._tasks[name] = asyncio.create_task(one.run(), name=f"listens to {name}")
            task.add_done_callback(lambda _: self._look_whether_over())
        self._look_whether_over()
        return stopped, started

    async def stop(self) -> None:
        """Stop listening; what was being measured is kept as unfinished."""
        await self._stop(list(self.listeners))

    def states(self) -> dict[State, int]:
        """How many gauges there are in each state."""
        count = dict.fromkeys(State, 0)
        for one in self.listeners.values():
            count[one.state] += 1
        return count

    async def _stop(self, names: list[str]) -> None:
        tasks = [self._tasks.pop(name) for name in names]
        for name in names:
            del self.listeners[name]
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks, timeout=LEAVE_S)

    def _look_whether_over(self) -> None:
        if self._tasks and all(task.done() for task in self._tasks.values()):
            self.over.set()
        else:
            self.over.clear()
