"""How end play grows with the distance driven: a weighted straight line, and where it reaches a limit.

Each reading counts by its uncertainty. Where the readings scatter more than their uncertainties explain, the
line's own uncertainty grows with the scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from calc.errors import CalcError
from calc.f_distribution import chi_squared_cdf
from calc.student import normal_quantile, t_quantile

KM_PER_MILE = Decimal("1.609344")
"""Exact. Source: NIST SP 811 (2008), appendix B.8, mile."""

LEAST_DISTANCES = 3
"""With fewer different distances there is nothing that a straight line could be tested against."""

BY_CHANCE = 0.05
"""Scatter that the uncertainties explain less often than this is taken for real."""


class TrendError(CalcError):
    """No line can be drawn through these points."""


@dataclass(frozen=True, slots=True)
class Point:
    """One reading.

    Attributes:
        x: Where it was taken, such as the odometer in kilometres.
        y: What was read, such as end play in millimetres.
        u: Its standard uncertainty, in the unit of ``y``, above 0.
    """

    x: float
    y: float
    u: float


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line ``y = at_middle + slope * (x - middle)``.

    About ``middle``, the weighted mean of x, height and slope are uncorrelated, which keeps the digits that
    an intercept far away from the points would lose.

    Attributes:
        middle: Weighted mean of x.
        at_middle: Height there.
        slope: Per unit of x.
        u_at_middle: Standard uncertainty of ``at_middle``.
        u_slope: Standard uncertainty of ``slope``.
        chi_squared: Sum of squared distances from the line, each divided by its reading's uncertainty.
        dof: Degrees of freedom of ``chi_squared``: points less two.
        inflated: Whether both uncertainties were multiplied by the root of ``chi_squared / dof``, because the
            scatter is more than the readings' uncertainties explain.
    """

    middle: float
    at_middle: float
    slope: float
    u_at_middle: float
    u_slope: float
    chi_squared: float
    dof: int
    inflated: bool

    @property
    def intercept(self) -> float:
        """Height at x = 0."""
        return self.at_middle - self.slope * self.middle

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of ``intercept``."""
        return math.hypot(self.u_at_middle, self.middle * self.u_slope)

    @property
    def covariance(self) -> float:
        """Covariance of intercept and slope."""
        return -self.middle * self.u_slope**2

    @property
    def factor(self) -> float:
        """Coverage factor for 95 %: normal with the stated uncertainties, Student's t with the scatter's."""
        return t_quantile(0.975, self.dof) if self.inflated else normal_quantile(0.975)

    def height(self, x: float) -> float:
        """Height of the line at ``x``."""
        return self.at_middle + self.slope * (x - self.middle)

    def u_height(self, x: float) -> float:
        """Standard uncertainty of the line's height at ``x`` (of the line, not of a reading taken there)."""
        return math.hypot(self.u_at_middle, (x - self.middle) * self.u_slope)

    @property
    def rises(self) -> bool:
        """Whether the slope is above zero by more than chance: its 95 % interval holds no zero."""
        return self.slope > self.factor * self.u_slope


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a line reaches a limit.

    Attributes:
        x: Where it does.
        low: Lower end of the 95 % interval.
        high: Upper end.
    """

    x: float
    low: float
    high: float


def fit_line(points: Sequence[Point]) -> Line:
    """The weighted straight line of least squares.

    >>> line = fit_line([Point(0, 1.0, 0.1), Point(1, 2.0, 0.1), Point(2, 3.0, 0.1)])
    >>> round(line.intercept, 12), round(line.slope, 12), line.inflated
    (1.0, 1.0, False)

    Args:
        points: At least three different x among them, every uncertainty above 0.

    Raises:
        TrendError: If there are fewer, or a number is not finite or an uncertainty not above 0.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.5.2 (weighted least squares; from memory);
    weights 1/u². Inflating by the root of chi squared over its degrees of freedom, as for inconsistent
    measurements of one quantity: R. T. Birge (1932), Physical Review 40, 207 (from memory).
    """
    for point in points:
        if not (math.isfinite(point.x) and math.isfinite(point.y) and 0 < point.u < math.inf):
            raise TrendError(f"{point} is no reading with an uncertainty above 0")
    if len({point.x for point in points}) < LEAST_DISTANCES:
        raise TrendError(f"a line needs readings at {LEAST_DISTANCES} different distances or more")
    finest = min(point.u for point in points)
    weights = [(finest / point.u) ** 2 for point in points]  # none overflows, whatever the unit
    total = math.fsum(weights)
    middle = math.fsum(w * p.x for w, p in zip(weights, points, strict=True)) / total
    at_middle = math.fsum(w * p.y for w, p in zip(weights, points, strict=True)) / total
    spread = math.fsum(w * (p.x - middle) ** 2 for w, p in zip(weights, points, strict=True))
    shared = math.fsum(w * (p.x - middle) * (p.y - at_middle) for w, p in zip(weights, points, strict=True))
    slope = shared / spread
    chi_squared = math.fsum(((p.y - at_middle - slope * (p.x - middle)) / p.u) ** 2 for p in points)
    dof = len(points) - 2
    inflated = 1 - chi_squared_cdf(chi_squared, dof) < BY_CHANCE
    by = math.sqrt(chi_squared / dof) if inflated else 1.0
    return Line(
        middle=middle,
        at_middle=at_middle,
        slope=slope,
        u_at_middle=by * finest / math.sqrt(total),
        u_slope=by * finest / math.sqrt(spread),
        chi_squared=chi_squared,
        dof=dof,
        inflated=inflated,
    )


def crossing(line: Line, limit: float) -> Crossing | None:
    """Where a rising line reaches ``limit``; None if it does not rise by more than chance.

    The interval holds every x at which the line's height does not differ from the limit by more than its
    expanded uncertainty, which gives 95 % also where the slope is poorly known; it is not symmetrical.

    Args:
        line: The line.
        limit: The limit, in the unit of y.

    Source: E. C. Fieller (1954), Some problems in interval estimation, Journal of the Royal Statistical
    Society B 16, 175-185 (from memory): the roots of
    (limit - at_middle - slope d)² = k² (u_at_middle² + d² u_slope²), with d = x - middle.
    """
    if not line.rises:
        return None
    rise = limit - line.at_middle
    k2 = line.factor**2
    a = line.slope**2 - k2 * line.u_slope**2  # above 0, because the line rises
    b = line.slope * rise
    root = line.factor * math.sqrt(
        a * line.u_at_middle**2 + line.u_slope**2 * rise**2
    )  # half the root of the discriminant, written without cancellation
    return Crossing(
        line.middle + rise / line.slope, line.middle + (b - root) / a, line.middle + (b + root) / a
    )


def kilometres(value: float | Decimal, unit: str) -> float:
    """A distance in kilometres: an exact product, rounded once.

    >>> kilometres(100000.0, "mi"), kilometres(120.5, "km")
    (160934.4, 120.5)

    Args:
        value: The distance.
        unit: ``km`` or ``mi``.

    Raises:
        TrendError: If the unit is neither.
    """
    if unit not in ("km", "mi"):
        raise TrendError(f'"{unit}" is no unit of an odometer: use km or mi')
    exact = Decimal(str(value))
    return float(exact if unit == "km" else exact * KM_PER_MILE)


def from_kilometres(distance_km: float, unit: str) -> float:
    """A distance of ``distance_km`` kilometres in ``unit``, ``km`` or ``mi``.

    >>> round(from_kilometres(160934.4, "mi"), 6)
    100000.0
    """
    return distance_km if unit == "km" else float(Decimal(str(distance_km)) / KM_PER_MILE)
