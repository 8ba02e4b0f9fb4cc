"""Traces drawn by hand, without noise, so that a test can say what must come out of them."""

from __future__ import annotations

import numpy as np

from calc.units import Unit
from capture.arrays import Floats
from capture.dwells import Dwells
from capture.readings import Trace

RATE_HZ = 50.0


def steps(
    levels: list[float], *, dwell_s: float = 1.0, move_s: float = 0.2, rate_hz: float = RATE_HZ
) -> tuple[Floats, Floats]:
    """Times and values that rest on one level after the other, with straight moves between."""
    at = np.arange(len(levels)) * (dwell_s + move_s)
    corners = np.ravel(np.column_stack((at, at + dwell_s)))
    times = np.asarray(np.round(np.arange(0.0, float(corners[-1]), 1 / rate_hz), 6), dtype=np.float64)
    return times, np.interp(times, corners, np.repeat(levels, 2))


def trace_of_values(times: Floats, values: Floats, *, decimals: int = 3, unit: Unit = Unit.MM) -> Trace:
    """What an indicator shows of values in its own unit."""
    return Trace(times, np.round(values * 10.0**decimals).astype(np.int64), decimals, unit)


def strokes(low: float, high: float, number: int) -> list[float]:
    """The levels of so many full strokes, starting pushed in."""
    return [high if k % 2 else low for k in range(number + 1)]


def square(low: float, high: float, number: int = 8, *, decimals: int = 3, unit: Unit = Unit.MM) -> Trace:
    """A noise-free trace of so many full strokes; levels in the trace's unit."""
    return trace_of_values(*steps(strokes(low, high, number)), decimals=decimals, unit=unit)


def dwells_at(levels: list[float], *, spread_mm: float = 0.0, every_s: float = 1.2) -> Dwells:
    """Dwells of fifty readings each, one every so many seconds, low and high in turn."""
    k = len(levels)
    side = np.where(np.arange(k) % 2, 1, -1)
    start = np.arange(k) * 60
    return Dwells(
        level_mm=np.array(levels, dtype=np.float64),
        at_s=np.asarray(0.5 + every_s * np.arange(k), dtype=np.float64),
        count=np.full(k, 50),
        start=start,
        stop=start + 50,
        side=side,
        edges=np.append(start, k * 60),
        spread_mm=spread_mm,
        level_u_mm=spread_mm / 7,
    )
