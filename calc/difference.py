"""Two end plays held against each other: how far apart they are, and whether that is more than chance.

Each comes with its own uncertainty budget. What only one of them has (the scatter of its strokes, the
rounding of its readings) is independent of the other. A row that both have from the same cause, such as the
error of one and the same indicator, may be in both alike, and then it is not in their difference.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from calc.student import t_cdf
from calc.uncertainty import Budget, Component

CHANCE = 0.05
"""A difference that chance alone would reach less often than this is called more than chance."""


@dataclass(frozen=True, slots=True)
class Difference:
    """How far a second length is from a first.

    Attributes:
        difference_mm: The second less the first, millimetres.
        budget: Where its uncertainty comes from.
    """

    difference_mm: float
    budget: Budget

    @property
    def p(self) -> float:
        """How often chance alone would make a difference at least so large, either way; 0 to 1.

        The two-sided probability of Student's t with the effective degrees of freedom. Without any
        uncertainty it is 0, or 1 if there is no difference.
        """
        u_mm = self.budget.u_mm
        if u_mm == 0:
            return float(self.difference_mm == 0)
        return 2.0 * t_cdf(-abs(self.difference_mm) / u_mm, self.budget.dof)

    @property
    def more_than_chance(self) -> bool:
        """Whether chance alone would reach it in fewer than one of twenty cases.

        It is then also larger than its expanded uncertainty at 95 %.
        """
        return self.p < CHANCE


def difference_of(
    first_mm: float, first: Budget, second_mm: float, second: Budget, alike: Collection[str] = ()
) -> Difference:
    """The second length less the first, with its uncertainty.

    >>> from calc.uncertainty import Component
    >>> one = Budget((Component("strokes", "A", 0.003, 7.0),))
    >>> two = Budget((Component("strokes", "A", 0.004, 7.0),))
    >>> found = difference_of(0.310, one, 0.062, two)
    >>> round(found.difference_mm, 3), round(found.budget.u_mm, 6), round(found.budget.dof, 2)
    (-0.248, 0.005, 12.98)

    Args:
        first_mm: Millimetres.
        first: Its budget.
        second_mm: Millimetres.
        second: Its budget.
        alike: Sources of rows that are in both lengths alike, with the same sign, and so cancel as far as
            they are equal. All other rows are independent.

    Source: JCGM 100:2008, 5.1.2 (sum in squares) for what is independent, 5.2.2 with a correlation
        coefficient of 1 for what is alike; G.4.1 (Welch and Satterthwaite) for the degrees of freedom.
    """
    rows = [row for budget in (first, second) for row in budget.components if row.source not in alike]
    for source in sorted(set(alike)):
        ones = _named(first, source)
        twos = _named(second, source)
        if ones or twos:
            left = abs(_u_of(ones) - _u_of(twos))
            dof = min(row.dof for row in (*ones, *twos))
            rows.append(Component(source, "B", left, dof))
    return Difference(second_mm - first_mm, Budget(tuple(rows)))


def _named(budget: Budget, source: str) -> tuple[Component, ...]:
    return tuple(row for row in budget.components if row.source == source)


def _u_of(rows: tuple[Component, ...]) -> float:
    return Budget(rows).u_mm
