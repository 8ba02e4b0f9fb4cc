"""The incomplete beta function: what the tails of Student's t and of the F distribution are made of."""

from __future__ import annotations

import math

_MOST_TERMS = 10_000
_TINY = 1e-300


def beta_tails(x: float, a: float, b: float) -> tuple[float, float]:
    """The regularised incomplete beta function at ``x``, and what is left to 1; both keep their digits.

    >>> [round(tail, 6) for tail in beta_tails(0.25, 2.0, 3.0)]
    [0.261719, 0.738281]

    Args:
        x: 0 to 1.
        a: Above 0.
        b: Above 0.

    Raises:
        ValueError: If one of them is out of its range.

    Source: Abramowitz and Stegun (1964), 26.5.2 and 26.5.8.
    """
    if not 0.0 <= x <= 1.0 or not a > 0 or not b > 0:
        raise ValueError(f"the incomplete beta function is not defined at x = {x}, a = {a}, b = {b}")
    if x in {0.0, 1.0}:
        return x, 1.0 - x
    if x > (a + 1.0) / (a + b + 2.0):
        lower, upper = beta_tails(1.0 - x, b, a)
        return upper, lower
    log_factor = a * math.log(x) + b * math.log1p(-x)
    log_factor += math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    lower = math.exp(log_factor) * beta_fraction(x, a, b) / a
    return lower, 1.0 - lower


def beta_fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of the incomplete beta function, by the modified Lentz method.

    Args:
        x: 0 to 1, best below (a + 1) / (a + b + 2), where it converges fast.
        a: Above 0.
        b: Above 0.

    Source: Abramowitz and Stegun (1964), 26.5.8.
    """
    c = 1.0
    d = 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, _MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d = 1.0 + step * d
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = 1.0 + step / c
            c = c if abs(c) > _TINY else _TINY
            value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return value
