"""The methods that were compared before one was chosen, as working prototypes; see decision 5.

Our own (hysteresis on turning points, votes, least squares) is ``capture.end_play.analyse_trace``. The
other three stand here, each fitting ``base + side * end_play / 2 + drift * time`` in its own way. They take
times, readings in millimetres and the resolution, and give an end play, or None where they see no four
strokes. None knows of a slip.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Method = Callable[[Floats, Floats, float], float | None]

LEAST_STROKES = 4
LEAST_SHARE = 0.05
"""Share of the readings that must rest on each stop."""

LEAST_LEVEL_S = 0.15
HAND_MM = 0.0015
"""A hand's wobble: levels are not called different for less."""

STARTS = ((0.02, 0.98), (0.1, 0.9), (0.25, 0.75))
"""Quantiles of the readings that the two stops are supposed at to begin with; the likeliest end wins."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Two stops with creep: ``base + side * end_play / 2 + drift * time`` with normal scatter about it."""

    base: float
    end_play: float
    drift: float
    sigma: float

    def off(self, times: Floats, y: Floats, side: int) -> Floats:
        """Readings less the stop on that side."""
        return y - self.base - 0.5 * side * self.end_play - self.drift * times


def spikes_out(y: Floats) -> Floats:
    """Median of three."""
    padded = np.concatenate((y[:1], y, y[-1:]))
    return np.asarray(np.median(np.stack((padded[:-2], padded[1:-1], padded[2:])), axis=0), dtype=np.float64)


def scatter_of(y: Floats, step_mm: float) -> float:
    """Standard deviation of a reading at rest, roughly."""
    noise = 1.4826 * float(np.median(np.abs(np.diff(y)))) / 2**0.5
    return max(noise, step_mm / 12**0.5, HAND_MM)


def fit_levels(times: Floats, y: Floats, low: Floats, high: Floats, floor: float) -> Levels:
    """Weighted least squares; ``low`` and ``high`` say how surely each reading rests on either stop."""
    weight = np.concatenate((low, high))
    side = np.concatenate((np.full(len(y), -0.5), np.full(len(y), 0.5)))
    time = np.concatenate((times, times))
    design = np.stack((np.ones(len(side)), side, time))
    normal = (design * weight) @ design.T + 1e-12 * np.eye(3)
    values = np.concatenate((y, y))
    base, end_play, drift = np.linalg.solve(normal, (design * weight) @ values)
    off = values - (base + end_play * side + drift * time)
    variance = float((weight * off * off).sum() / max(weight.sum(), 1e-12))
    return Levels(float(base), float(end_play), float(drift), max(variance**0.5, floor))


def begun(y: Floats, quantiles: tuple[float, float], floor: float) -> Levels | None:
    """Where the fit starts from; None if there is nothing between the quantiles."""
    low, high = (float(q) for q in np.quantile(y, quantiles))
    if high - low <= 2 * floor:
        return None
    return Levels(0.5 * (low + high), high - low, 0.0, max(0.05 * (high - low), floor))


def accepted(levels: Levels, states: Ints) -> float | None:
    """The end play if there are four strokes between rests; ``states`` are -1, +1 or 0 for neither."""
    rests = states[states != 0]
    strokes = int(np.count_nonzero(np.diff(rests)))
    shares = (np.count_nonzero(states == -1), np.count_nonzero(states == 1))
    if strokes < LEAST_STROKES or min(shares) < LEAST_SHARE * len(states) or levels.end_play <= 0:
        return None
    return levels.end_play


# two-state hidden Markov model with drift, and a third state for moves and bad readings


def forward_backward(emit: Floats, pass_on: Floats, start: Floats) -> tuple[Floats, Floats, float]:
    """Scaled forward and backward passes (Rabiner 1989, section V A): odds, sums of pairs, log likelihood."""
    n = len(emit)
    rows = emit.tolist()
    (a, b, c), (d, e, f), (g, h, i) = pass_on.tolist()
    ahead: list[tuple[float, float, float]] = []
    scales: list[float] = []
    x, y, z = (float(start[k] * emit[0, k]) for k in range(3))
    for p, q, r in rows:
        if ahead:
            x, y, z = (x * a + y * d + z * g) * p, (x * b + y * e + z * h) * q, (x * c + y * f + z * i) * r
        total = x + y + z + 1e-300
        x, y, z = x / total, y / total, z / total
        ahead.append((x, y, z))
        scales.append(total)
    x = y = z = 1.0
    behind = [(x, y, z)]
    for k in range(n - 1, 0, -1):
        p, q, r = rows[k]
        scale = scales[k]
        x, y, z = x * p / scale, y * q / scale, z * r / scale
        x, y, z = a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z
        behind.append((x, y, z))
    alpha, beta = np.array(ahead), np.array(behind[::-1])
    pairs = pass_on * (alpha[:-1].T @ (emit[1:] * beta[1:] / np.array(scales)[1:, None]))
    return alpha * beta, pairs, float(np.log(scales).sum())


def likeliest_path(emit: Floats, pass_on: Floats, start: Floats) -> Ints:
    """Viterbi."""
    logs, steps = np.log(emit + 1e-300), np.log(pass_on + 1e-300)
    score = np.log(start) + logs[0]
    came = np.zeros(emit.shape, dtype=np.int64)
    for k in range(1, len(emit)):
        ways = score[:, None] + steps
        came[k] = ways.argmax(axis=0)
        score = ways.max(axis=0) + logs[k]
    path = np.empty(len(emit), dtype=np.int64)
    path[-1] = int(score.argmax())
    for k in range(len(emit) - 1, 0, -1):
        path[k - 1] = came[k, path[k]]
    return path


def emissions(levels: Levels, times: Floats, y: Floats, span: float) -> Floats:
    """Density of each reading on the low stop, on the high one, and on neither; shape (n, 3)."""
    normal = [
        np.exp(-0.5 * (levels.off(times, y, side) / levels.sigma) ** 2) / (levels.sigma * 2.5066)
        for side in (-1, 1)
    ]
    return np.column_stack((*normal, np.full(len(y), 1.0 / span)))


def hidden_markov(times_s: Floats, readings_mm: Floats, resolution_mm: float) -> float | None:
    """Stops as states, learnt by expectation-maximisation with the drift; Viterbi counts the strokes."""
    if len(readings_mm) < 10:
        return None
    times = times_s - times_s.mean()
    y = readings_mm
    floor = scatter_of(spikes_out(y), resolution_mm)
    span = max(float(np.ptp(y)), 10 * floor)
    start = np.full(3, 1 / 3)
    period = float(times_s[-1] - times_s[0]) / len(times_s)
    leave = min(0.4, period / 0.8)

    def learn(levels: Levels, pass_on: Floats, rounds: int) -> tuple[float, Levels, NDArray[np.float64]]:
        likelihood = -np.inf
        for _ in range(rounds):
            odds, pairs, now = forward_backward(emissions(levels, times, y, span), pass_on, start)
            levels = fit_levels(times, y, odds[:, 0], odds[:, 1], floor / 2)
            pass_on = pairs + 0.1
            pass_on = pass_on / pass_on.sum(axis=1, keepdims=True)
            if now - likelihood < 1e-3:
                break
            likelihood = now
        return now, levels, pass_on

    first = np.array(
        [[1 - leave, 0.1 * leave, 0.9 * leave], [0.1 * leave, 1 - leave, 0.9 * leave], [0.15, 0.15, 0.7]]
    )
    tried = [learn(levels, first, 6) for q in STARTS if (levels := begun(y, q, floor)) is not None]
    if not tried:
        return None
    _, levels, pass_on = max(tried, key=lambda one: one[0])
    _, levels, pass_on = learn(levels, pass_on, 25)
    path = likeliest_path(emissions(levels, times, y, span), pass_on, start)
    return accepted(levels, np.array([-1, 1, 0])[path])


# dynamic-programming segmentation into levels


def segments(y: Floats, price: float) -> list[tuple[int, int]]:
    """Optimal partition into constant pieces: least squares plus ``price`` a piece (Jackson et al. 2005)."""
    n = len(y)
    sums = np.concatenate(([0.0], np.cumsum(y - y[0])))
    squares = np.concatenate(([0.0], np.cumsum((y - y[0]) ** 2)))
    best = np.zeros(n + 1)
    best[0] = -price
    cut = np.zeros(n + 1, dtype=np.int64)
    for end in range(1, n + 1):
        length = np.arange(end, 0, -1)
        total = sums[end] - sums[:end]
        cost = best[:end] + squares[end] - squares[:end] - total * total / length + price
        cut[end] = int(cost.argmin())
        best[end] = cost[cut[end]]
    found, end = [], n
    while end:
        found.append((int(cut[end]), end))
        end = int(cut[end])
    return found[::-1]


def level_segments(times_s: Floats, readings_mm: Floats, resolution_mm: float) -> float | None:
    """Cut into levels; neighbouring levels vote for the end play; least squares through those that agree."""
    if len(readings_mm) < 10:
        return None
    y = spikes_out(readings_mm)
    sigma = scatter_of(y, resolution_mm)
    pieces = [
        (begin, end)
        for begin, end in segments(y, 4 * sigma**2 * np.log(len(y)))
        if end - begin >= 2 and times_s[end - 1] - times_s[begin] >= LEAST_LEVEL_S
    ]
    if len(pieces) < LEAST_STROKES + 1:
        return None
    level = np.array([y[begin:end].mean() for begin, end in pieces])
    at = np.array([times_s[begin:end].mean() for begin, end in pieces])
    weight = np.array([min(end - begin, 25) for begin, end in pieces], dtype=np.float64)
    moves = np.abs(np.diff(level))
    agree = np.abs(moves[:, None] - moves) <= np.maximum(4 * sigma, 0.05 * moves[:, None])
    votes = agree.sum(axis=1) * (moves > 4 * sigma)
    size = float(moves[agree[int(votes.argmax())]].mean())
    if votes.max() < LEAST_STROKES - 1:
        return None
    side = np.zeros(len(level), dtype=np.int64)
    for k in range(len(level) - 1):
        rise = level[k + 1] - level[k]
        if abs(abs(rise) - size) <= max(6 * sigma, 0.08 * size):
            side[k], side[k + 1] = -np.sign(rise), np.sign(rise)
    low, high = weight * (side < 0), weight * (side > 0)
    for _ in range(5):
        if min(low.sum(), high.sum()) <= 0:
            return None
        levels = fit_levels(at - at.mean(), level, low, high, 0.3 * sigma)
        off = np.where(side > 0, levels.off(at - at.mean(), level, 1), levels.off(at - at.mean(), level, -1))
        usual = 1.4826 * float(np.median(np.abs(off[side != 0])))
        near = np.abs(off) <= max(3 * usual, 2 * sigma)
        low, high = weight * (near & (side < 0)), weight * (near & (side > 0))
    states = np.zeros(len(y), dtype=np.int64)
    for (begin, end), k in zip(pieces, np.where(low + high > 0, side, 0), strict=True):
        states[begin:end] = k
    return accepted(levels, states)


# robust mixture of levels: as the hidden Markov model, but blind to the order of the readings


def level_mixture(times_s: Floats, readings_mm: Floats, resolution_mm: float) -> float | None:
    """Two normal levels with drift and a flat remainder, by expectation-maximisation from several starts."""
    if len(readings_mm) < 10:
        return None
    times = times_s - times_s.mean()
    y = readings_mm
    floor = scatter_of(spikes_out(y), resolution_mm)
    span = max(float(np.ptp(y)), 10 * floor)

    def learn(levels: Levels, share: Floats, rounds: int) -> tuple[float, Levels, Floats, Floats]:
        likelihood = -np.inf
        for _ in range(rounds):
            joint = emissions(levels, times, y, span) * share
            total = joint.sum(axis=1) + 1e-300
            odds = joint / total[:, None]
            share = np.maximum(odds.mean(axis=0), 1e-3)
            levels = fit_levels(times, y, odds[:, 0], odds[:, 1], floor / 2)
            now = float(np.log(total).sum())
            if now - likelihood < 1e-3:
                break
            likelihood = now
        return now, levels, share, odds

    tried = []
    for quantiles in STARTS:
        for drift in (-0.005, 0.0, 0.005):
            start = begun(y - drift * times, quantiles, floor)
            if start is not None:
                levels = Levels(start.base, start.end_play, drift, start.sigma)
                tried.append(learn(levels, np.array([0.4, 0.4, 0.2]), 8))
    if not tried:
        return None
    _, levels, share, _ = max(tried, key=lambda one: one[0])
    _, levels, _, odds = learn(levels, share, 60)
    return accepted(levels, np.array([-1, 1, 0])[odds.argmax(axis=1)])


METHODS: dict[str, Method] = {
    "hidden Markov": hidden_markov,
    "DP segments": level_segments,
    "mixture": level_mixture,
}
