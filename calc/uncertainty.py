"""The uncertainty budget of an end play: named rows, their sum, its degrees of freedom, its 95 % interval.

Source of the method: JCGM 100:2008 (GUM).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from calc.student import t_quantile


@dataclass(frozen=True, slots=True)
class Component:
    """One row of the budget.

    Attributes:
        source: What it comes from, in words that a mechanic understands.
        kind: "A" when found by statistics from the readings, "B" when known otherwise (GUM 4.2, 4.3).
        u_mm: Standard uncertainty that it gives to the end play, millimetres, at least 0.
        dof: Degrees of freedom, above 0; ``math.inf`` when the figure itself is taken as certain.
    """

    source: str
    kind: Literal["A", "B"]
    u_mm: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not 0 <= self.u_mm < math.inf:
            raise ValueError(f"{self.source}: an uncertainty of {self.u_mm} mm is not a length of at least 0")
        if not self.dof > 0:
            raise ValueError(f"{self.source}: {self.dof} degrees of freedom: there must be more than 0")


@dataclass(frozen=True, slots=True)
class Budget:
    """Independent rows that together make the uncertainty of one length.

    >>> budget = Budget((Component("strokes", "A", 0.003, 4.0), Component("resolution", "B", 0.004)))
    >>> round(budget.u_mm, 6), round(budget.dof, 2), round(budget.expanded_mm, 4)
    (0.005, 30.86, 0.0102)

    Attributes:
        components: The rows, in the order in which they are explained.
    """

    components: tuple[Component, ...]

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty, millimetres: the root sum square of the rows (GUM 5.1.2)."""
        return math.hypot(*(row.u_mm for row in self.components))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1); infinite if all rows are."""
        u_mm = self.u_mm
        if u_mm == 0:
            return math.inf
        parts = math.fsum((row.u_mm / u_mm) ** 4 / row.dof for row in self.components)
        return 1.0 / parts if parts > 0 else math.inf

    @property
    def coverage_factor(self) -> float:
        """What ``u_mm`` is multiplied by for an interval of 95 % (GUM G.3.2), about 2."""
        return self.coverage_factor_at(0.95)

    @property
    def expanded_mm(self) -> float:
        """Half width of the 95 % interval, millimetres (GUM 6.2.1)."""
        return self.coverage_factor * self.u_mm

    def coverage_factor_at(self, level: float) -> float:
        """What ``u_mm`` is multiplied by for an interval of probability ``level``, above 0 and below 1.

        The effective degrees of freedom are used as they are, not cut to a whole number (GUM G.4.1, note 1,
        allows both).
        """
        return t_quantile(0.5 + level / 2, self.dof)

    def largest_first(self) -> tuple[Component, ...]:
        """The rows, the largest uncertainty first."""
        return tuple(sorted(self.components, key=lambda row: -row.u_mm))

    def numbers(self) -> dict[str, float | None]:
        """The sum for other programs; infinite degrees of freedom are None, since JSON has no infinity."""
        return {
            "u_mm": self.u_mm,
            "expanded_mm": self.expanded_mm,
            "coverage_factor": self.coverage_factor,
            "dof": _finite(self.dof),
        }

    def rows(self) -> list[dict[str, str | float | None]]:
        """The rows for other programs, the largest uncertainty first."""
        return [
            {"source": row.source, "kind": row.kind, "u_mm": row.u_mm, "dof": _finite(row.dof)}
            for row in self.largest_first()
        ]


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


class TypeA(NamedTuple):
    """What repeated readings tell, in their own unit.

    Attributes:
        mean: Their mean.
        s: Standard deviation of one reading, n - 1 in the divisor.
        s_mean: Standard deviation of the mean.
    """

    mean: float
    s: float
    s_mean: float


def type_a(values: Sequence[float]) -> TypeA:
    """Mean, standard deviation and standard deviation of the mean of repeated readings.

    Args:
        values: At least two readings, all in one unit.

    Raises:
        ValueError: If there are fewer than two.

    Source: GUM 4.2.1 to 4.2.3; two passes, the second corrected for the rounding of the mean.
    """
    n = len(values)
    if n < 2:
        raise ValueError(f"{n} readings have no standard deviation: at least 2 are needed")
    mean = math.fsum(values) / n
    off = [value - mean for value in values]
    square = math.fsum(d * d for d in off) - math.fsum(off) ** 2 / n
    s = math.sqrt(max(square, 0.0) / (n - 1))
    return TypeA(mean, s, s / math.sqrt(n))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within plus or minus ``half_width``, all equally likely.

    Source: GUM 4.3.7.
    """
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """Standard uncertainty of a value within plus or minus ``half_width``, the middle most likely.

    Source: GUM 4.3.9.
    """
    return half_width / math.sqrt(6)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of a value that swings like a sine by plus or minus ``half_width``.

    Source: GUM H.1.3.4.
    """
    return half_width / math.sqrt(2)


def resolution(step: float) -> float:
    """Standard uncertainty that the last digit gives to one reading: ``step`` over the root of 12.

    Source: GUM F.2.2.1.
    """
    return rectangular(step / 2)


def resolution_of_difference(step_mm: float) -> float:
    """Standard uncertainty that the last digit gives to the difference of two readings, millimetres.

    >>> round(resolution_of_difference(0.01), 6)
    0.004082

    Args:
        step_mm: One step of the display, millimetres.

    Source: GUM F.2.2.1 for each reading; two independent ones make the triangle of half width ``step_mm``.
    """
    return triangular(step_mm)
