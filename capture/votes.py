"""Votes: what most of the dwells say, before anything is known of which of them rest on a stop.

A mean asks all; a vote asks how many agree. So half strokes, the excursions while the indicator is set up,
and a slip of the base or a press of the zero button decide nothing as long as they do not agree with each
other.
"""

from __future__ import annotations

import numpy as np

from capture.arrays import Flags, Floats, Ints

MOST_DRIFT_MM_PER_S = 0.0085
"""Creep of the base that is still taken out, millimetres a second: 0.5 mm/min. A base that creeps faster has
to be clamped again."""

CREEPS = np.linspace(-MOST_DRIFT_MM_PER_S, MOST_DRIFT_MM_PER_S, 31)
"""Creeps that are tried, millimetres a second; the best of them is then refined."""

CREEP_STEP = float(CREEPS[1] - CREEPS[0])


def vote(values: Floats, tolerance: float) -> float:
    """The value that most others agree with; of equals the largest.

    >>> vote(np.array([0.30, 0.31, 0.12, 0.31, 2.0, 0.32]), 0.02)
    0.31

    Args:
        values: Shape (n,), n at least 1.
        tolerance: How far two values that agree may lie apart, above 0, in the unit of the values.
    """
    order = np.sort(values)
    votes = np.searchsorted(order, order + tolerance, "right") - np.searchsorted(
        order, order - tolerance, "left"
    )
    best = float(order[len(order) - 1 - int(np.argmax(votes[::-1]))])
    for _ in range(3):
        near = order[np.abs(order - best) <= tolerance]
        best = float(near.mean()) if len(near) else best
    return best


def vote_drift(
    at_s: Floats, level_mm: Floats, tolerance_mm: float, every: tuple[int, ...], standing: Flags | None = None
) -> float:
    """The creep under which most pairs of dwells on the same side lie level, millimetres a second.

    Args:
        at_s: Times of the dwells, which alternate between two sides; shape (k,).
        level_mm: Their levels; shape (k,).
        tolerance_mm: How far the levels of a pair may lie apart.
        every: How many dwells apart the two of a pair are; even numbers.
        standing: Which dwells may vote; shape (k,). All of them if not given.
    """
    lags = [lag for lag in every if lag < len(level_mm)]
    if not lags:
        return 0.0
    rise = np.concatenate([level_mm[lag:] - level_mm[:-lag] for lag in lags])
    time = np.concatenate([at_s[lag:] - at_s[:-lag] for lag in lags])
    if standing is not None:
        both = np.concatenate([standing[lag:] & standing[:-lag] for lag in lags])
        if not both.any():
            return 0.0
        rise, time = rise[both], time[both]
    # a pair must not fall between two of the creeps that are tried
    width = tolerance_mm + 0.5 * CREEP_STEP * time
    off = (rise - CREEPS[:, None] * time) / width
    votes = np.exp(-0.5 * off * off).sum(axis=1)
    best = float(CREEPS[int(np.argmax(votes))])
    for _ in range(4):
        w = np.exp(-0.5 * ((rise - best * time) / tolerance_mm) ** 2)
        total = float((w * time * time).sum())
        if total <= 0:
            break
        best = float((w * rise * time).sum()) / total
    return min(MOST_DRIFT_MM_PER_S, max(-MOST_DRIFT_MM_PER_S, best))


def vote_bases(bases_mm: Floats, tolerance_mm: float) -> tuple[Ints, Flags]:
    """Which base each dwell belongs to, with at most one slip, and which dwells lie on it.

    Args:
        bases_mm: Each dwell's level less what its side and the creep make of it, millimetres; shape (k,), k
            at least 1.
        tolerance_mm: How far a dwell may lie from its base.

    Returns:
        For each dwell 0, or 1 after the slip; and whether it lies on that base. Both of shape (k,).
    """
    k = len(bases_mm)
    here = np.abs(bases_mm - vote(bases_mm, tolerance_mm)) <= tolerance_mm
    base = np.zeros(k, dtype=np.int64)
    others = np.flatnonzero(~here)
    if len(others) < 2:
        return base, here
    there = np.abs(bases_mm - vote(bases_mm[others], tolerance_mm)) <= tolerance_mm
    # a slip must win more than one dwell: a single one off the base is a half stroke
    best = int(here.sum()) + 1
    cut, first, second = 0, here, here
    for a, b in ((here, there), (there, here)):
        agree = np.cumsum(a)[:-1] + (int(b.sum()) - np.cumsum(b)[:-1])
        at = int(np.argmax(agree))
        if int(agree[at]) > best:
            best, cut, first, second = int(agree[at]), at + 1, a, b
    if not cut:
        return base, here
    base = (np.arange(k) >= cut).astype(np.int64)
    return base, np.where(base == 0, first, second)
