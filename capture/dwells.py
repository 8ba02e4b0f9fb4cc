"""Readings to dwells: where the hub turned round, and which readings rest before it did.

A stroke ends at a stop or short of one; either way the motion turns round there. Turning points are found with hysteresis
(a change of direction counts once it exceeds a height), so they need no noise model and no plateau detector. Between the
middles of two neighbouring strokes lies one visit, and the settled part of the visit is its dwell. All of it works on
whole arrays: no step loops over visits, and only the turning points loop over (local extremes of) readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

SETTLING_S = 0.12
"""After arrival a plunger may bounce and lag this long; those readings are left out of the dwell."""

LEAVING_S = 0.04
"""Before departure the hand may already be taking the load off."""

CREST = 0.3
"""Readings within this share of the shorter stroke from the extreme are looked at for the dwell's level."""


@dataclass(frozen=True, slots=True)
class Dwells:
    """Visits to a stop (or to where a stroke turned back), in order; every array has one row for each, shape (k,).

    Attributes:
        level_mm: Mean of the settled readings.
        at_s: Their mean time.
        count: How many readings are settled, at least 1.
        start: Index of the first settled reading.
        stop: Index after the last settled reading.
        side: +1 where the readings are high, -1 where they are low.
        edges: Index of the first reading of each visit, and one past the last; shape (k + 1,).
        spread_mm: Standard deviation of the readings within a usual dwell (one number for all).
        level_u_mm: Standard deviation of a usual dwell's level, as far as its own two halves tell (one number for all).
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

    def __len__(self) -> int:
        return len(self.level_mm)


def bad_readings(readings_mm: Floats, step_mm: float) -> Flags:
    """Single readings (or one sent twice) that stand apart from their neighbours on both sides.

    A wrong sign, a factor of ten, a zero or a random number in mid stream is such a reading. Values that repeat are
    taken as one, and a value that lasts more than two readings is never bad.

    Args:
        readings_mm: Shape (n,), millimetres.
        step_mm: Resolution, millimetres.

    Returns:
        Shape (n,); True where the reading is bad.
    """
    n = len(readings_mm)
    bad = np.zeros(n, dtype=bool)
    moves = np.abs(np.diff(readings_mm))
    if n < 5:
        return bad
    usual = max(3.0 * step_mm, 8.0 * float(np.median(moves)))
    if float(moves.max()) <= usual:
        return bad
    first = np.flatnonzero(np.concatenate(([True], moves != 0)))
    values = readings_mm[first]
    length = np.diff(np.concatenate((first, [n])))
    m = len(values)
    padded = np.concatenate((values[[0, 0, 0]], values, values[[-1, -1, -1]]))
    around = np.sort(np.stack([padded[k : k + m] for k in (0, 1, 2, 4, 5, 6)]), axis=0)
    low, high = around[1], around[-2]
    apart = np.maximum(values - high, low - values)
    odd = np.flatnonzero((apart > np.maximum(0.6 * (high - low), usual)) & (length <= 2))
    bad[first[odd]] = True
    twice = odd[length[odd] == 2]
    bad[first[twice] + 1] = True
    return bad


def extremes(values: Floats) -> Ints:
    """Indices of all local extremes and of both ends; what turning points are chosen from. ``values`` has shape (n,)."""
    ways = np.sign(np.diff(values))
    moving = np.flatnonzero(ways)
    if not len(moving):
        return np.zeros(min(1, len(values)), dtype=np.int64)
    turns = moving[1:][ways[moving[1:]] != ways[moving[:-1]]]
    return np.concatenate(([0], turns, [moving[-1] + 1]))


def turning_points(values: Floats, height: float, among: Ints) -> Ints:
    """Where the values turn round, alternating between high and low, each time by at least ``height``.

    Args:
        values: Shape (n,).
        height: Smallest reversal that counts, above 0, in the unit of the values.
        among: Indices to choose from: ``extremes(values)``, or the turning points of a smaller height.

    Returns:
        Indices in order, the first and the last extreme included; one index if nothing reverses.

    Examples:
        >>> v = np.array([0.0, 5.0, 4.5, 5.5, 0.5, 6.0])
        >>> turning_points(v, 2.0, extremes(v)).tolist()
        [0, 3, 4, 5]
    """
    out: list[int] = []
    direction = high_at = low_at = 0
    candidates = values[among].tolist()
    if not candidates:
        return among
    high = low = candidates[0]
    for at, value in enumerate(candidates):
        if direction >= 0:
            if value > high:
                high, high_at = value, at
            elif high - value >= height:
                out.append(high_at)
                direction, low, low_at = -1, value, at
                continue
        if direction <= 0:
            if value < low:
                low, low_at = value, at
            elif value - low >= height:
                out.append(low_at)
                direction, high, high_at = 1, value, at
    out.append(high_at if direction >= 0 else low_at)
    return among[out]


def find_dwells(times_s: Floats, values: Floats, turns: Ints, spread_mm: float, step_mm: float) -> Dwells:
    """The settled part of each visit.

    Args:
        times_s: Shape (n,), seconds.
        values: Shape (n,), millimetres; bad readings taken out, drift taken off as far as it is known.
        turns: Turning points as ``turning_points`` gives them, at least two.
        spread_mm: Standard deviation of readings at rest as far as it is known; 0 if not.
        step_mm: Resolution, millimetres.
    """
    peaks = values[turns]
    rises = np.diff(peaks)
    heights = np.abs(rises)
    side = np.where(np.concatenate((rises < 0, [rises[-1] > 0])), 1, -1)
    leg = np.minimum(np.concatenate((heights[:1], heights)), np.concatenate((heights, heights[-1:])))
    edges = _edges(values, turns, peaks)
    visit = np.repeat(np.arange(len(turns)), np.diff(edges))
    width = np.minimum(np.maximum(max(1.1 * step_mm, 4.0 * spread_mm), 0.03 * leg), 0.3 * leg)
    centre = _middles(values, side[visit], peaks, leg, visit, edges, width)

    tolerance = np.minimum(np.maximum(max(1.1 * step_mm, 5.0 * spread_mm), 0.02 * leg), 0.25 * leg)
    off = values - centre[visit]
    inside = np.abs(off) <= tolerance[visit]
    index = np.arange(len(values))
    first = np.minimum.reduceat(np.where(inside, index, len(values)), edges[:-1])
    last = np.maximum.reduceat(np.where(inside, index, -1), edges[:-1])
    arrived, left = times_s[first], times_s[last]
    lasted = left - arrived
    early = arrived + np.minimum(SETTLING_S, 0.4 * lasted)
    late = left - np.minimum(LEAVING_S, 0.1 * lasted)
    early[0], late[-1] = arrived[0], left[-1]
    settled = inside & (times_s >= early[visit]) & (times_s <= late[visit])
    lonely = np.flatnonzero(np.bincount(visit[settled], minlength=len(turns)) == 0)
    settled[last[lonely]] = True

    which = visit[settled]
    rest = off[settled]
    count = np.bincount(which, minlength=len(turns))
    level = centre + np.bincount(which, weights=rest, minlength=len(turns)) / count
    at = np.bincount(which, weights=times_s[settled], minlength=len(turns)) / count
    where = index[settled]
    ends = np.cumsum(count)
    amid = np.abs(times_s - 0.5 * (arrived + left)[visit]) <= 0.25 * lasted[visit]
    spread = _spread(values - centre[visit], visit, amid) if amid.any() else 0.0
    # the two halves of a dwell tell how sure its level is, be the noise from one reading to the next or slower
    place = np.arange(len(rest)) - np.repeat(ends - count, count)
    early_half = 2 * place < np.repeat(count, count)
    both = count >= 4
    n_early = np.maximum(np.bincount(which[early_half], minlength=len(turns)), 1)
    n_late = np.maximum(count - n_early, 1)
    first_mean = np.bincount(which, weights=rest * early_half, minlength=len(turns)) / n_early
    second_mean = np.bincount(which, weights=rest * ~early_half, minlength=len(turns)) / n_late
    apart = np.abs(first_mean - second_mean)[both]
    level_u = 1.4826 * float(np.median(apart)) / 2 if len(apart) else spread
    return Dwells(level, at, count, where[ends - count], where[ends - 1] + 1, side, edges, spread, level_u)


def _spread(off: Floats, visit: Ints, amid: Flags) -> float:
    """Standard deviation of the readings of a usual dwell, from all that lie in the middle half of its time.

    Its ends may still belong to the move; and readings chosen by how near they lie would make the spread smaller (or
    larger) each time it is used to say what is near. Of all dwells the one in the middle speaks, so that a few with a
    small half stroke in them do not.
    """
    which, rest = visit[amid], off[amid]
    count = np.bincount(which)
    usual = np.flatnonzero(count >= min(3, int(count.max())))
    several = np.maximum(count, 1)
    mean = np.bincount(which, weights=rest) / several
    square = np.bincount(which, weights=(rest - mean[which]) ** 2) / np.maximum(count - 1, 1)
    return float(np.sqrt(np.median(square[usual])))


def _edges(values: Floats, turns: Ints, peaks: Floats) -> Ints:
    """Where one visit ends and the next begins: the last passage through the middle of each stroke; shape (k + 1,)."""
    span = values[turns[0] : turns[-1]]
    lengths = np.diff(turns)
    middle = np.repeat(0.5 * (peaks[:-1] + peaks[1:]), lengths)
    upper = np.repeat(peaks[:-1] > peaks[1:], lengths)
    before = np.where((span > middle) == upper, np.arange(len(span)), -1)
    passage = np.maximum.reduceat(before, turns[:-1] - turns[0]) + turns[0] + 1
    return np.concatenate(([0], passage, [len(values)]))


def _middles(
    values: Floats, side: Ints, peaks: Floats, leg: Floats, visit: Ints, edges: Ints, width: Floats
) -> Floats:
    """The level nearest to each visit's extreme at which its readings crowd; shape (k,).

    Of all levels within CREST of the extreme, taken ``width`` high, the outermost that holds at least half as many
    readings as the fullest: a few readings of a bounce beyond it do not count, nor does a pause short of the stop.
    """
    depth = (peaks[visit] - values) * side / leg[visit]
    order = np.argsort(visit + np.minimum(depth, 0.999), kind="stable")
    depth, owner = depth[order], visit[order]
    last = np.searchsorted(owner + np.minimum(depth, 0.999), owner + np.minimum(depth + (width / leg)[owner], 0.999))
    crowd = np.where(depth < CREST, np.minimum(last, edges[1:][owner]) - np.arange(len(depth)), 0)
    fullest = np.maximum.reduceat(crowd, edges[:-1])
    enough = np.flatnonzero(2 * crowd >= np.maximum(fullest, 1)[owner])
    first = enough[np.searchsorted(enough, edges[:-1])]
    mean = np.concatenate(([0.0], np.cumsum(values[order] - values[0])))
    stop = np.maximum(last[first], first + 1)
    return values[0] + (mean[stop] - mean[first]) / (stop - first)
