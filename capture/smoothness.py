"""Whether a run of numbers looks like a plunger that was moved, or like numbers in any order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROUGH = 0.8
"""Von Neumann's ratio above this is no motion: 2 for numbers in any order, near 0 for a smooth curve."""

LEAST_DISTINCT = 8
"""Fewer different numbers are no motion to learn from."""


@dataclass(frozen=True, slots=True)
class Motion:
    """What a run of numbers shows.

    Attributes:
        roughness: Von Neumann's ratio: mean square of successive differences over the variance.
        persistence: Mean square of differences over two steps over that over one: near 4 for what keeps
            moving the way it moves, 1 for numbers that jump about a place.
        distinct: How many different numbers.
        least: The smallest, but for half a per cent.
        most: The largest, but for half a per cent.
        step: The greatest number that divides every difference; 0 if nothing moved.
        first: Which way the first large movement went: 1 up, -1 down, 0 none.
    """

    roughness: float
    persistence: float
    distinct: int
    least: float
    most: float
    step: int
    first: int

    @property
    def moves(self) -> bool:
        """Whether it is a motion at all."""
        return self.distinct >= LEAST_DISTINCT and self.roughness < ROUGH


def roughness(numbers: NDArray[np.float64] | NDArray[np.int64]) -> float:
    """Von Neumann's ratio of a run of numbers; 2 where there is nothing to see.

    Source: J. von Neumann, Distribution of the ratio of the mean square successive difference to the
        variance,
    Annals of Mathematical Statistics 12 (1941).
    """
    if len(numbers) < 3:
        return 2.0
    run = numbers - np.float64(numbers[0])
    steps = run[1:] - run[:-1]
    spread = float(run @ run) / len(run) - float(run.mean()) ** 2
    return float(steps @ steps) / len(steps) / spread if spread > 0 else 2.0


def motion_of(counts: Sequence[int] | NDArray[np.int64]) -> Motion:
    """Look at a run of whole numbers.

    Args:
        counts: In order of arrival.
    """
    run = np.asarray(counts, dtype=np.int64)
    numbers = run.astype(np.float64)
    if len(run) < 3:
        return Motion(2.0, 1.0, len(set(run.tolist())), 0.0, 0.0, 0, 0)
    least, most = (float(x) for x in np.percentile(numbers, [0.5, 99.5]))
    away = numbers - numbers[0]
    far = np.flatnonzero(np.abs(away) > 0.3 * (most - least)) if most > least else np.empty(0, dtype=np.intp)
    return Motion(
        roughness=roughness(numbers),
        persistence=_persistence(numbers),
        distinct=len(np.unique(run)),
        least=least,
        most=most,
        step=int(np.gcd.reduce(np.abs(np.diff(run)))),
        first=int(np.sign(away[far[0]])) if len(far) else 0,
    )


def _persistence(numbers: NDArray[np.float64]) -> float:
    one, two = np.diff(numbers), numbers[2:] - numbers[:-2]
    small = float(one @ one) / len(one)
    return float(two @ two) / len(two) / small if small > 0 else 1.0


def is_counter(counts: Sequence[int] | NDArray[np.int64]) -> bool:
    """Whether a number counts frames or time: it grows by about the same each time."""
    steps = np.diff(np.asarray(counts, dtype=np.float64))
    if not len(steps):
        return False
    usual = float(np.median(steps))
    return usual != 0 and float(np.mean(np.abs(steps - usual) <= 0.3 * abs(usual))) > 0.9


def counts_of(values: Sequence[Decimal]) -> tuple[list[int], int]:
    """Decimal numbers as whole numbers of their last digit, and how many digits stand after the point."""
    exponents = [value.as_tuple().exponent for value in values]
    decimals = max((-e for e in exponents if isinstance(e, int)), default=0)
    decimals = max(decimals, 0)
    return [int(value.scaleb(decimals)) for value in values], decimals
