"""Readings to motion: the bad readings taken out, how noisy the rest is, and where it turns round.

Turning points are found with hysteresis: a change of direction counts once it exceeds a height. That needs no
noise model and no plateau detector, and the height may be anything from the noise to the whole range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.arrays import Flags, Floats, Ints

LEAST_STROKE_MM = 0.004
"""Reversals smaller than this are never taken for strokes, millimetres: a hand against a stop wobbles so
far."""

NOISES = 4.0
"""Nor are reversals of fewer standard deviations of the noise."""

STEPS = 1.2
"""Nor those of fewer steps of the indicator: one step is what rounding alone gives."""

REST_QUANTILE, REST_SIGMAS = 0.3, 0.545
"""The smaller moves from one reading to the next are those at rest. So small a share of the absolute
differences of two readings lies below so many of their standard deviations: sqrt(2) times the 65 % point of a
normal distribution."""

APART_STEPS, APART_MOVES, APART_RANGES = 3.0, 8.0, 0.6
"""A bad reading stands apart from its neighbours by more than so many steps, usual moves, and ranges of
theirs."""


@dataclass(frozen=True, slots=True)
class Motion:
    """What a trace holds, before any stroke is looked for.

    Attributes:
        times_s: Times of the readings used, seconds; shape (n,).
        values_mm: The readings used, millimetres; shape (n,).
        kept: Their indices in the trace; shape (n,).
        step_mm: Resolution, millimetres.
        noise_mm: Standard deviation of a reading at rest, roughly, millimetres.
        least_mm: Smallest reversal that may be a stroke, millimetres.
    """

    times_s: Floats
    values_mm: Floats
    kept: Ints
    step_mm: float
    noise_mm: float
    least_mm: float

    @property
    def lasted_s(self) -> float:
        """From the first reading to the last, seconds."""
        return float(self.times_s[-1] - self.times_s[0])


def motion_of(times_s: Floats, readings_mm: Floats, step_mm: float) -> Motion:
    """Take the bad readings out and see how noisy the rest is.

    Args:
        times_s: Seconds, not decreasing; shape (n,), n at least 1.
        readings_mm: Millimetres, shape (n,).
        step_mm: Resolution, millimetres, above 0.
    """
    kept = np.arange(len(readings_mm))
    # what stood beside a bad reading is only seen for what it is once that one is gone
    for _ in range(2):
        bad = bad_readings(readings_mm[kept], step_mm)
        if not bad.any():
            break
        kept = kept[~bad]
    values = readings_mm[kept]
    moves = np.sort(np.abs(np.diff(values)))
    noise = float(moves[int(REST_QUANTILE * len(moves))]) / REST_SIGMAS if len(moves) else 0.0
    least = max(STEPS * step_mm, NOISES * noise, LEAST_STROKE_MM)
    return Motion(times_s[kept], values, kept, step_mm, noise, least)


def bad_readings(readings_mm: Floats, step_mm: float) -> Flags:
    """Single readings (or one sent twice) that stand apart from their neighbours on both sides.

    A wrong sign, a factor of ten, a zero or a random number in mid stream is such a reading. Values that
    repeat are taken as one, and a value that lasts more than two readings is never bad.

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
    usual = max(APART_STEPS * step_mm, APART_MOVES * float(np.median(moves)))
    if float(moves.max()) <= usual:
        return bad
    first = np.flatnonzero(np.concatenate(([True], moves != 0)))
    values = readings_mm[first]
    length = np.diff(np.concatenate((first, [n])))
    m = len(values)
    padded = np.concatenate((values[[0, 0, 0]], values, values[[-1, -1, -1]]))
    around = np.sort(np.stack([padded[k : k + m] for k in (0, 1, 2, 4, 5, 6)]), axis=0)
    # of the three on each side the outermost may be bad themselves
    low, high = around[1], around[-2]
    apart = np.maximum(values - high, low - values)
    odd = np.flatnonzero((apart > np.maximum(APART_RANGES * (high - low), usual)) & (length <= 2))
    bad[first[odd]] = True
    twice = odd[length[odd] == 2]
    bad[first[twice] + 1] = True
    return bad


def extremes(values: Floats) -> Ints:
    """Indices of all local extremes and of both ends: what turning points are chosen from.

    Of equal readings in a row the last one counts.

    >>> extremes(np.array([0.0, 1.0, 2.0, 2.0, 1.0, 3.0])).tolist()
    [0, 3, 4, 5]

    Args:
        values: Shape (n,).
    """
    ways = np.sign(np.diff(values))
    moving = np.flatnonzero(ways)
    if not len(moving):
        return np.zeros(min(1, len(values)), dtype=np.int64)
    turns = moving[1:][ways[moving[1:]] != ways[moving[:-1]]]
    return np.concatenate(([0], turns, [moving[-1] + 1]))


def turning_points(values: Floats, height: float, among: Ints) -> Ints:
    """Where the values turn round, alternating between high and low, each time by at least ``height``.

    >>> v = np.array([0.0, 5.0, 4.5, 5.5, 0.5, 6.0])
    >>> turning_points(v, 2.0, extremes(v)).tolist()
    [0, 3, 4, 5]

    Args:
        values: Shape (n,).
        height: Smallest reversal that counts, above 0, in the unit of the values.
        among: Indices to choose from: ``extremes(values)``, or the turning points of a smaller height.

    Returns:
        Indices in order, the first and the last extreme included; one index if nothing reverses.
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
