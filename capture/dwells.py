"""Motion to dwells: which readings rest before the hub turns round.

A stroke ends at a stop or short of one; either way the motion turns round there. Between the middles of two
neighbouring strokes lies one visit, and the settled part of the visit is its dwell. All of it works on whole
arrays: no step loops over visits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from capture.arrays import SIGMAS_OF_MAD, Flags, Floats, Ints

SETTLING_S, SETTLING_SHARE = 0.12, 0.4
"""After arrival a plunger may bounce and lag this long, seconds, but at most this share of the dwell: those
readings are left out."""

LEAVING_S, LEAVING_SHARE = 0.04, 0.1
"""Before departure the hand may already be taking the load off, in the same way."""

CREST = 0.3
"""Readings within this share of the shorter stroke from the extreme are looked at for the dwell's level."""

CROWD_SPREADS, CROWD_LEAST, CROWD_MOST = 4.0, 0.03, 0.3
"""Readings crowd if they lie within a height of so many spreads; at least and at most these shares of the
stroke."""

NEAR_SPREADS, NEAR_LEAST, NEAR_MOST = 5.0, 0.02, 0.25
"""Readings belong to the dwell if they lie so near to where they crowd, in the same way."""

ROUNDING = 1.1
"""Either is at least so many steps of the indicator, so that a level between two steps does not fall in
two."""


Spans: TypeAlias = Sequence[tuple[float, float]]
"""Stretches of time, seconds, each from its first moment to its last."""


@dataclass(frozen=True, slots=True)
class Dwells:
    """Visits to a stop, or to where a stroke turned back, in order; arrays have one row for each, shape (k,).

    Attributes:
        level_mm: Mean of the settled readings, millimetres.
        at_s: Their mean time, seconds.
        count: How many readings are settled, at least 1.
        start: Index of the first settled reading.
        stop: Index after the last settled reading.
        side: +1 where the readings are high, -1 where they are low.
        edges: Index of the first reading of each visit, and one past the last; shape (k + 1,).
        spread_mm: Standard deviation of the readings within a usual dwell (one number for all), millimetres.
        level_u_mm: Standard deviation of a usual dwell's level, as far as its own two halves tell (one number
            for all), millimetres.
        struck: For each whether a person struck it out, so that it is never taken for a rest on a stop; shape
            (k,). None where none was.
    """

    level_mm: Floats
    at_s: Floats
    count: Ints
    start: Ints
    stop: Ints
    side: Ints
    edges: Ints
    spread_mm: float
    level_u_mm: float
    struck: Flags | None = None

    def __len__(self) -> int:
        return len(self.level_mm)

    def visits(self) -> Ints:
        """For each reading which visit it belongs to; shape (n,)."""
        return np.repeat(np.arange(len(self)), np.diff(self.edges))

    @property
    def standing(self) -> Flags:
        """For each whether nobody struck it out; shape (k,)."""
        return np.ones(len(self), dtype=np.bool_) if self.struck is None else ~self.struck

    @property
    def strokes_standing(self) -> Flags:
        """For each stroke, from one dwell to the next, whether both of them stand; shape (k - 1,)."""
        standing = self.standing
        return np.asarray(standing[1:] & standing[:-1])

    def weights(self, steady_count: float) -> Floats:
        """How much each dwell counts in a fit, above 0 and below 1; shape (k,).

        Args:
            steady_count: How many readings make a dwell's level half as sure as it can be.
        """
        return np.asarray(self.count / (self.count + steady_count))


def struck_among(from_s: Floats, to_s: Floats, spans: Spans) -> Flags | None:
    """Which dwells were struck out: those that share a moment with a span that was.

    Args:
        from_s: When each begins, seconds; shape (k,).
        to_s: When each ends; shape (k,).
        spans: First and last moment of each dwell that was struck out, seconds, as they were seen.

    Returns:
        Shape (k,); None if no span was given.
    """
    if not spans:
        return None
    struck = np.zeros(len(from_s), dtype=np.bool_)
    for begin, end in spans:
        struck |= (from_s <= end) & (to_s >= begin)
    return struck


def find_dwells(
    times_s: Floats, values_mm: Floats, turns: Ints, *, spread_mm: float, step_mm: float
) -> Dwells:
    """The settled part of each visit.

    Args:
        times_s: Shape (n,), seconds.
        values_mm: Shape (n,), millimetres; bad readings taken out, drift taken off as far as it is known.
        turns: Turning points as ``turning_points`` gives them, at least two.
        spread_mm: Standard deviation of readings at rest as far as it is known; 0 if not.
        step_mm: Resolution, millimetres.
    """
    k = len(turns)
    peaks = values_mm[turns]
    rises = np.diff(peaks)
    heights = np.abs(rises)
    side = np.where(np.concatenate((rises < 0, [rises[-1] > 0])), 1, -1)
    leg = np.minimum(np.concatenate((heights[:1], heights)), np.concatenate((heights, heights[-1:])))
    edges = _edges(values_mm, turns, peaks)
    visit = np.repeat(np.arange(k), np.diff(edges))

    crowded = max(ROUNDING * step_mm, CROWD_SPREADS * spread_mm)
    width = np.minimum(np.maximum(crowded, CROWD_LEAST * leg), CROWD_MOST * leg)
    depth = (peaks[visit] - values_mm) * side[visit] / leg[visit]
    centre = _where_crowded(values_mm, depth, visit, edges, width / leg)

    near = max(ROUNDING * step_mm, NEAR_SPREADS * spread_mm)
    tolerance = np.minimum(np.maximum(near, NEAR_LEAST * leg), NEAR_MOST * leg)
    off = values_mm - centre[visit]
    inside = np.abs(off) <= tolerance[visit]
    index = np.arange(len(values_mm))
    first = np.minimum.reduceat(np.where(inside, index, len(values_mm)), edges[:-1])
    last = np.maximum.reduceat(np.where(inside, index, -1), edges[:-1])
    arrived, left = times_s[first], times_s[last]
    lasted = left - arrived
    early = arrived + np.minimum(SETTLING_S, SETTLING_SHARE * lasted)
    late = left - np.minimum(LEAVING_S, LEAVING_SHARE * lasted)
    # nobody arrived before the first dwell, nor left after the last
    early[0], late[-1] = arrived[0], left[-1]
    settled = inside & (times_s >= early[visit]) & (times_s <= late[visit])
    # a dwell so short that nothing is settled has its last reading
    settled[last[np.bincount(visit[settled], minlength=k) == 0]] = True

    which = visit[settled]
    rest = off[settled]
    count = np.bincount(which, minlength=k)
    where = index[settled]
    ends = np.cumsum(count)
    amid = np.abs(times_s - 0.5 * (arrived + left)[visit]) <= 0.25 * lasted[visit]
    spread = _spread(off[amid], visit[amid])
    return Dwells(
        level_mm=centre + np.bincount(which, weights=rest, minlength=k) / count,
        at_s=np.bincount(which, weights=times_s[settled], minlength=k) / count,
        count=count,
        start=where[ends - count],
        stop=where[ends - 1] + 1,
        side=side,
        edges=edges,
        spread_mm=spread,
        level_u_mm=_level_u(rest, which, count, otherwise=spread),
    )


def _edges(values: Floats, turns: Ints, peaks: Floats) -> Ints:
    """Where one visit ends and the next begins: the last passage through each stroke's middle; (k + 1,)."""
    span = values[turns[0] : turns[-1]]
    lengths = np.diff(turns)
    middle = np.repeat(0.5 * (peaks[:-1] + peaks[1:]), lengths)
    upper = np.repeat(peaks[:-1] > peaks[1:], lengths)
    before = np.where((span > middle) == upper, np.arange(len(span)), -1)
    passage = np.maximum.reduceat(before, turns[:-1] - turns[0]) + turns[0] + 1
    return np.concatenate(([0], passage, [len(values)]))


def _where_crowded(values: Floats, depth: Floats, visit: Ints, edges: Ints, width: Floats) -> Floats:
    """The level nearest to each visit's extreme at which its readings crowd; shape (k,).

    Of all levels within CREST of the extreme, taken ``width`` high, the outermost that holds at least half as
    many readings as the fullest: a few readings of a bounce beyond it do not count, nor does a pause short of
    the stop.

    Args:
        values: Shape (n,).
        depth: How far each reading lies from its visit's extreme, as a share of the shorter stroke; shape
            (n,).
        visit: Which visit each reading belongs to; shape (n,).
        edges: Where the visits begin and end; shape (k + 1,).
        width: As a share of the shorter stroke; shape (k,).
    """
    # whole numbers are visits and what is behind the point is depth: one sort and one search serve all visits
    order = np.argsort(visit + np.minimum(depth, 0.999), kind="stable")
    depth, owner = depth[order], visit[order]
    place = owner + np.minimum(depth, 0.999)
    last = np.searchsorted(place, owner + np.minimum(depth + width[owner], 0.999))
    crowd = np.where(depth < CREST, np.minimum(last, edges[1:][owner]) - np.arange(len(depth)), 0)
    fullest = np.maximum.reduceat(crowd, edges[:-1])
    enough = np.flatnonzero(2 * crowd >= np.maximum(fullest, 1)[owner])
    first = enough[np.searchsorted(enough, edges[:-1])]
    stop = np.maximum(last[first], first + 1)
    total = np.concatenate(([0.0], np.cumsum(values[order] - values[0])))
    return np.asarray(values[0] + (total[stop] - total[first]) / (stop - first))


def _spread(off: Floats, visit: Ints) -> float:
    """Standard deviation of the readings of a usual dwell, from all that lie in the middle half of its time.

    Its ends may still belong to the move; and readings chosen by how near they lie would make the spread
    smaller (or larger) each time it is used to say what is near. Of all dwells the one in the middle speaks,
    so that a few with a small half stroke in them do not.
    """
    if not len(off):
        return 0.0
    count = np.bincount(visit)
    usual = np.flatnonzero(count >= min(3, int(count.max())))
    mean = np.bincount(visit, weights=off) / np.maximum(count, 1)
    square = np.bincount(visit, weights=(off - mean[visit]) ** 2) / np.maximum(count - 1, 1)
    return float(np.sqrt(np.median(square[usual])))


def _level_u(rest: Floats, which: Ints, count: Ints, *, otherwise: float) -> float:
    """Standard deviation of a usual dwell's level, from how far its two halves lie apart.

    The halves tell it whether the noise is from one reading to the next or slower. Where no dwell has four
    readings it is ``otherwise``.
    """
    k = len(count)
    long = count >= 4
    if not long.any():
        return otherwise
    place = np.arange(len(rest)) - np.repeat(np.cumsum(count) - count, count)
    early = 2 * place < np.repeat(count, count)
    n_early = np.maximum(np.bincount(which[early], minlength=k), 1)
    n_late = np.maximum(count - n_early, 1)
    mean_early = np.bincount(which, weights=rest * early, minlength=k) / n_early
    mean_late = np.bincount(which, weights=rest * ~early, minlength=k) / n_late
    return SIGMAS_OF_MAD * float(np.median(np.abs(mean_early - mean_late)[long])) / 2
