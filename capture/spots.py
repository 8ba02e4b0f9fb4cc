"""Single readings to strokes: a gauge that sends only when its button, or a pedal, is pressed.

Push, press, pull, press: each press is one reading, made while the hub rests against a stop. Presses at one
    stop
in a row are one visit; the visits are dwells, and from there on everything is as with a stream of readings
(``capture.strokes``). What a stream shows and a press cannot is whether the hub truly rested; so presses have
to agree better, and fewer of them may be set aside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from capture.arrays import Flags, Floats, Ints, median
from capture.dwells import Dwells, Spans, struck_among
from capture.motion import LEAST_STROKE_MM, STEPS, extremes, turning_points
from capture.refusals import STILL_MM, STILL_STEPS, Reason, ReasonCode, too_few_left, too_few_readings
from capture.rests import SAME_PRESS_S
from capture.stops import COARSER, KNOWN_SIZE, LEAST_END_PLAY_MM, LEAST_STROKES, ROUNDING
from capture.strokes import Strokes, Tolerances, match_strokes
from capture.votes import MOST_DRIFT_MM_PER_S

LEAST_PRESSES = LEAST_STROKES + 1
"""Four strokes have five ends."""

SAME_STOP, SAME_STOP_MM, SAME_STOP_STEPS = 0.05, 0.004, 1.5
"""Presses in a row are at the same stop within this share of the stroke, but always within so many
millimetres and steps of the display."""

MOST_SPREAD, MOST_SPREAD_MM = 0.02, 0.006
"""Largest standard deviation of the presses about the fit: a share of the end play, but always so many
millimetres. A press is one reading, and a hand wobbles by a few micrometres."""

MOST_ELSEWHERE = 0.25
"""Since the strokes began no more presses than this share of those at the stops may be elsewhere: of presses
anywhere on a turned hub, 4 in 1000 rows of 6 to 24 pass for end play then."""

STREAM_PRESSES = 20
"""So many readings without a pause are no bouncing button."""


@dataclass(frozen=True, slots=True)
class Presses:
    """Readings put together by press; arrays have one row for each press, shape (n,).

    Attributes:
        at_s: Time of its first reading, seconds.
        value_mm: Mean of its readings, millimetres.
        first: Index of its first reading in the trace.
        stop: Index after its last.
    """

    at_s: Floats
    value_mm: Floats
    first: Ints
    stop: Ints

    def __len__(self) -> int:
        return len(self.at_s)


@dataclass(frozen=True, slots=True)
class SpotStops:
    """The two stops, or the nearest thing to them, in a row of presses.

    Attributes:
        dwells: Visits to a stop, or to where a stroke turned back; their readings are presses.
        strokes: Which of them rest on a stop, and the fit.
        kept: Index in the trace of each reading: all are kept; shape (n,).
        step_mm: Resolution of the indicator, millimetres.
        between: Presses since the first at a stop that belong to no visit: on the way from one to the next.
    """

    dwells: Dwells
    strokes: Strokes
    kept: Ints
    step_mm: float
    between: int

    steady_count: float = 0.0
    """A press is a dwell of one reading, and all of them weigh the same."""

    @property
    def drift_mm_per_s(self) -> float:
        """Creep of the base, millimetres a second."""
        return self.strokes.drift_mm_per_s

    @property
    def elsewhere(self) -> int:
        """Visits and presses that are at neither stop, since the first that is."""
        on_stop = self.strokes.on_stop
        off = self.dwells.standing & ~on_stop
        return int(np.count_nonzero(off[np.argmax(on_stop) :])) + self.between

    @property
    def sound(self) -> bool:
        """Whether this is a measurement: enough strokes that agree, and few presses elsewhere."""
        return (
            self.enough
            and not self.mostly_elsewhere
            and self.tight
            and self.strokes.end_play_mm >= LEAST_END_PLAY_MM
            and abs(self.drift_mm_per_s) <= MOST_DRIFT_MM_PER_S
        )

    @property
    def enough(self) -> bool:
        """Whether there are enough strokes to tell whether they agree."""
        return self.strokes.full >= LEAST_STROKES and self.strokes.dof >= 2

    @property
    def mostly_elsewhere(self) -> bool:
        """Whether too many presses were made away from the stops."""
        return self.elsewhere > MOST_ELSEWHERE * int(np.count_nonzero(self.strokes.on_stop))

    @property
    def tight(self) -> bool:
        """Whether the presses at one stop lie close together."""
        most = max(MOST_SPREAD * self.strokes.end_play_mm, MOST_SPREAD_MM) + ROUNDING * self.step_mm
        return self.strokes.spread_mm <= most


def presses_of(times_s: Floats, readings_mm: Floats) -> Presses:
    """Put readings together that are one press: each follows the one before within 0.3 s.

    Args:
        times_s: Seconds, not decreasing; shape (n,).
        readings_mm: Millimetres; shape (n,).
    """
    begins: Flags = np.ones(len(times_s), dtype=bool)
    begins[1:] = np.diff(times_s) >= SAME_PRESS_S
    first = np.flatnonzero(begins)
    stop = np.append(first[1:], len(times_s))[: len(first)]
    total = np.add.reduceat(readings_mm, first) if len(first) else np.empty(0)
    return Presses(times_s[first], total / (stop - first), first, stop)


def find_spot_stops(presses: Presses, step_mm: float, struck: Spans = ()) -> SpotStops | None:
    """The two stops that presses were made at, or the nearest thing to them.

    Args:
        presses: Any number.
        step_mm: Resolution of the indicator, millimetres, above 0.
        struck: When the visits were that a person struck out; see ``dwells.struck_among``.

    Returns:
        Stops that are sound, if there are any; else those with the most full strokes; None if no two agree.
    """
    if len(presses) < 3:
        return None
    values = presses.value_mm
    least = max(STEPS * step_mm, LEAST_STROKE_MM)
    among = extremes(values)
    size = float(np.ptp(values)) / COARSER
    nearest: SpotStops | None = None
    seen = 0
    while size > least / COARSER:
        turns = turning_points(values, max(size, least), among)
        size /= COARSER
        if len(turns) == seen or len(turns) < 3:
            continue
        seen = len(turns)
        found = _match(presses, turns, step_mm, struck)
        if found and found.enough:  # look again for half strokes, now that the size of a full one is known
            turns = turning_points(values, max(KNOWN_SIZE * found.strokes.end_play_mm, least), among)
            found = _match(presses, turns, step_mm, struck) or found
        if found and found.sound:
            return found
        if found and (nearest is None or found.strokes.full > nearest.strokes.full):
            nearest = found
    return nearest


def _match(presses: Presses, turns: Ints, step_mm: float, struck: Spans) -> SpotStops | None:
    """Visits at these turning points, and the strokes among them that agree."""
    dwells, between = _visits(presses, turns, step_mm)
    if struck:
        visits = dwells.edges  # of readings; a press is as long as its readings
        at = presses.at_s
        first = at[np.searchsorted(presses.first, visits[:-1])]
        last = at[np.searchsorted(presses.first, visits[1:]) - 1]
        dwells = replace(dwells, struck=struck_among(first, last, struck))
    heights, stands = np.abs(np.diff(dwells.level_mm)), dwells.strokes_standing
    usual = median(heights[stands] if stands.any() else heights)
    broad = max(1.05 * step_mm, min(0.006, 0.25 * usual), 0.04 * usual)
    narrow = max(0.75 * step_mm, min(0.0045, 0.25 * usual))
    strokes = match_strokes(dwells, Tolerances(broad, narrow, 0.0))
    if strokes is None:
        return None
    return SpotStops(
        dwells,
        strokes,
        np.arange(int(presses.stop[-1])),
        step_mm,
        int((between * dwells.standing)[np.argmax(strokes.on_stop) :].sum()),
    )


def _visits(presses: Presses, turns: Ints, step_mm: float) -> tuple[Dwells, Ints]:
    """One dwell for each turning point, and for each how many presses near it belong to none; shape (k,)."""
    values = presses.value_mm
    peaks = values[turns]
    heights = np.abs(np.diff(peaks))
    leg = np.minimum(np.append(heights[:1], heights), np.append(heights, heights[-1:]))
    rises = np.diff(peaks)
    side = np.where(np.append(rises < 0, rises[-1] > 0), 1, -1)
    edges = [0, *(_passage(values, a, b) for a, b in pairwise(turns)), len(values)]
    near = np.maximum(SAME_STOP * leg, max(SAME_STOP_MM, SAME_STOP_STEPS * step_mm))
    near = np.minimum(near, 0.3 * leg)
    level, at, count, start, stop, between = ([] for _ in range(6))
    for k, (begin, end) in enumerate(pairwise(edges)):
        here = begin + np.flatnonzero(np.abs(values[begin:end] - peaks[k]) <= near[k])
        level.append(float(values[here].mean()))
        at.append(float(presses.at_s[here].mean()))
        count.append(len(here))
        start.append(int(presses.first[here[0]]))
        stop.append(int(presses.stop[here[-1]]))
        between.append(end - begin - len(here))
    visits = np.append(presses.first, presses.stop[-1])[edges]
    dwells = Dwells(
        level_mm=np.array(level),
        at_s=np.array(at),
        count=np.array(count),
        start=np.array(start),
        stop=np.array(stop),
        side=side,
        edges=visits,
        spread_mm=0.0,
        level_u_mm=0.0,
    )
    return dwells, np.array(between)


def _passage(values: Floats, a: int, b: int) -> int:
    """Index of the first press, from turning point ``a`` to ``b``, that stays on the side of ``b``."""
    middle = 0.5 * (values[a] + values[b])
    before = (values[a:b] > middle) == (values[a] > middle)
    return int(a + np.flatnonzero(before)[-1] + 1)


def spot_reason(presses: Presses, stops: SpotStops | None, readings: int, step_mm: float) -> Reason:
    """Why presses give no end play.

    Args:
        presses: The presses.
        stops: The nearest thing to two stops among them, not sound; None if there is none.
        readings: How many readings they were made of.
        step_mm: Resolution of the indicator, millimetres.
    """
    n = len(presses)
    if not n:
        return too_few_readings(0)
    if readings >= STREAM_PRESSES * n:
        text = (
            f"{readings} readings came without a pause: this gauge sends all the time, so leave --spots out"
        )
        return Reason(ReasonCode.TOO_FEW_READINGS, text)
    if n < LEAST_PRESSES:
        text = f"{n} presses; at least {LEAST_PRESSES} are needed: push, press, pull, press, and so on"
        return Reason(ReasonCode.TOO_FEW_STROKES, text)
    span = float(np.ptp(presses.value_mm))
    if span < max(STILL_MM, STILL_STEPS * step_mm):
        text = f"all {n} presses lie within {span:.3f} mm: push, press, pull, press, and so on"
        return Reason(ReasonCode.NO_MOVEMENT, text)
    if stops is None:
        text = "no two presses were made at the same stop: hold the hub against a stop before each press"
        return Reason(ReasonCode.STROKES_DISAGREE, text)
    return _near_miss(stops, n)


def _near_miss(stops: SpotStops, presses: int) -> Reason:
    """Strokes were seen; what is wrong with them."""
    full = stops.strokes.full
    if not stops.enough:
        if stops.dwells.struck is not None:
            return too_few_left(full)
        if presses <= full + 3:
            text = (
                f"{full} full strokes, at least {LEAST_STROKES} are needed: go on, push, press, pull, press"
            )
            return Reason(ReasonCode.TOO_FEW_STROKES, text)
        text = f"of {presses - 1} strokes only {full} agree: hold the hub against each stop, then press"
        return Reason(ReasonCode.STROKES_DISAGREE, text)
    if stops.mostly_elsewhere:
        text = f"{stops.elsewhere} presses were made between the stops: press when the hub has reached one"
        return Reason(ReasonCode.HALF_STROKES, text)
    spread = 2 * stops.strokes.spread_mm
    text = f"the presses at one stop differ by {spread:.3f} mm: use the same force each time, then press"
    return Reason(ReasonCode.STROKES_DISAGREE, text)
