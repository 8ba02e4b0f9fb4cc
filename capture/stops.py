"""Readings to the two stops: the search over sizes of stroke, from large to small.

How large a stroke is nobody says beforehand: 0.012 mm or 1.6 mm, after excursions of several millimetres while the
indicator was set up. The search supposes one size after the other, from the largest motion down to the noise, and takes
the first at which at least four strokes agree and truly rest at both ends; then it looks again at that size with the
drift taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capture.dwells import Dwells, bad_readings, extremes, find_dwells, turning_points
from capture.strokes import MOST_DRIFT_MM_PER_S, Strokes, match_strokes, median

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

LEAST_STROKES = 4
"""Fewer full strokes than this are no measurement."""

LEAST_STROKE_MM = 0.004
"""Reversals smaller than this are never taken for strokes."""

LEAST_END_PLAY_MM = 0.008
"""Nor is a smaller distance ever called end play: noise and hum reach that far."""

COARSER = 1.5
"""Ratio of one supposed size to the next smaller."""

SAME = 0.25
"""Drift left over, as a share of the resolution over the whole trace, at which looking again changes nothing."""

FINER = 0.3
"""Where strokes of one size are found, strokes smaller than this share of them are not looked for."""

LEAST_REST = 0.3
"""How far the strokes must be from a steadily turned hub (0) towards a square wave (1), by how long they rest."""

LEAST_REST_FOR_LONG = 0.1
LONG_SHARE = 0.23
"""The same where so large a share of the readings rests on each stop that only the noise hides how flat they are."""

MOST_ROUND = 0.5
"""Visits to a stop rounder than this (0 a rest, 1 a steadily turned hub), and surely so, are no rests."""

LEAST_RUN_OUT_MM = 0.016
"""How round a smaller motion is, a hand's wobble hides."""

LEAST_BEYOND = 0.1
MOST_BEYOND = 3.0
"""End plays beyond a stop: less may be a hard pull, and what goes further is no stroke but the indicator being handled."""

SURELY = 3.0
"""Standard errors."""

LEAST_SHARE = 0.085
"""Share of the readings that must rest on each of the two stops."""

MOST_SPREAD = 0.012
MOST_SPREAD_MM = 0.0045
"""Largest standard deviation of the dwells' levels about the fit: a share of the end play, but always this much (a hand's
wobble) and 0.3 of the resolution (its rounding)."""

MOST_WITHIN = 0.06
MOST_WITHIN_MM = 0.0045
"""Largest standard deviation of the readings within a dwell, in the same way."""

STEADY_S = 0.25
"""A hand's force wanders about this slowly, so a dwell this long is half as sure as one without end."""


@dataclass(frozen=True, slots=True)
class Stops:
    """What was found in a trace, with the arrays it was found in.

    Attributes:
        dwells: Every visit to a stop or to where a stroke turned back.
        strokes: Which of them rest on a stop, and the fit.
        drift_mm_per_s: Creep of the base, all of it.
        rest: 0 for a hub that turns steadily, 1 for strokes that do nothing but rest; the worse of the two stops.
        share: Share of the readings, first to last dwell, that rest on the less visited stop.
        kept: Index in the trace of each reading used; shape (n,).
        values_mm: Those readings with the drift taken off; shape (n,).
        step_mm: Resolution of the indicator.
        steady_count: How many readings make a dwell's level half as sure as it can be.
    """

    dwells: Dwells
    strokes: Strokes
    drift_mm_per_s: float
    rest: float
    share: float
    round: float
    round_error: float
    kept: Ints
    values_mm: Floats
    step_mm: float
    steady_count: float

    @property
    def sound(self) -> bool:
        """Whether this is a measurement: enough strokes that agree, reach the stops and rest there."""
        return (
            self.strokes.full >= LEAST_STROKES
            and self.strokes.dof >= 2
            and 2 * self.strokes.half <= 3 * self.strokes.full
            and self.rests
            and self.agrees
            and not self.turned
            and self.strokes.end_play_mm >= LEAST_END_PLAY_MM
            and self.tight
            and abs(self.drift_mm_per_s) <= MOST_DRIFT_MM_PER_S
        )

    @property
    def regular(self) -> bool:
        """Whether enough strokes agree, and last, to be what was done to the hub, be it a measurement or not."""
        return self.strokes.full >= LEAST_STROKES and self.share >= LEAST_SHARE / 3

    @property
    def settled(self) -> bool:
        """Whether this is what was done to the hub for most of the time, so that smaller motions are beside the point."""
        return self.regular and self.share >= LEAST_SHARE and self.agrees

    @property
    def tight(self) -> bool:
        """Whether the dwells lie close to the fit, and the readings close to their dwells."""
        end_play, within = self.strokes.end_play_mm, self.dwells.spread_mm
        rounding = 0.3 * self.step_mm
        between = max(MOST_SPREAD * end_play, 2.5 * within, MOST_SPREAD_MM) + rounding
        return self.strokes.spread_mm <= between and within <= max(MOST_WITHIN * end_play, MOST_WITHIN_MM) + rounding

    @property
    def turned(self) -> bool:
        """Whether the visits are too round to be rests: the hub was turned, and this is run-out."""
        if self.strokes.end_play_mm < LEAST_RUN_OUT_MM:
            return False
        return self.round > MOST_ROUND and self.round > SURELY * self.round_error

    @property
    def agrees(self) -> bool:
        """Whether few dwells lie outside the stops, where a spindle cannot get: hardly any once the strokes began.

        Excursions many times as large are the indicator being handled, and do not count.
        """
        strokes, count = self.strokes, self.dwells.count
        off = self.dwells.side * strokes.residual_mm / strokes.end_play_mm
        begun = int(np.flatnonzero(strokes.on_stop)[0])
        rested = ~strokes.on_stop & (count >= 0.4 * median(count[strokes.on_stop]))
        rested &= (np.abs(off) > LEAST_BEYOND) & (np.abs(off) < MOST_BEYOND)
        rested[0] = False
        outside = ~strokes.on_stop & (off > LEAST_BEYOND)
        outside[int(np.flatnonzero(strokes.on_stop)[-1]) :] &= off[int(np.flatnonzero(strokes.on_stop)[-1]) :] < MOST_BEYOND
        high = self.dwells.side > 0
        outnumbered = any(
            np.count_nonzero(rested & side) >= np.count_nonzero(strokes.on_stop & side) for side in (high, ~high)
        )
        return 6 * int(outside[begun:].sum()) <= strokes.full and not outnumbered

    @property
    def rests(self) -> bool:
        """Whether the dwells on both stops are flat enough, and long enough, to be rests."""
        long = self.share >= LONG_SHARE and self.rest >= LEAST_REST_FOR_LONG
        return self.share >= LEAST_SHARE and (self.rest >= LEAST_REST or long)


@dataclass(frozen=True, slots=True)
class Motion:
    """What a trace holds, before any stroke is looked for.

    Attributes:
        times_s: Times of the readings used; shape (n,).
        values_mm: The readings used; shape (n,).
        kept: Their indices in the trace; shape (n,).
        step_mm: Resolution.
        noise_mm: Standard deviation of a reading at rest, roughly.
        least_mm: Smallest reversal that may be a stroke.
    """

    times_s: Floats
    values_mm: Floats
    kept: Ints
    step_mm: float
    noise_mm: float
    least_mm: float


def motion_of(times_s: Floats, readings_mm: Floats, step_mm: float) -> Motion:
    """Take the bad readings out and see how noisy the rest is.

    Args:
        times_s: Seconds, not decreasing; shape (n,), n at least 1.
        readings_mm: Millimetres, shape (n,).
        step_mm: Resolution, millimetres, above 0.
    """
    kept = np.arange(len(readings_mm))
    for _ in range(2):
        bad = bad_readings(readings_mm[kept], step_mm)
        if not bad.any():
            break
        kept = kept[~bad]
    values = readings_mm[kept]
    steps = np.sort(np.abs(np.diff(values)))
    # the smaller steps are those at rest: the 30 % point of |difference of two normals| is 0.545 standard deviations
    noise = float(steps[int(0.3 * len(steps))]) / 0.545 if len(steps) else 0.0
    least = max(1.2 * step_mm, 4.0 * noise, LEAST_STROKE_MM)
    return Motion(times_s[kept], values, kept, step_mm, noise, least)


def find_stops(motion: Motion) -> Stops | None:
    """The two stops, or the nearest thing to them that the motion holds.

    Returns:
        Stops that are sound, if there are any; else those with the most full strokes; None if no two strokes agree.
    """
    values = motion.values_mm
    if len(values) < 5:
        return None
    among = turning_points(values, motion.least_mm, extremes(values))
    size = float(np.ptp(values)) / COARSER
    nearest: Stops | None = None
    seen = 0
    while size > motion.least_mm / COARSER:
        if nearest and nearest.settled and size < FINER * nearest.strokes.end_play_mm:
            break
        turns = turning_points(values, max(size, motion.least_mm), among)
        size /= COARSER
        if len(turns) == seen or len(turns) < 3:
            continue
        seen = len(turns)
        found = _match(motion, values, turns)
        if found and found.regular:
            found = _look_again(motion, found)
        if found and found.sound:
            return found
        if found and (nearest is None or (found.strokes.full > nearest.strokes.full and not nearest.settled)):
            nearest = found
    return nearest


def _look_again(motion: Motion, found: Stops) -> Stops | None:
    """The same stops with the drift taken off and the size of stroke known."""
    better: Stops | None = found
    lasted = float(motion.times_s[-1] - motion.times_s[0])
    for again in range(2):
        if better is None:
            return None
        if again and abs(better.strokes.drift_mm_per_s) * lasted < SAME * motion.step_mm:
            break
        drift = better.drift_mm_per_s
        values = motion.values_mm - drift * (motion.times_s - motion.times_s[0])
        turns = turning_points(values, max(motion.least_mm, 0.35 * better.strokes.end_play_mm), extremes(values))
        if len(turns) < 3:
            return None
        better = _match(motion, values, turns, better)
    return better


def _match(motion: Motion, values: Floats, turns: Ints, before: Stops | None = None) -> Stops | None:
    """Dwells at these turning points, and the strokes among them that agree."""
    step, known = motion.step_mm, before is not None
    spread, drift = (before.dwells.spread_mm, before.drift_mm_per_s) if before else (max(motion.noise_mm, 0.3 * step), 0.0)
    dwells = find_dwells(motion.times_s, values, turns, spread, step)
    usual = median(np.abs(np.diff(dwells.level_mm)))
    broad = max(
        1.05 * step, 3.5 * dwells.level_u_mm, min(0.005, 0.25 * usual), (0.004 if known else 0.04) * usual
    )
    narrow = max(0.75 * step, 4.0 * dwells.level_u_mm, 0.0015)
    lasted = float(motion.times_s[-1] - motion.times_s[0])
    steady = max(1.0, STEADY_S * len(values) / lasted) if lasted > 0 else 1.0
    strokes = match_strokes(dwells, broad, narrow, steady)
    if strokes is None:
        return None
    rest, share = _rest(values, dwells, strokes, step)
    turned = _roundness(motion.times_s, values, dwells, strokes, step)
    return Stops(dwells, strokes, drift + strokes.drift_mm_per_s, rest, share, *turned, motion.kept, values, step, steady)


def _rest(values: Floats, dwells: Dwells, strokes: Strokes, step_mm: float) -> tuple[float, float]:
    """How flat the dwells on the stops are, and how much of the time they last.

    Of the readings within a wide band below a stop's level, most lie in a narrow band about it if the hub rested there;
    for a hub that turns the share is that of a sine, ``acos(1 - 2 narrow) / acos(1 - 2 wide)``.
    """
    end_play = strokes.end_play_mm
    on = np.flatnonzero(strokes.on_stop)
    if end_play <= 0 or len(on) < 2:
        return 0.0, 0.0
    narrow = min(0.42, max(0.05, 1.1 * step_mm / end_play, 4.5 * dwells.spread_mm / end_play))
    wide = max(0.25, min(0.5, 2.5 * narrow))
    visit = np.repeat(np.arange(len(dwells)), np.diff(dwells.edges))
    depth = (dwells.level_mm[visit] - values) * dwells.side[visit]
    used = strokes.on_stop[visit]
    turned = math.acos(1 - 2 * narrow) / math.acos(1 - 2 * wide)
    total = int(dwells.stop[on[-1]] - dwells.start[on[0]])
    rests, shares = [], []
    for side in (1, -1):
        here = used & (dwells.side[visit] == side)
        flat = int(np.count_nonzero(here & (np.abs(depth) <= narrow * end_play)))
        near = int(np.count_nonzero(here & (depth < wide * end_play)))
        rests.append((flat / max(1, near) - turned) / (1 - turned))
        shares.append(int(dwells.count[strokes.on_stop & (dwells.side == side)].sum()) / max(1, total))
    return min(rests), min(shares)


TURNED_PART = 0.4
"""Share of the end play, from the stop, that is looked at for how round the visits are."""

TURNED_ROUND = ((0.25, 0.5, 0.0285), (0.125, 0.25, 0.0073))
"""Two parts in time of a sine's crest of that height: its mean over the smaller less that over the larger, as shares of
the sine's height from peak to peak."""


def _roundness(
    times_s: Floats, values: Floats, dwells: Dwells, strokes: Strokes, step_mm: float
) -> tuple[float, float]:
    """How round the visits to the stops are: 0 for a rest, 1 for a hub that turns steadily; and the standard error.

    Slow strokes with short rests look round over half of a visit, but not over a quarter; a turned hub looks round over
    both. The less round of the two sizes speaks, on the rounder of the two stops.
    """
    k = len(dwells)
    inner = strokes.on_stop.copy()
    inner[0] = inner[-1] = False
    visit = np.repeat(np.arange(k), np.diff(dwells.edges))
    height = (values - dwells.level_mm[visit]) * dwells.side[visit]
    index = np.arange(len(values))
    near = height > -TURNED_PART * strokes.end_play_mm
    begin = times_s[np.minimum(np.minimum.reduceat(np.where(near, index, len(values)), dwells.edges[:-1]), dwells.start)]
    end = times_s[np.maximum(np.maximum.reduceat(np.where(near, index, -1), dwells.edges[:-1]), dwells.stop - 1)]
    middle, half = 0.5 * (begin + end), np.maximum(0.5 * (end - begin), 1e-9)
    place = np.abs(times_s - middle[visit]) / half[visit]
    means = {}
    for part in (0.125, 0.25, 0.5):
        within = place <= part
        count = np.bincount(visit[within], minlength=k)
        means[part] = np.bincount(visit[within], weights=height[within], minlength=k) / np.maximum(count, 1)
        inner &= count > 0
    worst = (0.0, 1.0)
    for side in (1, -1):
        here = inner & (dwells.side == side)
        n = int(np.count_nonzero(here))
        if n < 2:
            continue
        wide, narrow = (
            _mean_and_error((means[a][here] - means[b][here]) / (size * strokes.end_play_mm))
            for a, b, size in TURNED_ROUND
        )
        told = TURNED_ROUND[1][2] * strokes.end_play_mm > 0.3 * step_mm
        least = narrow if told and narrow[0] + 2 * narrow[1] < MOST_ROUND else wide
        if least[0] * worst[1] > worst[0] * least[1]:
            worst = least
    return worst


def _mean_and_error(values: Floats) -> tuple[float, float]:
    return median(values), max(1e-9, float(values.std(ddof=1)) / len(values) ** 0.5)
