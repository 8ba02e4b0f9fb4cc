"""Dwells to strokes: which dwells rest on a stop, and what the base did meanwhile.

The model of every dwell that rests on a stop is ``level = base + side * end_play / 2 + drift * time``, with
one step in the base where it slipped. Votes say which dwells those are (of pairs on the same side for the
drift, of strokes for the end play, of single dwells for the base); least squares through the dwells that
agree does the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calc.student import t_quantile
from capture.arrays import SIGMAS_OF_MAD, Flags, Floats, Ints, median
from capture.dwells import Dwells
from capture.votes import vote, vote_bases, vote_drift

SLIP_CHANCE = 0.0005
"""Probability of calling a slip where there is none, over all the places where it might be."""

RARER = 5.0
"""Twice the log of how much more often a dwell rests on a stop than short of one: twelve times."""

SLIP_PRICE = 7.0
"""A slip has a size and a place, and is rare: so many times the log of the number of dwells."""

FAR = 3.5
"""A dwell that lies further from the fit than so many standard deviations of the others is not on a stop."""


@dataclass(frozen=True, slots=True)
class Tolerances:
    """How far dwells that rest on the same stop may lie apart.

    Attributes:
        broad_mm: Two of them, before anything is known of their spread, millimetres.
        narrow_mm: From the fit, in any case, millimetres.
        steady_count: How many readings make a dwell's level half as sure as it can be.
    """

    broad_mm: float
    narrow_mm: float
    steady_count: float

    @property
    def least_spread_mm(self) -> float:
        """Smaller spreads of the dwells about the fit are luck, and no fit is preferred for one."""
        return self.narrow_mm / 3


@dataclass(frozen=True, slots=True)
class Strokes:
    """What the dwells are, once the strokes agree.

    Attributes:
        end_play_mm: Distance between the stops, millimetres.
        drift_mm_per_s: Creep of the base, beyond what was taken off before.
        on_stop: For each dwell whether it rests on a stop; shape (k,).
        base: For each dwell 0, or 1 after the base slipped; shape (k,).
        residual_mm: For each dwell its level less the model's, millimetres; shape (k,).
        full: How many strokes went from stop to stop.
        half: How many strokes between the first and the last dwell on a stop did not.
        slip_mm: How far the base slipped, millimetres; 0 if it did not.
        spread_mm: Standard deviation of a well observed dwell about the fit, millimetres.
        end_play_u_mm: Standard uncertainty of the end play from that spread and the dwells' places,
            millimetres.
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


def match_strokes(dwells: Dwells, allow: Tolerances) -> Strokes | None:
    """Find the strokes that agree.

    Args:
        dwells: Any number.
        allow: How well they must agree.

    Returns:
        The likeliest reading of the dwells; None if no two of them go together.
    """
    if len(dwells) < 2:
        return None
    at, level = dwells.at_s, dwells.level_mm
    # a slip looks like creep over long times, and creep like a slip over short ones: try each reading of it
    creeps = [vote_drift(at, level, allow.broad_mm, lags, dwells.standing) for lags in ((2, 4, 6, 8), (2,))]
    lasted = float(at[-1] - at[0])
    tried: list[Strokes] = []
    for i, creep in enumerate([*creeps, 0.0]):
        if all(abs(creep - other) * lasted > 0.5 * allow.broad_mm for other in creeps[:i]):
            tried += _match_with(dwells, creep, allow)
    return min(tried, key=lambda strokes: _misfit(strokes, allow), default=None)


def bend_of(dwells: Dwells, strokes: Strokes, steady_count: float) -> float:
    """How much the end play would change if the creep were not steady but had a curvature too, millimetres.

    Args:
        dwells: What the strokes were found in.
        strokes: The strokes.
        steady_count: How many readings make a dwell's level half as sure as it can be.

    Returns:
        The change; 0 where there are too few dwells to tell.
    """
    use = np.flatnonzero(strokes.on_stop)
    if len(use) < 6 or strokes.dof < 2:
        return 0.0
    at = dwells.at_s[use]
    time = (at - at.mean()) / max(float(at[-1] - at[0]), 1e-9)
    columns = [0.5 * dwells.side[use], np.ones(len(use)), time, time * time]
    if strokes.slip_mm:
        columns.append(strokes.base[use].astype(np.float64))
    bent, _ = _least_squares(
        np.column_stack(columns), dwells.level_mm[use], dwells.weights(steady_count)[use]
    )
    return float(bent[0]) - strokes.end_play_mm


def _misfit(strokes: Strokes, allow: Tolerances) -> float:
    """Twice the negative log likelihood of all dwells, and a price for what the fit was free to choose.

    A dwell on a stop is normal about it; any other may lie anywhere between the stops, and is rarer.
    """
    on = strokes.on_stop
    n = int(np.count_nonzero(on))
    variance = max(float((strokes.residual_mm[on] ** 2).mean()), allow.least_spread_mm**2)
    elsewhere = 2 * math.log(strokes.end_play_mm) + RARER if strokes.end_play_mm > 0 else 0.0
    price = SLIP_PRICE * math.log(len(on)) if strokes.slip_mm else 0.0
    return n * (math.log(2 * math.pi * variance) + 1) + (len(on) - n) * elsewhere + price


def _match_with(dwells: Dwells, drift: float, allow: Tolerances) -> list[Strokes]:
    """The strokes that agree, from a supposed creep on; with and without the slip the dwells vote for."""
    side, at, level, standing = dwells.side, dwells.at_s, dwells.level_mm, dwells.standing
    heights = (side[1:] * (np.diff(level) - drift * np.diff(at)))[dwells.strokes_standing]
    end_play = vote(heights, allow.broad_mm) if len(heights) else 0.0
    if end_play <= 0:
        return []
    bases = level - 0.5 * side * end_play - drift * at
    base, on_stop = _vote_among(bases, standing, allow.broad_mm)
    begin = [(base, on_stop)]
    # dwells that scatter more than was thought fall out of the votes, and are let in here once for all
    middle = vote(bases[standing], allow.broad_mm)
    generous = standing & (np.abs(bases - middle) <= 3 * allow.broad_mm)
    if base.any() or not np.array_equal(generous, on_stop):
        begin.append((np.zeros_like(base), generous))
    tried = [_settle(dwells, *first, allow) for first in begin]
    return [strokes for strokes in tried if strokes]


def _vote_among(bases: Floats, standing: Flags, broad_mm: float) -> tuple[Ints, Flags]:
    """Which base each dwell belongs to, and which dwells lie on it, by the votes of those that stand."""
    voted, lies = vote_bases(bases[standing], broad_mm)
    on_stop = np.zeros(len(bases), dtype=np.bool_)
    on_stop[standing] = lies
    after = np.flatnonzero(standing)[voted > 0]
    cut = int(after[0]) if len(after) else len(bases)
    return (np.arange(len(bases)) >= cut).astype(np.int64), on_stop


def _settle(dwells: Dwells, base: Ints, on_stop: Flags, allow: Tolerances) -> Strokes | None:
    """Fit, see which dwells lie on the fit, and fit again until nothing changes."""
    weight = dwells.weights(allow.steady_count)
    fitted = _fit(dwells, weight, on_stop, base)
    for _ in range(8):
        if fitted is None:
            return None
        if not fitted.slip_mm:
            cut = _slip(dwells, weight, fitted.on_stop, allow.narrow_mm)
            if cut:
                base = (np.arange(len(dwells)) >= cut).astype(np.int64)
                fitted = _fit(dwells, weight, on_stop, base) or fitted
        off = np.abs(fitted.residual_mm)
        usual = SIGMAS_OF_MAD * median(off[fitted.on_stop]) * (1 + 2 / max(1, fitted.dof))
        again = dwells.standing & (off <= max(allow.narrow_mm, min(FAR * usual, 2 * allow.broad_mm)))
        if np.array_equal(again, on_stop):
            break
        on_stop = again
        fitted = _fit(dwells, weight, on_stop, base)
    return None if fitted is None else _without_the_unlikely(dwells, weight, fitted, base, allow)


def _without_the_unlikely(
    dwells: Dwells, weight: Floats, fitted: Strokes, base: Ints, allow: Tolerances
) -> Strokes:
    """The fit without the dwells that make it less likely.

    One that stopped a little short hides in a spread that it makes itself; without it the rest lie closer.
    """
    while fitted.dof > 2:
        fewer = fitted.on_stop.copy()
        fewer[int(np.argmax(np.abs(fitted.residual_mm) * fewer))] = False
        without = _fit(dwells, weight, fewer, base)
        if without is None or _misfit(without, allow) >= _misfit(fitted, allow):
            break
        fitted = without
    return fitted


def _slip(dwells: Dwells, weight: Floats, on_stop: Flags, least_mm: float) -> int:
    """First dwell after a slip of the base that the fit without one cannot explain; 0 if there is none.

    An F test of one step at the best place, at a level shared out over all places (Bonferroni).
    """
    use = np.flatnonzero(on_stop)
    k = len(use)
    dof = k - 4
    if dof < 2:
        return 0
    side, at, weights = dwells.side[use], dwells.at_s[use], weight[use]
    root = np.sqrt(weights)
    basis, _ = np.linalg.qr(np.column_stack((side, at - at.mean(), np.ones(k))) * root[:, None])
    y = dwells.level_mm[use] * root
    y = y - basis @ (basis.T @ y)
    # step j is 1 from dwell j + 2 on; its part outside the plain fit is found from running sums of the basis
    along = (np.cumsum((y * root)[::-1])[::-1])[2 : k - 1]
    inner = (np.cumsum((basis * root[:, None])[::-1], axis=0)[::-1])[2 : k - 1]
    norm = (np.cumsum(weights[::-1])[::-1])[2 : k - 1] - (inner * inner).sum(axis=1)
    gain = along * along / np.maximum(norm, 1e-9)
    best = int(np.argmax(gain))
    left = max(float(y @ y) - float(gain[best]), 1e-12)
    size = abs(float(along[best]) / max(float(norm[best]), 1e-9))
    # the F quantile of one step is the square of a t quantile
    surely = t_quantile(1 - SLIP_CHANCE / (2 * k), dof) ** 2
    if size > least_mm and float(gain[best]) / (left / dof) > surely:
        return int(use[best + 2])
    return 0


def _fit(dwells: Dwells, weight: Floats, on_stop: Flags, base: Ints) -> Strokes | None:
    """Weighted least squares through the dwells on a stop; None if no two neighbours are."""
    side, at, level = dwells.side, dwells.at_s, dwells.level_mm
    pairs = np.flatnonzero(on_stop[1:] & on_stop[:-1])
    full = len(pairs)
    if not full:
        return None
    # a dwell that fits by chance before the first full stroke, or after the last, does not stretch the whole
    on_stop = on_stop.copy()
    on_stop[: pairs[0]] = on_stop[pairs[-1] + 2 :] = False
    use = np.flatnonzero(on_stop)
    middle = float(at[use].mean())
    reach = max(float(at[use[-1]] - at[use[0]]), 1e-9)
    time = (at - middle) / reach
    columns = [0.5 * side, np.ones(len(side))]
    slipped = bool(base[use[0]] != base[use[-1]])
    creeps = len(use) > 3 + slipped
    if creeps:
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
        drift_mm_per_s=float(fit[2]) / reach if creeps else 0.0,
        on_stop=on_stop,
        base=base,
        residual_mm=residual,
        full=full,
        half=int(np.count_nonzero(dwells.strokes_standing[use[0] : use[-1]])) - full,
        slip_mm=float(fit[-1]) if slipped else 0.0,
        spread_mm=variance**0.5,
        end_play_u_mm=(variance * float(cover[0, 0])) ** 0.5,
        dof=dof,
    )


def _least_squares(design: Floats, y: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted fit, and the inverse of the normal matrix (GUM H.3.2 for a line; here with more columns).

    The columns are of order one, so the normal equations are well conditioned.

    Args:
        design: Shape (n, m).
        y: Shape (n,).
        weight: Shape (n,).

    Returns:
        The parameters, shape (m,), and their covariance over the variance of a reading of weight 1, shape (m,
        m).
    """
    weighted = design.T * weight
    normal = weighted @ design
    try:
        cover = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    except np.linalg.LinAlgError:
        cover = np.asarray(np.linalg.pinv(normal, hermitian=True), dtype=np.float64)
    return cover @ (weighted @ y), cover
