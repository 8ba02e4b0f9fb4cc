"""Watches one gauge while it is connected: when a measurement begins, when it ends, when the next may begin.

Pure, like the session inside it: time is whatever the chunks and ticks say. While the hub is still, only the
readings of the last few seconds are held. They go in front of the measurement that begins next, so that the
first rest against a stop is in it, and hours of stillness are in no trace.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from capture.decoder import Decoded, Decoder
from capture.described import Described
from capture.end_play import Refusal
from capture.readings import Chunk, Overrun, Reading, Tick, UnitChanged
from capture.refusals import ReasonCode
from capture.session import Abandon, Arm, Ended, Event, Finish, Session, StrokeSeen

PRE_ROLL_S = 3.0
"""Readings of so many seconds before the hub moved belong to the measurement."""

MOST_PRE_ROLL = 1000
"""But never more than so many readings."""

STILL_S = 2.0
"""After a result the hub has to be still for so long before the next measurement may begin."""

FORGET_S = 5.0
"""A movement without strokes, then so long still, was somebody at the gauge, and no measurement."""

LEAST_STROKES = 2
"""With so many strokes it was a measurement, whatever comes of it; one may be the gauge being set up."""

COARSEST_MM = 0.0127
"""Until smaller steps are seen an indicator may step by half a thousandth of an inch, the coarsest usual."""

LEAST_MOVE_MM = 0.006
"""Less than this is a hand's or a floor's tremble: hubs with less end play are not measured (0.008 mm)."""

MOVED_READINGS = 2
"""So many readings in a row away from where the hub rested are a movement; one alone may be a bad reading."""

_FOLLOW = 0.05
"""Share of a reading's distance by which the resting place follows slow creep."""

_NOTHING_DONE = {
    ReasonCode.NO_MOVEMENT,
    ReasonCode.ONE_WAY,
    ReasonCode.KNOCKS,
    ReasonCode.TOO_FEW_READINGS,
    ReasonCode.UNIT_CHANGED,
}
"""Without strokes these are no measurement that was refused, but none at all."""


class Phase(StrEnum):
    """What is waited for."""

    WAITING = "waiting for strokes"
    MEASURING = "measuring"
    SETTLING = "waiting for the hub to be still"


@dataclass(frozen=True, slots=True)
class Armed:
    """The hub is still: a measurement begins with the next stroke."""

    at: float


@dataclass(frozen=True, slots=True)
class Began:
    """The hub moved: a measurement begins."""

    at: float


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What began was no measurement, and is not kept; ``why`` says what was seen instead of strokes."""

    at: float
    why: str


WatchEvent = Event | Decoded | Armed | Began | Forgotten


class Rest:
    """Where the hub rests, and since when.

    Attributes:
        since: Time of the last movement, monotonic seconds; of the first reading if it never moved.

    Args:
        resolution_mm: The indicator's step, millimetres; None to learn it from the readings.
    """

    def __init__(self, resolution_mm: float | None = None) -> None:
        self.since = math.nan
        self._step_mm = resolution_mm or COARSEST_MM
        self._learns = resolution_mm is None
        self._near_mm = max(LEAST_MOVE_MM, 1.5 * self._step_mm)
        self._place_mm = self._last_mm = math.nan
        self._away = 0

    def moves(self, value_mm: float, at: float) -> bool:
        """Take a reading, in millimetres at monotonic seconds, and say whether the hub moves."""
        if value_mm != self._last_mm:
            if self._learns:
                self._learn(abs(value_mm - self._last_mm))
            self._last_mm = value_mm
        off = value_mm - self._place_mm
        if -self._near_mm <= off <= self._near_mm:
            self._place_mm += _FOLLOW * off
            self._away = 0
            return False
        self._away += 1
        if self._away < MOVED_READINGS and not math.isnan(off):
            return False
        self._place_mm, self.since, self._away = value_mm, at, 0
        return not math.isnan(off)

    def _learn(self, jump_mm: float) -> None:
        if jump_mm < self._step_mm:
            self._step_mm = jump_mm
            self._near_mm = max(LEAST_MOVE_MM, 1.5 * jump_mm)


class Watch:
    """One gauge while it is connected.

    Attributes:
        phase: What is waited for.
        held: Whether no measurement may begin, because it is not known which corner it would be of.

    Args:
        session: Fresh; its goal's time limit is that of a measurement whose strokes began.
    """

    def __init__(self, session: Session) -> None:
        self.phase = Phase.SETTLING
        self.held = False
        self._session = session
        self._single = session.gauge.single
        self._begin_again()
        self._still_s = 0.0  # when listening begins nothing was measured yet, and nothing is to be waited for

    def feed(self, item: Chunk | Tick | Overrun | Described | Finish | Abandon | Arm) -> list[WatchEvent]:
        """Take what came, and give the events it causes, in order.

        Args:
            item: Bytes, the passing of time, a loss of bytes, what the gauge says of itself or a command.
                Times never go back. Finish and Abandon end the measurement that is going on, if there is
                one; Arm throws it away.
        """
        match item:
            case Tick(at=at):
                return self._pass_time(at)
            case Arm(at=at):
                return self._arm(at)
            case Finish() | Abandon():
                return self._told(self._session.feed(item)) if self.phase is Phase.MEASURING else []
        if self.phase is Phase.WAITING:
            return self._feed_waiting(item)
        events = self._told(self._session.feed(Tick(item.at))) if self.phase is Phase.MEASURING else []
        for decoded in self._session.decoder.feed(item):
            events += self._hear(decoded)
        return events

    @property
    def decoder(self) -> Decoder:
        """The session's decoder."""
        return self._session.decoder

    @property
    def held_readings(self) -> int:
        """How many readings are held for a measurement that may begin."""
        return len(self._before)

    def _begin_again(self) -> None:
        self._session.feed(Arm(0.0))
        self._before: deque[Reading] = deque(maxlen=MOST_PRE_ROLL)
        self._rest = Rest(self._session.gauge.resolution_mm)
        self._strokes = 0
        self._still_s = STILL_S

    def _feed_waiting(self, item: Chunk | Overrun | Described) -> list[WatchEvent]:
        """Most gauges wait most of the time, so this is short."""
        decoded = self._session.decoder.feed(item)
        for number, one in enumerate(decoded):
            if type(one) is Reading and not self._starts(one):
                continue
            # the rest in the long way, as a measurement may begin or the unit change
            events: list[WatchEvent] = [*decoded[:number]]
            if type(one) is Reading:
                events += [one, *self._start(one.at)]
            else:
                events += self._hear(one)
            for later in decoded[number + 1 :]:
                events += self._hear(later)
            return events
        return [*decoded]

    def _starts(self, reading: Reading) -> bool:
        """Hold a reading; whether a measurement begins with it."""
        at, before = reading.at, self._before
        before.append(reading)
        while at - before[0].at > PRE_ROLL_S:
            before.popleft()
        moves = self._rest.moves(reading.value_mm, at)
        if self._single:
            moves, self._rest.since = True, at  # each press of a button ends a stroke
        return moves and not self.held

    def _start(self, at: float) -> list[WatchEvent]:
        """Begin a measurement with the readings that were held."""
        self.phase = Phase.MEASURING
        events: list[WatchEvent] = [Began(at)]
        for held in tuple(self._before):
            # they were told of when they came
            events += self._told([e for e in self._session.hear(held) if not isinstance(e, Reading)])
        self._before.clear()
        return events

    def _hear(self, decoded: Decoded) -> list[WatchEvent]:
        if self.phase is Phase.MEASURING:
            if isinstance(decoded, Reading):
                self._rest.moves(decoded.value_mm, decoded.at)
            events = self._told(self._session.hear(decoded))
            return events + self._forget_if_still(decoded.at)
        if isinstance(decoded, UnitChanged):
            self._before.clear()
            self._rest = Rest(self._session.gauge.resolution_mm)
        if not isinstance(decoded, Reading):
            return [decoded]
        return self._wait(decoded)

    def _wait(self, reading: Reading) -> list[WatchEvent]:
        starts = self._starts(reading)
        events: list[WatchEvent] = [reading]
        if self.phase is Phase.SETTLING:
            events += self._settle(reading.at)
        if starts and self.phase is Phase.WAITING:
            events += self._start(reading.at)
        return events

    def _settle(self, at: float) -> list[WatchEvent]:
        """Arm again once the hub was still for long enough."""
        if not at - self._rest.since >= self._still_s:
            return []
        self.phase = Phase.WAITING
        return [Armed(at)]

    def _pass_time(self, at: float) -> list[WatchEvent]:
        if self.phase is Phase.SETTLING:
            return self._settle(at)
        if self.phase is Phase.WAITING:
            return []
        return self._told(self._session.feed(Tick(at))) + self._forget_if_still(at)

    def _told(self, events: list[Event]) -> list[WatchEvent]:
        """Hand on what the session says; its end is the end of the measurement."""
        told: list[WatchEvent] = []
        for event in events:
            if isinstance(event, StrokeSeen) and event.height_mm >= LEAST_MOVE_MM:
                self._strokes += 1
            if isinstance(event, Ended):
                told.append(self._end(event))
            else:
                told.append(event)
        return told

    def _end(self, ended: Ended) -> WatchEvent:
        strokes, outcome = self._strokes, ended.outcome
        self.phase = Phase.SETTLING
        self._begin_again()
        self._rest.since = ended.at
        if strokes < LEAST_STROKES and isinstance(outcome, Refusal):
            main = outcome.reasons[0]
            pressed_once = self._single and main.code is not ReasonCode.STOPPED
            if main.code in _NOTHING_DONE or pressed_once:
                return Forgotten(ended.at, main.text)
        return ended

    def _forget_if_still(self, at: float) -> list[WatchEvent]:
        if self.phase is not Phase.MEASURING or self._strokes >= LEAST_STROKES:
            return []
        if self._single:  # between two presses nothing comes; the measurement's time limit serves
            return []
        if at - self._rest.since < FORGET_S:
            return []
        return [Forgotten(at, "the hub moved, but was not pushed and pulled"), *self._arm(at)]

    def _arm(self, at: float) -> list[WatchEvent]:
        self._begin_again()
        self.phase = Phase.WAITING
        return [Armed(at)]
