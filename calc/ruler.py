"""The ruler's scale: how far it reaches and where its numbers stand; one for terminal, paper and page.

End play runs to scale from zero, or from the lowest reading. What lies beyond it is told in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from calc.limits import Limits
from calc.units import Unit, from_mm

ROOM = 0.08
"""Part of the scale left free beyond the furthest thing shown."""

FURTHEST_NOTCH = 1.5
"""A notch beyond so many times the upper limit does not stretch the scale; it is told in words."""


def ends_mm(
    limits: Limits, readings: Iterable[tuple[float, float]], notches: Iterable[tuple[float, bool]]
) -> tuple[float, float]:
    """The scale's ends, millimetres: zero or the lowest reading, and just beyond the furthest thing shown.

    >>> low, high = ends_mm(Limits(0.03, 0.20), [(0.31, 0.01)], [(0.06, True), (0.9, False)])
    >>> low, round(high, 4)
    (0.0, 0.3456)

    Args:
        limits: End play allowed.
        readings: End play and half width of its 95 % interval, millimetres, of each reading.
        notches: End play that a shim would leave, millimetres, and whether it is the one to fit.
    """
    lowest, reach = [0.0, limits.least_mm], [limits.most_mm]
    for end_play_mm, expanded_mm in readings:
        lowest.append(end_play_mm - expanded_mm)
        reach.append(end_play_mm + expanded_mm)
    furthest = FURTHEST_NOTCH * limits.most_mm
    reach += [expected for expected, chosen in notches if chosen or 0.0 <= expected <= furthest]
    low, high = min(lowest), max(reach)
    room = (high - low) * ROOM or 0.01
    return low - (room if low < 0 else 0.0), high + room


def ticks(low_mm: float, high_mm: float, unit: Unit, most: float) -> list[tuple[float, str]]:
    """Where an axis has its numbers, millimetres, and what they say in ``unit``.

    >>> ticks(0.0, 0.22, Unit.MM, 6)
    [(0.0, '0.00'), (0.05, '0.05'), (0.1, '0.10'), (0.15000000000000002, '0.15'), (0.2, '0.20')]

    Args:
        low_mm: Length at its low end, millimetres.
        high_mm: Length at its high end, millimetres, above ``low_mm``.
        unit: Unit of the numbers.
        most: About so many steps at most, above 0.
    """
    low, high = from_mm(low_mm, unit), from_mm(high_mm, unit)
    step, decimals = _step((high - low) / most)
    numbers = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return [(n * step * (1.0 if unit is Unit.MM else 25.4), f"{n * step:.{decimals}f}") for n in numbers]


def _step(rough: float) -> tuple[float, int]:
    """The round step from ``rough`` on, and the decimals that it is written with."""
    power = math.floor(math.log10(rough))
    factor = next(f for f in (1, 2, 5, 10) if f * 10.0**power >= rough * (1 - 1e-9))
    if factor == 10:
        factor, power = 1, power + 1
    return factor * 10.0**power, max(0, -power)
