"""The whole pure pipeline behind one door: bytes, ticks and commands in, events out.

A session holds one measurement at a time. It looks at the strokes each time the hub has come to rest after a move, tells
of each new stroke, and ends the measurement by itself once the number is good enough. It knows no clock: time is whatever
the chunks and ticks say, so a replayed stream gives the same events as the live one, however it is cut.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

import numpy as np

from calc.limits import Limits
from calc.units import Unit, format_length
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.readings import (
    Chunk,
    Garbled,
    Gap,
    Gauge,
    Overrun,
    Reading,
    Tick,
    Trace,
    UnitChanged,
    UnitMissing,
    decimals_of,
)
from capture.refusals import Reason, ReasonCode, stopped, too_few_readings, unit_changed
from capture.stops import LEAST_STROKES

if TYPE_CHECKING:
    from capture.decoder import Decoded, Decoder

REST_S = 0.25
"""The hub counts as come to rest once the reading has kept its place for so long."""

LOOK_AGAIN_S = 2.0
"""While it never quite keeps its place the strokes are looked at this often."""

GAP_S = 0.5
GAP_PERIODS = 6.0
"""No reading for longer than both is a gap."""

MOST_READINGS = 120_000
"""A measurement longer than this (20 minutes at 100 a second) loses its oldest quarter, and says so."""

MOST_STROKES = 40
"""More strokes than this make no number better; the measurement ends with what it has."""

COARSE = 0.88
"""Expanded uncertainty of two readings over the resolution, a little rounded up: 1.96 / sqrt(6) = 0.80."""


@dataclass(frozen=True, slots=True)
class Goal:
    """When a measurement is good enough to end by itself.

    Attributes:
        limits: End play allowed; None if there are none to compare with, and then strokes alone count.
        fraction: The expanded uncertainty is to be at most this share of the limits' width, above 0.
        least_strokes: And at least so many full strokes have to agree, 4 or more.
        timeout_s: Time from the first chunk or tick after which it ends in any case; None for no end.
        unit: Unit of the texts.
    """

    limits: Limits | None = None
    fraction: float = 0.1
    least_strokes: int = 5
    timeout_s: float | None = None
    unit: Unit = Unit.MM

    def target_mm(self, resolution_mm: float) -> float:
        """Largest expanded uncertainty to end at, millimetres: never less than the resolution allows."""
        if self.limits is None:
            return math.inf
        wished = self.fraction * (self.limits.most_mm - self.limits.least_mm)
        return max(wished, COARSE * resolution_mm)


@dataclass(frozen=True, slots=True)
class Finish:
    """End the measurement now with what there is."""

    at: float


@dataclass(frozen=True, slots=True)
class Abandon:
    """Break the measurement off; the trace so far is given back with a refusal that says why."""

    at: float
    why: str = "the measurement was broken off"


@dataclass(frozen=True, slots=True)
class Arm:
    """Begin a new measurement; what came before is forgotten."""

    at: float


@dataclass(frozen=True, slots=True)
class StrokeSeen:
    """One more stroke.

    Attributes:
        at: Monotonic seconds.
        number: Counted from 1, full and half strokes apart.
        full: Whether it went from stop to stop.
        direction: "out" where the reading went up, "in" where it went down.
        height_mm: How far the reading moved.
    """

    at: float
    number: int
    full: bool
    direction: Literal["out", "in"]
    height_mm: float


@dataclass(frozen=True, slots=True)
class Progress:
    """The estimate after a stroke, and what keeps the measurement from ending; numbers are None while there is none."""

    at: float
    end_play_mm: float | None
    expanded_mm: float | None
    strokes: int
    half_strokes: int
    keeps: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The measurement is over. ``trace`` is what the outcome was found in: analysed again it gives the same numbers."""

    at: float
    outcome: EndPlay | Refusal
    trace: Trace


Command = Finish | Abandon | Arm
Event = Reading | Garbled | Gap | Overrun | UnitChanged | UnitMissing | StrokeSeen | Progress | Ended


class Session:
    """One gauge, one measurement at a time.

    Args:
        decoder: Turns the gauge's bytes into readings.
        goal: When to end.
        gauge: What is known of the indicator; by default what the decoder's profile says.
    """

    def __init__(self, decoder: Decoder, goal: Goal | None = None, gauge: Gauge | None = None) -> None:
        self.decoder = decoder
        self.goal = goal or Goal()
        self.gauge = gauge or decoder.profile.gauge
        self._begin()

    def _begin(self) -> None:
        self.ended = False
        self._times, self._counts = array("d"), array("q")
        self._decimals = 0
        self._unit: Unit | None = None
        self._first_at: float | None = None
        self._zero_at = 0.0
        self._period_s = 0.0
        self._place_mm, self._place_at = math.nan, 0.0
        self._looked_at, self._moved = 0.0, False
        self._told = {True: 0, False: 0}
        self._size_mm = 0.0

    def feed(self, item: Chunk | Tick | Overrun | Command) -> list[Event]:
        """Take what came, and give the events it causes, in order.

        Args:
            item: Bytes, the passing of time, a loss of bytes or a command. Times never go back.
        """
        if isinstance(item, Arm):
            self._begin()
            return []
        if isinstance(item, Chunk | Overrun):
            events = self._feed_bytes(item)
        else:
            events = []
        if self.ended:
            return events
        match item:
            case Finish(at=at):
                events += self._finish(at)
            case Abandon(at=at, why=why):
                events.append(self._end(at, Refusal((stopped(why),))))
            case Chunk(at=at) | Tick(at=at) | Overrun(at=at):
                events += self._keep_to_time(at)
        return events

    def hear(self, decoded: Decoded) -> list[Event]:
        """Take what this session's decoder gave to somebody who held it back, as ``feed`` takes the bytes.

        Args:
            decoded: A reading, or what is none; its time is not before that of anything fed.
        """
        events = self._hear(decoded)
        return events if self.ended else events + self._keep_to_time(decoded.at)

    def _keep_to_time(self, at: float) -> list[Event]:
        """End the measurement if its time is up."""
        if self._first_at is None:
            self._first_at = at
        limit = self.goal.timeout_s
        return self._finish(at, timed_out=True) if limit is not None and at - self._first_at >= limit else []

    @property
    def trace(self) -> Trace:
        """The readings of this measurement so far."""
        times = np.frombuffer(self._times, dtype=np.float64).copy() if self._times else np.empty(0)
        counts = (
            np.frombuffer(self._counts, dtype=np.int64).copy()
            if self._counts
            else np.empty(0, dtype=np.int64)
        )
        return Trace(times, counts, self._decimals, self._unit or self.decoder.default_unit or Unit.MM)

    def _feed_bytes(self, item: Chunk | Overrun) -> list[Event]:
        events: list[Event] = []
        for decoded in self.decoder.feed(item):
            events += self._hear(decoded)
        return events

    def _hear(self, decoded: Decoded) -> list[Event]:
        if self._first_at is None and not isinstance(decoded, Overrun):
            self._first_at = decoded.at
        if isinstance(decoded, Reading) and not self.ended:
            return self._take(decoded)
        if isinstance(decoded, UnitChanged) and not self.ended:
            reason = unit_changed(decoded.was.value, decoded.now.value)
            return [decoded, self._end(decoded.at, Refusal((reason,), *self._told_so_far()))]
        return [decoded]

    def _take(self, reading: Reading) -> list[Event]:
        """Keep a reading, and look at the strokes if the hub has come to rest."""
        events: list[Event] = []
        if not self._times:
            self._zero_at, self._unit = reading.at, reading.unit
        time = round(reading.at - self._zero_at, 6)
        if self._times:
            gap = time - self._times[-1]
            if gap > max(GAP_S, GAP_PERIODS * self._period_s):
                events.append(Gap(gap, reading.at))
            else:
                self._period_s += 0.1 * (gap - self._period_s)
        self._keep(time, reading.value)
        events.append(reading)
        if len(self._times) > MOST_READINGS:
            dropped = MOST_READINGS // 4
            del self._times[:dropped], self._counts[:dropped]
            events.append(Overrun(dropped, reading.at))
        if self._at_rest(time, reading.value_mm):
            self._looked_at, self._moved = time, False
            events += self._look(reading.at)
        return events

    def _keep(self, time: float, value: Decimal) -> None:
        decimals = decimals_of(value)
        if decimals > self._decimals:
            factor = 10 ** (decimals - self._decimals)
            self._counts = array("q", [count * factor for count in self._counts])
            self._decimals = decimals
        self._times.append(time)
        self._counts.append(int(value.scaleb(self._decimals)))

    def _at_rest(self, time: float, value_mm: float) -> bool:
        """Whether to look now: the hub moved and has kept its new place for a while, or long moves without rest."""
        step = float(Decimal(1).scaleb(-self._decimals)) * (25.4 if self._unit is Unit.INCH else 1.0)
        near = max(1.5 * step, self.gauge.resolution_mm or 0.0, 0.15 * self._size_mm, 0.004)
        if not abs(value_mm - self._place_mm) <= near:
            self._place_mm, self._place_at, self._moved = value_mm, time, True
        if not self._moved:
            return False
        return time - self._place_at >= REST_S or time - self._looked_at >= LOOK_AGAIN_S

    def _look(self, at: float) -> list[Event]:
        """Analyse what there is; tell of new strokes; end if it is good enough."""
        trace = self.trace
        outcome = analyse_trace(trace, self.gauge)
        if isinstance(outcome, EndPlay):
            self._size_mm = outcome.end_play_mm
        events: list[Event] = list(self._new_strokes(at, outcome))
        keeps = self._keeps(outcome)
        if not keeps and isinstance(outcome, EndPlay):
            events.append(self._end(at, self._with_notes(outcome), trace))
            return events
        found = isinstance(outcome, EndPlay)
        events.append(
            Progress(
                at,
                outcome.end_play_mm if found else None,
                outcome.expanded_mm if found else None,
                outcome.strokes,
                outcome.half_strokes,
                keeps,
            )
        )
        return events

    def _new_strokes(self, at: float, outcome: EndPlay | Refusal) -> list[StrokeSeen]:
        """Strokes counted for the first time; what was told once is not taken back."""
        seen: list[StrokeSeen] = []
        marks = outcome.dwells
        if len(marks) < 2:
            return seen
        direction: Literal["out", "in"] = "out" if marks[-1].side > 0 else "in"
        height = abs(marks[-1].level_mm - marks[-2].level_mm)
        for full, count in ((True, outcome.strokes), (False, outcome.half_strokes)):
            while self._told[full] < count:
                self._told[full] += 1
                seen.append(StrokeSeen(at, self._told[full], full, direction, height))
        return seen

    def _told_so_far(self) -> tuple[int, int]:
        return self._told[True], self._told[False]

    def _keeps(self, outcome: EndPlay | Refusal) -> str:
        """What keeps the measurement from ending; empty if nothing does."""
        goal = self.goal
        if isinstance(outcome, Refusal):
            begun = max(outcome.strokes, self._told[True])
            if 0 < begun < LEAST_STROKES:
                return f"{begun} of {goal.least_strokes} full strokes"
            return outcome.reasons[0].text
        if outcome.strokes < goal.least_strokes:
            return f"{outcome.strokes} of {goal.least_strokes} full strokes"
        target = goal.target_mm(outcome.resolution_mm)
        if outcome.expanded_mm <= target or outcome.strokes >= MOST_STROKES:
            return ""
        now = format_length(outcome.expanded_mm, goal.unit)
        wanted = format_length(target, goal.unit)
        worst = outcome.budget.largest_first()[0].source
        return f"sure to ± {now} so far, ± {wanted} wanted; most of it is {worst}"

    def _with_notes(self, outcome: EndPlay) -> EndPlay:
        """Add what a person should know about how sure the number can be with this gauge."""
        goal, notes = self.goal, list(outcome.notes)
        if goal.limits is not None:
            width = goal.limits.most_mm - goal.limits.least_mm
            if COARSE * outcome.resolution_mm > goal.fraction * width:
                step, wide = format_length(outcome.resolution_mm, goal.unit), format_length(width, goal.unit)
                notes.append(f"resolution too coarse for these limits: {step} against {wide}")
        if outcome.strokes >= MOST_STROKES and outcome.expanded_mm > goal.target_mm(outcome.resolution_mm):
            notes.append(f"ended after {outcome.strokes} strokes without becoming as sure as wished")
        return replace(outcome, notes=tuple(notes))

    def _finish(self, at: float, *, timed_out: bool = False) -> list[Event]:
        trace = self.trace
        outcome = analyse_trace(trace, self.gauge)
        events: list[Event] = list(self._new_strokes(at, outcome))
        if isinstance(outcome, EndPlay):
            keeps = self._keeps(outcome)
            outcome = self._with_notes(outcome)
            if keeps:
                when = "at the time limit" if timed_out else "early"
                outcome = replace(outcome, notes=(*outcome.notes, f"ended {when}: {keeps}"))
        elif timed_out and not len(trace):
            outcome = Refusal((self._nothing(),))
        events.append(self._end(at, outcome, trace))
        return events

    def _nothing(self) -> Reason:
        wrong = self.decoder.looks_wrong()
        return Reason(ReasonCode.TOO_FEW_READINGS, wrong) if wrong else too_few_readings(0)

    def _end(self, at: float, outcome: EndPlay | Refusal, trace: Trace | None = None) -> Ended:
        self.ended = True
        return Ended(at, outcome, self.trace if trace is None else trace)
