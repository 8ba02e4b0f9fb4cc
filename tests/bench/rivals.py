"""What a user would reach for instead, each as somebody who knows the library would write it in an afternoon.

Each takes times, readings in millimetres and the indicator's resolution, and gives an end play or None. All
but the plain difference first take single bad readings out with a median of three. None is told anything of
the simulator.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import ruptures
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.signal import find_peaks

Floats = NDArray[np.float64]
Method = Callable[[Floats, Floats, float], float | None]

SHORTEST_LEVEL_S = 0.2
"""A level that lasts less is a move or a bounce."""


def despiked(readings_mm: Floats) -> Floats:
    """The readings without spikes of one reading."""
    return np.asarray(median_filter(readings_mm, size=3, mode="nearest"), dtype=np.float64)


def max_minus_min(_times_s: Floats, readings_mm: Floats, _resolution_mm: float) -> float | None:
    """What an indicator's own max - min mode shows."""
    return float(np.ptp(readings_mm)) if len(readings_mm) else None


def peaks_and_troughs(_times_s: Floats, readings_mm: Floats, _resolution_mm: float) -> float | None:
    """``scipy.signal.find_peaks`` both ways, prominence half the range; medians of peaks and of troughs."""
    y = despiked(readings_mm)
    low, high = np.quantile(y, (0.01, 0.99))
    prominence = 0.5 * float(high - low)
    if prominence <= 0:
        return None
    peaks, _ = find_peaks(y, prominence=prominence)
    troughs, _ = find_peaks(-y, prominence=prominence)
    if not len(peaks) or not len(troughs):
        return None
    return float(np.median(y[peaks]) - np.median(y[troughs]))


def two_means(_times_s: Floats, readings_mm: Floats, _resolution_mm: float) -> float | None:
    """Two-means clustering of the readings, then the medians of the two clusters, which shed the moves."""
    y = despiked(readings_mm)
    low, high = (float(q) for q in np.quantile(y, (0.02, 0.98)))
    if high <= low:
        return None
    for _ in range(100):
        upper = y > 0.5 * (low + high)
        if upper.all() or not upper.any():
            return None
        means = float(y[~upper].mean()), float(y[upper].mean())
        if means == (low, high):
            break
        low, high = means
    return float(np.median(y[upper]) - np.median(y[~upper]))


def change_points(times_s: Floats, readings_mm: Floats, resolution_mm: float) -> float | None:
    """``ruptures`` (KernelCPD, linear kernel: changes of mean), then the median step of neighbouring levels.

    Penalty after Schwarz: ``3 variance log n``, the scatter from the differences and no less than a
    fiftieth of the range, as the hand's wobble is no change. Steps between neighbours hardly see drift or a
    slip.
    """
    y = despiked(readings_mm)
    n = len(y)
    low, high = np.quantile(y, (0.01, 0.99))
    span = float(high - low)
    if n < 10 or span <= 0:
        return None
    sigma = 1.4826 * float(np.median(np.abs(np.diff(y)))) / 2**0.5
    variance = max(sigma, resolution_mm / 12**0.5, span / 50) ** 2
    found = ruptures.KernelCPD(kernel="linear", min_size=2).fit(y[:, None])
    ends = found.predict(pen=3 * variance * np.log(n))
    levels: list[tuple[float, int]] = []
    begin = 0
    for end in ends:
        if times_s[end - 1] - times_s[begin] >= SHORTEST_LEVEL_S:
            levels.append((float(np.median(y[begin:end])), end - begin))
        begin = end
    if len(levels) < 2:
        return None
    values = np.array([level for level, _ in levels])
    steps = np.abs(np.diff(values))
    strokes = steps[steps > 0.5 * np.quantile(steps, 0.9)]
    return float(np.median(strokes)) if len(strokes) else None


RIVALS: dict[str, Method] = {
    "max − min": max_minus_min,
    "find_peaks": peaks_and_troughs,
    "two-means": two_means,
    "ruptures": change_points,
}
