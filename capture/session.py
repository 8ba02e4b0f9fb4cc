"""The whole pure pipeline behind one door: bytes, ticks and commands in, events out.

A session holds one measurement at a time. It looks at the strokes each time the hub has come to rest after a
move, tells of each new stroke, and ends the measurement by itself once the number is good enough. It knows no
clock: time is whatever the chunks and ticks say, so a replayed stream gives the same events as the live one,
however it is cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Literal

from calc.units import Unit, format_length, to_mm
from capture.decoder import Decoded, Decoder
from capture.described import Described
from capture.end_play import DwellMark, EndPlay, Refusal, analyse_trace
from capture.events import Abandon, Arm, Command, Ended, Event, Finish, Progress, StrokeSeen
from capture.goal import COARSE, Goal
from capture.readings import (
    Chunk,
    Gap,
    Gauge,
    Overrun,
    Reading,
    Tick,
    Trace,
    UnitChanged,
)
from capture.recording import Recording
from capture.refusals import LEAST_READINGS, Reason, ReasonCode, stopped, too_few_readings, unit_changed
from capture.rests import SAME_PRESS_S
from capture.stops import LEAST_STROKES

__all__ = [
    "Abandon",
    "Arm",
    "Command",
    "Ended",
    "Event",
    "Finish",
    "Goal",
    "Progress",
    "Session",
    "StrokeSeen",
    "strokes_among",
]

REST_S = 0.25
"""The hub counts as come to rest once the reading has kept its place for so long, seconds."""

NEAR_STEPS, NEAR_SHARE, NEAR_MM = 1.5, 0.15, 0.004
"""It keeps its place within so many steps of the last digit, this share of the end play, or so many
millimetres: the widest of them."""

LOOK_AGAIN_S = 2.0
"""While it never quite keeps its place the strokes are looked at this often, seconds."""

GAP_S, GAP_PERIODS = 0.5, 6.0
"""No reading for longer than both so many seconds and so many usual times between two readings is a gap."""

PERIOD_SHARE = 0.1
"""How much the newest time between two readings counts in the usual one."""

MOST_READINGS = 120_000
"""A measurement longer than this (20 minutes at 100 a second) loses its oldest quarter, and says so."""

SAID_AT_ONCE = frozenset({ReasonCode.BASE_SLIPS, ReasonCode.NO_STOPS, ReasonCode.PLUNGER_OFF})
"""Reasons that more strokes do not mend: they are told while strokes are still being counted."""

PLENTY = 0.5
"""At this share of the uncertainty wished for, a measurement ends without one stroke more to confirm it."""

MOST_STROKES = 40
"""More strokes than this make no number better; the measurement ends with what it has."""


class Session:
    """One gauge, one measurement at a time.

    Attributes:
        decoder: Turns the gauge's bytes into readings.
        goal: When to end.
        gauge: What is known of the indicator.
        ended: Whether the measurement is over; until the next ``Arm`` nothing that is fed makes an event.

    Args:
        decoder: A fresh one.
        goal: By default five full strokes that agree.
        gauge: By default what the decoder's profile says.
    """

    def __init__(self, decoder: Decoder, goal: Goal | None = None, gauge: Gauge | None = None) -> None:
        self.decoder = decoder
        self.goal = goal or Goal()
        self.gauge = gauge or decoder.profile.gauge
        self._begin()

    def _begin(self) -> None:
        self.ended = False
        self._recording = Recording()
        self._unit: Unit | None = None
        self._first_at: float | None = None
        self._zero_at = 0.0
        self._period_s = 0.0
        self._place_mm, self._place_at = math.nan, 0.0
        self._looked_at, self._moved = 0.0, False
        self._pressed = True
        self._told = {True: 0, False: 0}
        self._size_mm = 0.0
        self._sure_at: int | None = None

    @property
    def trace(self) -> Trace:
        """The readings of this measurement so far; times count from the first that came."""
        return self._recording.trace(self._unit or self.decoder.default_unit or Unit.MM)

    def feed(self, item: Chunk | Tick | Overrun | Described | Command) -> list[Event]:
        """Take what came, and give the events it causes, in order.

        Args:
            item: Bytes, the passing of time, a loss of bytes, what the gauge says of itself or a command.
                Times never go back.
        """
        if isinstance(item, Arm):
            self._begin()
            return []
        if self.ended:
            # the decoder goes on, so that the next measurement begins with a whole line
            if isinstance(item, Chunk | Overrun | Described):
                self.decoder.feed(item)
            return []
        match item:
            case Finish(at=at):
                return self._finish(at)
            case Abandon(at=at, why=why):
                return [self._end(at, Refusal((stopped(why),)))]
            case Chunk(at=at) | Tick(at=at) | Overrun(at=at) | Described(at=at):
                if self._timed_out(at):
                    return self._finish(at, timed_out=True)
        decoded = [] if isinstance(item, Tick) else self.decoder.feed(item)
        return [event for one in decoded for event in self.hear(one)]

    def _timed_out(self, at: float) -> bool:
        """Whether the time is up; asked before what came at that moment is read, as it may come in pieces."""
        if self._first_at is None:
            self._first_at = at
        limit = self.goal.timeout_s
        return limit is not None and at - self._first_at >= limit

    def hear(self, decoded: Decoded) -> list[Event]:
        """Take one thing that the decoder made of the bytes, where somebody else feeds the decoder.

        Args:
            decoded: In order of arrival.
        """
        if self.ended:
            return []
        if self._first_at is None:
            self._first_at = decoded.at
        if isinstance(decoded, Reading):
            return self._take(decoded)
        if isinstance(decoded, UnitChanged):
            reason = unit_changed(decoded.was.value, decoded.now.value)
            refusal = Refusal((reason,), self._told[True], self._told[False])
            return [decoded, self._end(decoded.at, refusal)]
        return [decoded]

    def _take(self, reading: Reading) -> list[Event]:
        """Keep a reading, and look at the strokes if the hub has come to rest."""
        events: list[Event] = []
        if not len(self._recording):
            self._zero_at, self._unit = reading.at, reading.unit
        time = round(reading.at - self._zero_at, 6)
        if len(self._recording):
            gap = time - self._recording.last_s
            self._pressed = gap >= SAME_PRESS_S
            if gap > max(GAP_S, GAP_PERIODS * self._period_s):
                if not self.gauge.single:  # between two presses of a button nothing comes, however long
                    events.append(Gap(gap, reading.at))
            else:
                self._period_s += PERIOD_SHARE * (gap - self._period_s)
        self._recording.append(time, reading.value)
        events.append(reading)
        if len(self._recording) > MOST_READINGS:
            dropped = MOST_READINGS // 4
            self._recording.drop_oldest(dropped)
            events.append(Overrun(dropped, reading.at))
        enough = self.gauge.single or len(self._recording) >= LEAST_READINGS
        if self._at_rest(time, reading) and enough:
            self._looked_at, self._moved = time, False
            events += self._look(reading.at)
        return events

    def _at_rest(self, time: float, reading: Reading) -> bool:
        """Whether to look now: the hub moved and has kept its new place for a while, or long found none."""
        if self.gauge.single:
            return self._pressed
        step_mm = to_mm(self._recording.last_digit, reading.unit)
        near = max(NEAR_STEPS * step_mm, self.gauge.resolution_mm or 0.0, NEAR_SHARE * self._size_mm, NEAR_MM)
        value_mm = reading.value_mm
        # before the first reading the place is no number, and nothing is near it
        if not abs(value_mm - self._place_mm) <= near:
            self._place_mm, self._place_at, self._moved = value_mm, time, True
        if not self._moved:
            return False
        return time - self._place_at >= REST_S or time - self._looked_at >= LOOK_AGAIN_S

    def _look(self, at: float) -> list[Event]:
        """Analyse what there is; tell of new strokes; end if it is good enough."""
        trace = self.trace
        outcome = analyse_trace(trace, self.gauge)
        events: list[Event] = list(self._new_strokes(at, outcome))
        keeps = self._keeps(outcome)
        end_play_mm, expanded_mm, slip_mm, reason = None, None, None, None
        if isinstance(outcome, EndPlay):
            if not keeps:
                return [*events, self._end(at, self._with_notes(outcome), trace)]
            self._size_mm = end_play_mm = outcome.end_play_mm
            expanded_mm = outcome.expanded_mm
            slip_mm = None if outcome.slip is None else outcome.slip.size_mm
        else:
            reason = outcome.reasons[0].code.value
        strokes, half = outcome.strokes, outcome.half_strokes
        return [*events, Progress(at, end_play_mm, expanded_mm, strokes, half, keeps, slip_mm, reason)]

    def _new_strokes(self, at: float, outcome: EndPlay | Refusal) -> Iterator[StrokeSeen]:
        """Strokes counted for the first time; what was told once is not taken back."""
        counted = {True: 0, False: 0}
        for full, start, end in strokes_among(outcome.dwells):
            counted[full] += 1
            if counted[full] > self._told[full]:
                self._told[full] = counted[full]
                direction: Literal["out", "in"] = "out" if end.side > 0 else "in"
                yield StrokeSeen(at, counted[full], full, direction, abs(end.level_mm - start.level_mm))

    def _keeps(self, outcome: EndPlay | Refusal) -> str:
        """What keeps the measurement from ending; empty if nothing does."""
        goal, strokes = self.goal, outcome.strokes
        if isinstance(outcome, Refusal):
            reason, begun = outcome.reasons[0], max(strokes, self._told[True])
            if 0 < begun < LEAST_STROKES and reason.code not in SAID_AT_ONCE:
                return f"{begun} of {goal.least_strokes} full strokes"
            return reason.text
        if strokes < goal.least_strokes:
            return f"{strokes} of {goal.least_strokes} full strokes"
        return "" if strokes >= MOST_STROKES else self._unsure(outcome)

    def _unsure(self, outcome: EndPlay) -> str:
        """What is wanting in how sure the number is; empty if nothing is.

        Of few strokes some agree by luck, and a measurement that ends on luck is less sure than it says.
        So it has to be sure with something over, and to stay so with one stroke more if that is little.
        """
        target = self.goal.target_mm(outcome.resolution_mm)
        sure = outcome.expanded_mm * (1.0 + 1.0 / math.sqrt(2.0 * outcome.dof)) / target
        first = self._sure_at
        if sure <= PLENTY or (sure <= 1 and first is not None and outcome.strokes > first):
            return ""
        self._sure_at = (first or outcome.strokes) if sure <= 1 else None
        if sure <= 1:
            return "sure enough; one stroke more to confirm it"
        now = format_length(outcome.expanded_mm, self.goal.unit)
        wanted = format_length(target, self.goal.unit)
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


def strokes_among(marks: tuple[DwellMark, ...]) -> Iterator[tuple[bool, DwellMark, DwellMark]]:
    """The strokes from the first dwell on a stop to the last: whether full, and the dwells at both ends.

    They are as many as ``EndPlay.strokes`` and ``EndPlay.half_strokes`` say.
    """
    on_stop = [number for number, mark in enumerate(marks) if mark.on_stop]
    if on_stop:
        for start, end in pairwise(marks[on_stop[0] : on_stop[-1] + 1]):
            if not (start.struck or end.struck):
                yield start.on_stop and end.on_stop, start, end
