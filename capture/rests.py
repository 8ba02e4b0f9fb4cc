"""Readings to rests: where an indicator or a micrometer kept its place, one after the other.

A reading has come to rest once it kept within two steps of the display for a second. A bad reading, or one
sent twice, in the middle of it changes nothing. A gauge that sends only when its button is pressed is at rest
at each
press: the person said so.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from decimal import Decimal

from calc.units import to_mm
from capture.readings import Reading, decimals_of

REST_S = 1.0
"""The reading has to keep its place for so long."""

REST_STEPS = 2
"""So many steps of the display apart may its readings lie."""

LEAST_READINGS = 3
"""And so many have to come in that time."""

MOST_BAD, BAD_SHARE = 2, 0.1
"""More readings that stand apart than this, and than this share of a rest's readings, are its end."""

SAME_PRESS_S = 0.3
"""A reading that follows another so soon is the same press of the button: switches bounce."""

LARGER_STEPS = (50, 20, 10, 5, 2)
LEAST_MOVES = 8
"""So many moves that are all multiples of it show that a display steps by more than its last digit."""

MOST_KEPT = 10_000
"""Readings of one rest that are kept; a longer one is known well enough."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Where the reading kept its place.

    Attributes:
        level_mm: Median of its readings, millimetres.
        spread_mm: Their standard deviation, millimetres; 0 for a single press.
        count: How many they are, at least 1.
        from_s: Time of the first, monotonic seconds.
        to_s: Time of the last.
        step_mm: Step of the display, millimetres, above 0.
    """

    level_mm: float
    spread_mm: float
    count: int
    from_s: float
    to_s: float
    step_mm: float


class RestFinder:
    """Finds rests in a stream of readings, each once, as soon as it has lasted long enough.

    Args:
        resolution_mm: Step of the display, millimetres; None to take it from the readings.
        single: Whether each reading is one press of a button.
    """

    def __init__(self, resolution_mm: float | None = None, *, single: bool = False) -> None:
        self._known_mm = resolution_mm
        self._single = single
        self._here: list[tuple[float, float]] = []
        self._apart: list[tuple[float, float]] = []
        self._low, self._high = math.inf, -math.inf
        self._told, self._bad = False, 0
        self._decimals = 0
        self._last: Decimal | None = None
        self._last_at = -math.inf
        self._common, self._moves = 0, 0

    def feed(self, reading: Reading) -> Rest | None:
        """Take the next reading; give the rest that it completes.

        Args:
            reading: Times never go back, and the unit does not change.
        """
        step_mm = self._step_mm(reading)
        now = (reading.at, reading.value_mm)
        if self._single:
            again = reading.at - self._last_at < SAME_PRESS_S
            self._last_at = reading.at
            return None if again else _rest([now], step_mm)
        low, high = min(self._low, now[1]), max(self._high, now[1])
        if high - low <= _band(step_mm):
            self._low, self._high = low, high
            self._apart.clear()
            if len(self._here) < MOST_KEPT:
                self._here.append(now)
        else:
            self._apart.append(now)
            self._bad += 1
            if self._bad > max(MOST_BAD, BAD_SHARE * len(self._here)):
                self._begin_again(step_mm)
            else:
                return None
        lasted = now[0] - self._here[0][0]
        if self._told or lasted < REST_S or len(self._here) < LEAST_READINGS:
            return None
        self._told = True
        return _rest(self._here, step_mm)

    def _begin_again(self, step_mm: float) -> None:
        """The rest is over; what stood apart from it, as far as it lies together, begins the next."""
        self._here, self._apart, self._told, self._bad = self._apart, [], False, 0
        values = [value for _, value in self._here]
        while max(values) - min(values) > _band(step_mm):
            del values[0], self._here[0]
        self._low, self._high = min(values), max(values)

    def _step_mm(self, reading: Reading) -> float:
        """One step of the display: as stated, else its last digit, or more where it only moves by more."""
        digits = decimals_of(reading.value)
        if digits > self._decimals:
            self._common *= 10 ** (digits - self._decimals)
            self._decimals = digits
        if self._last is not None and reading.value != self._last:
            self._common = math.gcd(self._common, int((reading.value - self._last).scaleb(self._decimals)))
            self._moves += 1
        self._last = reading.value
        if self._known_mm is not None:
            return self._known_mm
        counts = 1
        if self._moves >= LEAST_MOVES:
            counts = next((larger for larger in LARGER_STEPS if self._common % larger == 0), 1)
        return to_mm(Decimal(counts).scaleb(-self._decimals), reading.unit)


def _band(step_mm: float) -> float:
    """How far apart the readings of a rest may lie, millimetres; a hair more, for the rounding of floats."""
    return REST_STEPS * step_mm * (1 + 1e-9)


def _rest(readings: list[tuple[float, float]], step_mm: float) -> Rest:
    values = [value for _, value in readings]
    spread = statistics.stdev(values) if len(values) > 1 else 0.0
    return Rest(statistics.median(values), spread, len(values), readings[0][0], readings[-1][0], step_mm)
