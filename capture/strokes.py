"""Dwells to strokes: which dwells rest on a stop, and what the base did meanwhile.

The model of every dwell that rests on a stop is ``level = base + side * end_play / 2 + drift * time``, with one step in the
base where it slipped. Which dwells do is found by votes (of pairs on the same side for the drift, of strokes for the end
play, of single dwells for the base), so that up to a third of half strokes, the excursions while the indicator is set up,
and a slip or a press of the zero button decide nothing. Least squares through the dwells that agree does the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calc.student import t_quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capture.dwells import Dwells

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

MOST_DRIFT_MM_PER_S = 0.0085
"""Creep of the base that is still taken out: 0.5 mm/min. A base that creeps faster has to be clamped again."""

CREEPS = np.linspace(-MOST_DRIFT_MM_PER_S, MOST_DRIFT_MM_PER_S, 31)
CREEP_STEP = float(CREEPS[1] - CREEPS[0])

SLIP_CHANCE = 0.0005
"""Probability of calling a slip where there is none, over all the places where it might be."""

RARER = 5.0
"""Twice the log of how much more often a dwell rests on a stop than short of one: four times, at the most halves."""

SLIP_PRICE = 7.0
"""A slip has a size and a place, and is rare: so many times the log of the number of dwells."""


@dataclass(frozen=True, slots=True)
class Strokes:
    """What the dwells are, once the strokes agree.

    Attributes:
        end_play_mm: Distance between the stops.
        drift_mm_per_s: Creep of the base, beyond what was taken off before.
        on_stop: For each dwell whether it rests on a stop; shape (k,).
        base: For each dwell 0, or 1 after the base slipped; shape (k,).
        residual_mm: For each dwell its level less the model's; shape (k,).
        full: How many strokes went from stop to stop.
        half: How many strokes between the first and the last dwell on a stop did not.
        slip_mm: How far the base slipped; 0 if it did not.
        spread_mm: Standard deviation of a well observed dwell about the fit.
        end_play_u_mm: Standard uncertainty of the end play from that spread and the dwells' places.
        dof: Dwells on a stop less the parameters fitted.
    """

    end_play_mm: float
    drift_mm_per_s: float
    on_stop: Flags
    base: Ints
    residual_mm: Floats
    full: int
    half: int
    slip_mm: float
    spread_mm: float
    end_play_u_mm: float
    dof: int


def match_strokes(dwells: Dwells, broad_mm: float, narrow_mm: float, steady_count: float) -> Strokes | None:
    """Find the strokes that agree.

    Args:
        dwells: Any number.
        broad_mm: How far two dwells on the same stop may lie apart before anything is known of their spread.
        narrow_mm: How far they may lie from the fit in any case.
        steady_count: How many readings make a dwell's level half as sure as it can be.

    Returns:
        None if no two dwells go together.
    """
    if len(dwells) < 2:
        return None
    at, level = dwells.at_s, dwells.level_mm
    # a slip looks like creep over long times and creep looks like a slip over short ones: try each reading of it
    creeps = [_vote_drift(at, level, broad_mm, lags) for lags in ((2, 4, 6, 8), (2,))]
    lasted = float(at[-1] - at[0])
    tried: list[Strokes] = []
    for i, creep in enumerate([*creeps, 0.0]):
        if all(abs(creep - other) * lasted > 0.5 * broad_mm for other in creeps[:i]):
            tried += _match_with(dwells, creep, broad_mm, narrow_mm, steady_count)
    return min(tried, key=lambda s: _misfit(s, narrow_mm / 3), default=None)


def _misfit(strokes: Strokes, least_spread_mm: float) -> float:
    """Twice the negative log likelihood of all dwells, and a price for what the fit was free to choose.

    A dwell on a stop is normal about it; any other may lie anywhere between the stops, and is rarer.
    """
    on = strokes.on_stop
    n = int(np.count_nonzero(on))
    variance = max(float((strokes.residual_mm[on] ** 2).mean()), least_spread_mm**2)
    elsewhere = 2 * math.log(strokes.end_play_mm) + RARER if strokes.end_play_mm > 0 else 0.0
    price = SLIP_PRICE * math.log(len(on)) if strokes.slip_mm else 0.0
    return n * (math.log(2 * math.pi * variance) + 1) + (len(on) - n) * elsewhere + price


def _match_with(
    dwells: Dwells, drift: float, broad_mm: float, narrow_mm: float, steady_count: float
) -> list[Strokes]:
    """The strokes that agree, starting from a supposed creep; with and without the slip that the dwells vote for."""
    side, at, level = dwells.side, dwells.at_s, dwells.level_mm
    end_play = _vote(side[1:] * (np.diff(level) - drift * np.diff(at)), broad_mm)
    if end_play <= 0:
        return []
    bases = level - 0.5 * side * end_play - drift * at
    base, on_stop = _vote_bases(bases, broad_mm)
    begin = [(base, on_stop)]
    # dwells that scatter more than was thought fall out of the votes, and are let in here once for all
    generous = np.abs(bases - _vote(bases, broad_mm)) <= 3 * broad_mm
    if base.any() or not np.array_equal(generous, on_stop):
        begin.append((np.zeros_like(base), generous))
    tried = [_settle(dwells, *first, broad_mm, narrow_mm, steady_count) for first in begin]
    return [strokes for strokes in tried if strokes]


def _settle(
    dwells: Dwells, base: Ints, on_stop: Flags, broad_mm: float, narrow_mm: float, steady_count: float
) -> Strokes | None:
    """Fit, see which dwells lie on the fit, and fit again until nothing changes."""
    side, at, level = dwells.side, dwells.at_s, dwells.level_mm
    weight = dwells.count / (dwells.count + steady_count)
    fitted = _fit(side, at, level, weight, on_stop, base)
    for _ in range(8):
        if fitted is None:
            return None
        if not fitted.slip_mm:
            cut = _slip(side, at, level, weight, fitted, narrow_mm)
            if cut:
                base = (np.arange(len(level)) >= cut).astype(np.int64)
                fitted = _fit(side, at, level, weight, on_stop, base) or fitted
        off = np.abs(fitted.residual_mm)
        usual = 1.4826 * median(off[fitted.on_stop]) * (1 + 2 / max(1, fitted.dof))
        again = off <= max(narrow_mm, min(3.5 * usual, 2 * broad_mm))
        if np.array_equal(again, on_stop):
            break
        on_stop = again
        fitted = _fit(side, at, level, weight, on_stop, base)
    # one that stopped a little short hides in a spread that it makes itself: see whether all is likelier without it
    while fitted is not None and fitted.dof > 2:
        fewer = fitted.on_stop.copy()
        fewer[int(np.argmax(np.abs(fitted.residual_mm) * fewer))] = False
        without = _fit(side, at, level, weight, fewer, base)
        if without is None or _misfit(without, narrow_mm / 3) >= _misfit(fitted, narrow_mm / 3):
            break
        fitted = without
    return fitted


def _vote(values: Floats, tolerance: float) -> float:
    """The value that most others agree with; of equals the largest."""
    order = np.sort(values)
    votes = np.searchsorted(order, order + tolerance, "right") - np.searchsorted(
        order, order - tolerance, "left"
    )
    best = float(order[len(order) - 1 - int(np.argmax(votes[::-1]))])
    for _ in range(3):
        near = order[np.abs(order - best) <= tolerance]
        best = float(near.mean()) if len(near) else best
    return best


def _vote_drift(at: Floats, level: Floats, tolerance: float, every: tuple[int, ...]) -> float:
    """The creep under which most pairs of dwells on the same side, ``every`` so many dwells apart, lie level."""
    lags = [lag for lag in every if lag < len(level)]
    if not lags:
        return 0.0
    rise = np.concatenate([level[lag:] - level[:-lag] for lag in lags])
    time = np.concatenate([at[lag:] - at[:-lag] for lag in lags])
    width = tolerance + 0.5 * CREEP_STEP * time
    off = (rise - CREEPS[:, None] * time) / width
    votes = np.exp(-0.5 * off * off).sum(axis=1)
    best = float(CREEPS[int(np.argmax(votes))])
    for _ in range(4):
        w = np.exp(-0.5 * ((rise - best * time) / tolerance) ** 2)
        total = float((w * time * time).sum())
        if total <= 0:
            break
        best = float((w * rise * time).sum()) / total
    return min(MOST_DRIFT_MM_PER_S, max(-MOST_DRIFT_MM_PER_S, best))


def _vote_bases(bases: Floats, tolerance: float) -> tuple[Ints, Flags]:
    """Which base each dwell belongs to, with at most one slip, and which dwells lie on it."""
    k = len(bases)
    here = np.abs(bases - _vote(bases, tolerance)) <= tolerance
    base = np.zeros(k, dtype=np.int64)
    others = np.flatnonzero(~here)
    if len(others) < 2:
        return base, here
    there = np.abs(bases - _vote(bases[others], tolerance)) <= tolerance
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


def _slip(side: Ints, at: Floats, level: Floats, weight: Floats, fitted: Strokes, least_mm: float) -> int:
    """First dwell after a slip of the base that the fit without one cannot explain; 0 if there is none.

    An F test of one step at the best place, at a level shared out over all places (Bonferroni).
    """
    use = np.flatnonzero(fitted.on_stop)
    k = len(use)
    dof = k - 4
    if dof < 2:
        return 0
    root = np.sqrt(weight[use])
    basis, _ = np.linalg.qr(
        np.column_stack((side[use], at[use] - at[use].mean(), np.ones(k))) * root[:, None]
    )
    y = level[use] * root
    y = y - basis @ (basis.T @ y)
    # steps[:, j] is 1 from dwell j + 2 on; its part outside the plain fit is found from running sums of the basis
    weights = weight[use]
    along = (np.cumsum((y * root)[::-1])[::-1])[2 : k - 1]
    inner = (np.cumsum((basis * root[:, None])[::-1], axis=0)[::-1])[2 : k - 1]
    norm = (np.cumsum(weights[::-1])[::-1])[2 : k - 1] - (inner * inner).sum(axis=1)
    gain = along * along / np.maximum(norm, 1e-9)
    best = int(np.argmax(gain))
    left = max(float(y @ y) - float(gain[best]), 1e-12)
    size = abs(float(along[best]) / max(float(norm[best]), 1e-9))
    if size > least_mm and float(gain[best]) / (left / dof) > t_quantile(1 - SLIP_CHANCE / (2 * k), dof) ** 2:
        return int(use[best + 2])
    return 0


def _fit(side: Ints, at: Floats, level: Floats, weight: Floats, on_stop: Flags, base: Ints) -> Strokes | None:
    """Weighted least squares through the dwells on a stop."""
    pairs = np.flatnonzero(on_stop[1:] & on_stop[:-1])
    full = len(pairs)
    if not full:
        return None
    # a dwell that fits by chance before the first full stroke, or after the last, does not stretch the measurement
    on_stop = on_stop.copy()
    on_stop[: pairs[0]] = on_stop[pairs[-1] + 2 :] = False
    use = np.flatnonzero(on_stop)
    middle = float(at[use].mean())
    reach = max(float(at[use[-1]] - at[use[0]]), 1e-9)
    time = (at - middle) / reach
    columns = [0.5 * side, np.ones(len(side))]
    slipped = bool(base[use[0]] != base[use[-1]])
    if len(use) > 3 + slipped:
        columns.append(time)
    if slipped:
        columns.append(base.astype(np.float64))
    design = np.column_stack(columns)
    fit, cover = _least_squares(design[use], level[use], weight[use])
    residual = level - design @ fit
    dof = len(use) - len(columns)
    variance = float((weight[use] * residual[use] ** 2).sum()) / dof if dof > 0 else 0.0
    return Strokes(
        end_play_mm=float(fit[0]),
        drift_mm_per_s=float(fit[2]) / reach if len(use) > 3 + slipped else 0.0,
        on_stop=on_stop,
        base=base,
        residual_mm=residual,
        full=full,
        half=int(use[-1] - use[0]) - full,
        slip_mm=float(fit[-1]) if slipped else 0.0,
        spread_mm=variance**0.5,
        end_play_u_mm=(variance * float(cover[0, 0])) ** 0.5,
        dof=dof,
    )


def bend_of(dwells: Dwells, strokes: Strokes, steady_count: float) -> float:
    """How much the end play would change if the creep were not steady but had a curvature too, millimetres."""
    use = np.flatnonzero(strokes.on_stop)
    if len(use) < 6 or strokes.dof < 2:
        return 0.0
    at = dwells.at_s[use]
    time = (at - at.mean()) / max(float(at[-1] - at[0]), 1e-9)
    columns = [0.5 * dwells.side[use], np.ones(len(use)), time, time * time]
    if strokes.slip_mm:
        columns.append(strokes.base[use].astype(np.float64))
    weight = dwells.count[use] / (dwells.count[use] + steady_count)
    bent, _ = _least_squares(np.column_stack(columns), dwells.level_mm[use], weight)
    return float(bent[0]) - strokes.end_play_mm


def median(values: Floats) -> float:
    """The middle value of at least one; as ``np.median`` gives it, at a tenth of the time for a few values."""
    order = np.sort(values)
    n = len(order)
    return float(order[n // 2]) if n % 2 else 0.5 * float(order[n // 2 - 1] + order[n // 2])


def _least_squares(design: Floats, y: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted fit and the inverse of the normal matrix; the columns are of order one, so this is well conditioned."""
    weighted = design.T * weight
    normal = weighted @ design
    try:
        cover = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        cover = np.linalg.pinv(normal, hermitian=True)
    return cover @ (weighted @ y), cover
