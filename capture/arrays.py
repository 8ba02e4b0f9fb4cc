"""What the arrays of the analysis are called, and a median for short ones."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Flags: TypeAlias = NDArray[np.bool_]

SIGMAS_OF_MAD = 1.4826
"""Standard deviation over the median absolute deviation of a normal distribution: 1 / 0.6745."""


def median(values: Floats | Ints) -> float:
    """The middle value; as ``np.median`` gives it, at a tenth of the time for a few values.

    >>> median(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5

    Args:
        values: Shape (n,), n at least 1.
    """
    order = np.sort(values)
    n = len(order)
    return float(order[n // 2]) if n % 2 else 0.5 * float(order[n // 2 - 1] + order[n // 2])
