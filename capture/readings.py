"""What an indicator gives: a gauge's description, single readings, and a trace of many, kept exactly.

A reading is a decimal number in the gauge's own unit. A trace keeps it as a whole number of counts, so
nothing is rounded on the way to the log and back; millimetres are made once, by one division that IEEE 754
rounds correctly.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from calc.alignment import Geometry
from calc.units import Unit, to_mm

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_DECIMALS = 9
"""More digits after the point than any indicator has; a longer number is garbled."""

MOST_VALUE = Decimal(10_000)
"""Larger than any indicator's range in either unit; a larger number is garbled."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """What is known of an indicator before it is read.

    Attributes:
        unit: Unit of its readings where a reading does not say it; None when unknown.
        resolution_mm: Smallest step it shows, millimetres; None to take it from the readings.
        range_mm: Travel, millimetres; None when unknown.
        permissible_error_mm: Largest permissible error over the travel used (plus or minus), millimetres;
            None when not stated, and then it has no row in the budget.
        permissible_error_source: Where that figure stands.
        misalignment_deg: Largest angle by which it may stand off square, degrees; None when not stated.
        geometry: Which way that angle acts; see ``calc.alignment``.
        single: Whether it sends only when its button (or a pedal) is pressed: each reading is one press, made
            while the hub rests against a stop.
    """

    unit: Unit | None = None
    resolution_mm: float | None = None
    range_mm: float | None = None
    permissible_error_mm: float | None = None
    permissible_error_source: str = ""
    misalignment_deg: float | None = None
    geometry: Geometry = Geometry.PLUNGER
    single: bool = False


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came off the link, all stamped with one arrival time.

    Attributes:
        data: The bytes; may hold part of a frame or many.
        at: Monotonic seconds.
    """

    data: bytes
    at: float


@dataclass(frozen=True, slots=True)
class Tick:
    """Time went by; nothing came. ``at`` is monotonic seconds on the same clock as the chunks."""

    at: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One number from the gauge.

    Attributes:
        value: Exactly as shown, in ``unit``.
        unit: Millimetres or inches.
        at: Arrival time, monotonic seconds.
    """

    value: Decimal
    unit: Unit
    at: float

    @property
    def value_mm(self) -> float:
        """The reading in millimetres, correctly rounded."""
        return to_mm(self.value, self.unit)


@dataclass(frozen=True, slots=True)
class Garbled:
    """Bytes that are no reading. The stream goes on.

    Attributes:
        data: The bytes, cut to 64.
        why: What is wrong, for a person.
        at: Arrival time, monotonic seconds.
    """

    data: bytes
    why: str
    at: float


@dataclass(frozen=True, slots=True)
class Gap:
    """No reading came for longer than the stream's own rhythm allows.

    Attributes:
        seconds: How long nothing came.
        at: When readings came back, monotonic seconds.
    """

    seconds: float
    at: float


@dataclass(frozen=True, slots=True)
class Overrun:
    """Something was dropped because a bounded queue was full.

    Attributes:
        dropped: How many readings or chunks.
        at: Monotonic seconds.
    """

    dropped: int
    at: float


@dataclass(frozen=True, slots=True)
class UnitChanged:
    """The gauge was switched from one unit to the other in mid stream."""

    was: Unit
    now: Unit
    at: float


@dataclass(frozen=True, slots=True)
class UnitMissing:
    """A reading came without a unit and nobody said which it is; it cannot be used."""

    text: str
    at: float


@dataclass(frozen=True, slots=True)
class Hold:
    """The gauge's display was held, so that its numbers stand still and are no readings; or it was let go.

    Attributes:
        on: Whether it is held from now on.
        at: Monotonic seconds.
    """

    on: bool
    at: float

    def __str__(self) -> str:
        if self.on:
            return "the gauge's display is held: its numbers do not count until it is let go"
        return "the gauge's display was let go"


@dataclass(frozen=True, slots=True)
class LowBattery:
    """The gauge says for the first time that its battery is low; its readings still count."""

    at: float

    def __str__(self) -> str:
        return "the gauge says that its battery is low: change it soon"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Readings in order, exactly.

    Attributes:
        times_s: Arrival times, seconds, not decreasing; shape (n,), float64.
        counts: Readings as whole numbers of ``10**-decimals`` units; shape (n,), int64.
        decimals: Digits after the point, 0 to 9.
        unit: Unit of the readings.
    """

    times_s: NDArray[np.float64]
    counts: NDArray[np.int64]
    decimals: int
    unit: Unit

    def __len__(self) -> int:
        return len(self.times_s)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trace):
            return NotImplemented
        return (
            self.unit == other.unit
            and self.decimals == other.decimals
            and np.array_equal(self.times_s, other.times_s)
            and np.array_equal(self.counts, other.counts)
        )

    __hash__ = None  # type: ignore[assignment]

    @property
    def readings_mm(self) -> NDArray[np.float64]:
        """The readings in millimetres, shape (n,): each rightly rounded from its decimal, as in ``Reading``.

        The numerator is a whole number below 2**53 and the divisor a power of ten below 10**22, both exact in
        a double, so the one division rounds correctly (IEEE 754, clause 4.3).
        """
        if self.unit is Unit.INCH:
            return (self.counts * 254) / 10.0 ** (self.decimals + 1)
        return self.counts / 10.0**self.decimals

    @property
    def step_mm(self) -> float:
        """One count of the last digit, millimetres."""
        return to_mm(Decimal(1).scaleb(-self.decimals), self.unit)

    def texts(self) -> list[str]:
        """The readings as decimal text in the trace's unit, one for each reading."""
        return [format(Decimal(int(c)).scaleb(-self.decimals), "f") for c in self.counts]

    def cut(self, start: int, stop: int) -> Trace:
        """The readings from index ``start`` up to, not including, ``stop``."""
        return Trace(self.times_s[start:stop], self.counts[start:stop], self.decimals, self.unit)


def trace_of(readings: list[Reading]) -> Trace:
    """Make a trace from readings that share one unit.

    Args:
        readings: At least one, in order of arrival.

    Raises:
        ValueError: If there are none, or their units differ.
    """
    if not readings:
        raise ValueError("a trace needs at least one reading")
    unit = readings[0].unit
    if any(r.unit is not unit for r in readings):
        raise ValueError("the readings of one trace must share one unit")
    decimals = max(decimals_of(r.value) for r in readings)
    return Trace(
        np.array([r.at for r in readings], dtype=np.float64),
        np.array([int(r.value.scaleb(decimals)) for r in readings], dtype=np.int64),
        decimals,
        unit,
    )


def decimals_of(value: Decimal) -> int:
    """Digits after the point as written: 0.310 has three.

    >>> decimals_of(Decimal("0.310"))
    3
    """
    exponent = value.as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0
