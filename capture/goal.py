"""When a measurement is good enough to end by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calc.limits import Limits
from calc.units import Unit

COARSE = 1.0
"""No measurement can be expected to be surer than to so many resolutions: those of two readings alone make
1.96 / sqrt(6) = 0.80 (GUM F.2.2.1), and a fourth more leaves room for the other rows of the budget."""


@dataclass(frozen=True, slots=True)
class Goal:
    """When a measurement is good enough to end by itself.

    Attributes:
        limits: End play allowed; None if there are none to compare with, and then strokes alone count.
        fraction: The expanded uncertainty is to be at most this share of the limits' width, above 0.
        least_strokes: And at least so many full strokes have to agree, 4 or more.
        timeout_s: Seconds from the first chunk or tick after which it ends in any case, with the readings
            from before; None for no end.
        unit: Unit of the texts.
    """

    limits: Limits | None = None
    fraction: float = 0.1
    least_strokes: int = 5
    timeout_s: float | None = None
    unit: Unit = Unit.MM

    def target_mm(self, resolution_mm: float) -> float:
        """Largest expanded uncertainty to end at, millimetres: never less than the resolution allows."""
        if self.limits is None:
            return math.inf
        wished = self.fraction * (self.limits.most_mm - self.limits.least_mm)
        return max(wished, COARSE * resolution_mm)
