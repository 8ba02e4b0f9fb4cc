"""The readings of a measurement so far: growing, bounded by whoever holds it, and exact."""

from __future__ import annotations

from array import array
from decimal import Decimal

import numpy as np

from calc.units import Unit
from capture.readings import Trace, decimals_of


class Recording:
    """Readings in one unit, kept as whole numbers of counts.

    >>> recording = Recording()
    >>> recording.append(0.0, Decimal("0.31"))
    >>> recording.append(0.02, Decimal("0.312"))
    >>> recording.trace(Unit.MM).texts()
    ['0.310', '0.312']
    """

    def __init__(self) -> None:
        self._times, self._counts = array("d"), array("q")
        self._decimals = 0

    def __len__(self) -> int:
        return len(self._times)

    @property
    def last_s(self) -> float:
        """Time of the last reading, seconds; there must be one."""
        return self._times[-1]

    @property
    def last_digit(self) -> Decimal:
        """One count, in the unit of the readings."""
        return Decimal(1).scaleb(-self._decimals)

    def append(self, time_s: float, value: Decimal) -> None:
        """Keep one more reading.

        Args:
            time_s: Seconds, not before the last.
            value: In the unit of the others; its digits after the point may be more than theirs.
        """
        decimals = decimals_of(value)
        if decimals > self._decimals:
            factor = 10 ** (decimals - self._decimals)
            self._counts = array("q", [count * factor for count in self._counts])
            self._decimals = decimals
        self._times.append(time_s)
        self._counts.append(int(value.scaleb(self._decimals)))

    def drop_oldest(self, number: int) -> None:
        """Forget so many of the first readings."""
        del self._times[:number], self._counts[:number]

    def trace(self, unit: Unit) -> Trace:
        """The readings as a trace of its own, which later readings do not change."""
        times = np.array(self._times, dtype=np.float64)
        counts = np.array(self._counts, dtype=np.int64)
        return Trace(times, counts, self._decimals, unit)
