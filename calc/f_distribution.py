"""The F and the chi-squared distribution: how unusual a ratio of two spreads is, and how far one may be off.

SciPy has both, but is slow to import; the tests hold these forms against it.
"""

from __future__ import annotations

import math

from calc.beta import beta_tails
from calc.student import normal_quantile

_MOST_TERMS = 100_000
_MOST_STEPS = 400
_TINY = 1e-300


def f_tail(ratio: float, dof: float, dof_below: float) -> float:
    """Probability that an F variate is ``ratio`` or more: small where the spread above is no chance.

    >>> round(f_tail(1.18046237440255, 4, 20), 6)
    0.349447

    Args:
        ratio: Mean square over mean square, at least 0; infinity too.
        dof: Degrees of freedom of the one above, more than 0.
        dof_below: Of the one below, more than 0.

    Raises:
        ValueError: If one of them is out of its range.

    Source: Abramowitz and Stegun (1964), 26.6.2.
    """
    if not ratio >= 0 or not dof > 0 or not dof_below > 0:
        raise ValueError(f"no F of {ratio} with {dof} and {dof_below} degrees of freedom")
    if math.isinf(ratio):
        return 0.0
    below = dof_below / (dof_below + dof * ratio)
    if below > 0.5:  # keep the digits of a small ratio
        return beta_tails(dof * ratio / (dof_below + dof * ratio), dof / 2, dof_below / 2)[1]
    return beta_tails(below, dof_below / 2, dof / 2)[0]


def chi_squared_cdf(x: float, dof: float) -> float:
    """Probability that a chi-squared variate is at most ``x``.

    Args:
        x: At least 0.
        dof: Degrees of freedom, more than 0.

    Raises:
        ValueError: If one of them is out of its range.

    Source: Abramowitz and Stegun (1964), 26.4.19, 6.5.29 (series) and 6.5.31 (continued fraction).
    """
    if not x >= 0 or not dof > 0:
        raise ValueError(f"no chi-squared of {x} with {dof} degrees of freedom")
    a, y = dof / 2, x / 2
    if y == 0:
        return 0.0
    factor = math.exp(a * math.log(y) - y - math.lgamma(a))
    return factor * _series(a, y) if y < a + 1 else 1.0 - factor * _fraction(a, y)


def chi_squared_quantile(p: float, dof: float) -> float:
    """The value that a chi-squared variate stays below with probability ``p``.

    >>> round(chi_squared_quantile(0.975, 2), 4)
    7.3778

    Args:
        p: Probability, above 0 and below 1.
        dof: Degrees of freedom, more than 0.

    Raises:
        ValueError: If ``p`` or ``dof`` is out of range.
    """
    if not 0 < p < 1:
        raise ValueError(f"a probability of {p} has no quantile: it must be above 0 and below 1")
    spread = 2 / (9 * dof)  # Wilson and Hilferty: close enough to start from
    guess = dof * max(0.0, 1 - spread + normal_quantile(p) * math.sqrt(spread)) ** 3
    low, high = 0.0, max(guess, 1.0)
    while chi_squared_cdf(high, dof) < p:
        low, high = high, 2 * high
    for _ in range(_MOST_STEPS):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if chi_squared_cdf(middle, dof) < p:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _series(a: float, y: float) -> float:
    term = total = 1.0 / a
    for n in range(1, _MOST_TERMS):
        term *= y / (a + n)
        total += term
        if term < 1e-17 * total:
            break
    return total


def _fraction(a: float, y: float) -> float:
    """By the modified Lentz method."""
    b = y + 1.0 - a
    c = 1.0 / _TINY
    d = 1.0 / b
    value = d
    for n in range(1, _MOST_TERMS):
        step = -n * (n - a)
        b += 2.0
        d = 1.0 / (step * d + b or _TINY)
        c = b + step / c or _TINY
        value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return value
