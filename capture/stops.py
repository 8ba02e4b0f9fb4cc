"""Motion to the two stops: the search over sizes of stroke, from large to small.

How large a stroke is nobody says beforehand: 0.012 mm or 1.6 mm, after excursions of several millimetres
while the indicator was set up. The search supposes one size after the other, from the largest motion down to
the noise, and takes the first at which at least four strokes agree and truly rest at both ends; then it looks
again at that size with the drift taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from capture.arrays import Floats, Ints, median
from capture.dwells import Dwells, Spans, find_dwells, struck_among
from capture.flatness import LEAST_SHARE, Flatness, flatness_of
from capture.motion import Motion, extremes, turning_points
from capture.strokes import Strokes, Tolerances, match_strokes
from capture.votes import MOST_DRIFT_MM_PER_S

LEAST_STROKES = 4
"""Fewer full strokes than this are no measurement."""

LEAST_END_PLAY_MM = 0.008
"""A smaller distance is never called end play, millimetres: noise and hum reach that far."""

LEAST_RUN_OUT_MM = 0.016
"""How round a smaller motion is, a hand's wobble hides, millimetres."""

COARSER = 1.5
"""Ratio of one supposed size to the next smaller."""

SAME = 0.25
"""Drift left over, as a share of the resolution over the whole trace, at which looking again changes
nothing."""

FINER = 0.3
"""Where strokes of one size are found, strokes smaller than this share of them are not looked for."""

KNOWN_SIZE = 0.35
"""Once the end play is known, reversals of this share of it are looked for: half strokes are then seen as
such."""

LEAST_BEYOND, MOST_BEYOND = 0.1, 3.0
"""End plays beyond a stop: less may be a hard pull, and what goes further is no stroke but the indicator
being handled."""

RESTED = 0.4
"""A dwell off the stops counts as a rest if it has this share of the readings of a usual one."""

MOST_SPREAD, MOST_SPREAD_MM, MOST_SPREADS_WITHIN = 0.012, 0.0045, 2.5
"""Largest standard deviation of the dwells' levels about the fit: a share of the end play, but always so many
millimetres (a hand's wobble) and so many times the spread of the readings within a dwell."""

MOST_WITHIN, MOST_WITHIN_MM = 0.06, 0.0045
"""Largest standard deviation of the readings within a dwell, in the same way."""

ROUNDING = 0.3
"""Either may be larger by this share of the resolution: 1 / sqrt(12), the standard deviation of rounding (GUM
F.2.2.1)."""

STEADY_S = 0.25
"""A hand's force wanders about this slowly, so a dwell this many seconds long is half as sure as one without
end."""


@dataclass(frozen=True, slots=True)
class Stops:
    """What was found in a trace, with the arrays it was found in.

    Attributes:
        dwells: Every visit to a stop or to where a stroke turned back.
        strokes: Which of them rest on a stop, and the fit.
        flatness: How the hub rests there.
        drift_mm_per_s: Creep of the base, all of it, millimetres a second.
        kept: Index in the trace of each reading used; shape (n,).
        step_mm: Resolution of the indicator, millimetres.
        steady_count: How many readings make a dwell's level half as sure as it can be.
    """

    dwells: Dwells
    strokes: Strokes
    flatness: Flatness
    drift_mm_per_s: float
    kept: Ints
    step_mm: float
    steady_count: float

    @property
    def sound(self) -> bool:
        """Whether this is a measurement: enough strokes that agree, reach the stops and rest there."""
        return (
            self.enough
            and not self.mostly_half
            and self.flatness.rests
            and self.agrees
            and not self.turned
            and self.strokes.end_play_mm >= LEAST_END_PLAY_MM
            and self.tight
            and abs(self.drift_mm_per_s) <= MOST_DRIFT_MM_PER_S
        )

    @property
    def enough(self) -> bool:
        """Whether there are strokes enough to tell how well they agree."""
        return self.strokes.full >= LEAST_STROKES and self.strokes.dof >= 2

    @property
    def mostly_half(self) -> bool:
        """Whether more than 3 strokes turned back early for 2 full ones: others may have, unseen."""
        return 2 * self.strokes.half > 3 * self.strokes.full

    @property
    def regular(self) -> bool:
        """Whether enough strokes agree, and last, to be what was done to the hub, measurement or not."""
        return self.strokes.full >= LEAST_STROKES and self.flatness.share >= LEAST_SHARE / 3

    @property
    def settled(self) -> bool:
        """Whether this was done to the hub most of the time, so that smaller motions are beside the point."""
        return self.regular and self.flatness.share >= LEAST_SHARE and self.agrees

    @property
    def weight(self) -> float:
        """How much there is in it for people to hear of: full strokes, less where the hub hardly rested.

        Strokes too small ever to be end play count for nothing: there are always some in the noise.
        """
        if self.strokes.end_play_mm < LEAST_END_PLAY_MM:
            return 0.0
        return self.strokes.full * min(1.0, self.flatness.share / LEAST_SHARE)

    @property
    def tight(self) -> bool:
        """Whether the dwells lie close to the fit, and the readings close to their dwells."""
        end_play, within = self.strokes.end_play_mm, self.dwells.spread_mm
        rounding = ROUNDING * self.step_mm
        most_between = max(MOST_SPREAD * end_play, MOST_SPREADS_WITHIN * within, MOST_SPREAD_MM) + rounding
        most_within = max(MOST_WITHIN * end_play, MOST_WITHIN_MM) + rounding
        return self.strokes.spread_mm <= most_between and within <= most_within

    @property
    def turned(self) -> bool:
        """Whether the hub was turned, and this is run-out."""
        return self.strokes.end_play_mm >= LEAST_RUN_OUT_MM and self.flatness.surely_round

    @property
    def agrees(self) -> bool:
        """Whether few dwells lie outside the stops, where a spindle cannot get, once the strokes began.

        Nor may the dwells that rest elsewhere outnumber those on a stop. Excursions many times as large are
        the indicator being handled, and do not count.
        """
        strokes, count = self.strokes, self.dwells.count
        off = self.dwells.side * strokes.residual_mm / strokes.end_play_mm
        on = np.flatnonzero(strokes.on_stop)
        elsewhere = self.dwells.standing & ~strokes.on_stop
        rested = elsewhere & (count >= RESTED * median(count[strokes.on_stop]))
        rested &= (np.abs(off) > LEAST_BEYOND) & (np.abs(off) < MOST_BEYOND)
        rested[0] = False
        outside = elsewhere & (off > LEAST_BEYOND)
        outside[on[-1] :] &= off[on[-1] :] < MOST_BEYOND
        high = self.dwells.side > 0
        outnumbered = any(
            np.count_nonzero(rested & side) >= np.count_nonzero(strokes.on_stop & side)
            for side in (high, ~high)
        )
        return 6 * int(outside[on[0] :].sum()) <= strokes.full and not outnumbered


def find_stops(motion: Motion, struck: Spans = ()) -> Stops | None:
    """The two stops, or the nearest thing to them that the motion holds.

    Args:
        motion: The readings, the bad ones taken out.
        struck: When the dwells were that a person struck out; see ``dwells.struck_among``.

    Returns:
        Stops that are sound, if there are any; else those with the most weight; None if no two strokes agree.
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
        found = _match(motion, values, turns, struck)
        if found and found.regular:
            found = _look_again(motion, found, struck)
        if found and found.sound:
            return found
        if found and (nearest is None or (found.weight > nearest.weight and not nearest.settled)):
            nearest = found
    return nearest


def _look_again(motion: Motion, found: Stops, struck: Spans) -> Stops | None:
    """The same stops with the drift taken off and the size of stroke known."""
    better: Stops | None = found
    for again in range(2):
        if better is None:
            return None
        if again and abs(better.strokes.drift_mm_per_s) * motion.lasted_s < SAME * motion.step_mm:
            break
        values = motion.values_mm - better.drift_mm_per_s * (motion.times_s - motion.times_s[0])
        height = max(motion.least_mm, KNOWN_SIZE * better.strokes.end_play_mm)
        turns = turning_points(values, height, extremes(values))
        if len(turns) < 3:
            return None
        better = _match(motion, values, turns, struck, better)
    return better


def _match(
    motion: Motion, values: Floats, turns: Ints, struck: Spans, before: Stops | None = None
) -> Stops | None:
    """Dwells at these turning points, and the strokes among them that agree.

    Args:
        motion: Where the readings come from.
        values: The readings with the drift of ``before`` taken off, millimetres; shape (n,).
        turns: Where they turn round.
        struck: When the dwells were that a person struck out.
        before: What is known already.
    """
    step, drift = motion.step_mm, 0.0
    spread = max(motion.noise_mm, ROUNDING * step)
    if before:
        spread, drift = before.dwells.spread_mm, before.drift_mm_per_s
    dwells = find_dwells(motion.times_s, values, turns, spread_mm=spread, step_mm=step)
    if struck:
        at = motion.times_s
        dwells = replace(dwells, struck=struck_among(at[dwells.start], at[dwells.stop - 1], struck))
    lasted = motion.lasted_s
    steady = max(1.0, STEADY_S * len(values) / lasted) if lasted > 0 else 1.0
    strokes = match_strokes(dwells, _tolerances(dwells, step, steady, known=before is not None))
    if strokes is None:
        return None
    flatness = flatness_of(motion.times_s, values, dwells, strokes, step_mm=step)
    return Stops(dwells, strokes, flatness, drift + strokes.drift_mm_per_s, motion.kept, step, steady)


def _tolerances(dwells: Dwells, step_mm: float, steady_count: float, *, known: bool) -> Tolerances:
    """How well dwells must agree: by resolution, how sure their levels are, and the size of the strokes.

    Before the drift and the size of stroke are known, dwells on one stop may lie further apart.
    """
    heights = np.abs(np.diff(dwells.level_mm))
    stands = dwells.strokes_standing
    usual = median(heights[stands] if stands.any() else heights)
    share = 0.004 if known else 0.04
    broad = max(1.05 * step_mm, 3.5 * dwells.level_u_mm, min(0.005, 0.25 * usual), share * usual)
    narrow = max(0.75 * step_mm, 4.0 * dwells.level_u_mm, 0.0015)
    return Tolerances(broad, narrow, steady_count)
