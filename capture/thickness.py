"""Settled readings of a micrometer to a thickness with its uncertainty budget."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import Any

from calc.uncertainty import Budget, Component, rectangular, resolution
from capture.readings import Gauge, Reading
from capture.rests import REST_STEPS, Rest, RestFinder

LEAST_THICKNESS_MM = 0.02
"""A rest below this is an empty micrometer, closed: no shim is so thin."""

PRESSES = 3
"""A micrometer that sends at the press of its button has to agree with itself so many times in a row."""


@dataclass(frozen=True, slots=True)
class Thickness:
    """The thickness of what is in the micrometer.

    Attributes:
        thickness_mm: Median of the settled readings, millimetres, above 0.
        budget: Where its uncertainty comes from.
        readings: How many settled readings it rests on.
        resolution_mm: Step of the micrometer, millimetres.
    """

    thickness_mm: float
    budget: Budget
    readings: int
    resolution_mm: float


class ThicknessFinder:
    """Waits until a micrometer's reading has settled on something.

    Attributes:
        empty: Whether it settled on nothing, closed.
        readings: How many readings came.

    Args:
        gauge: What is known of the micrometer.
    """

    def __init__(self, gauge: Gauge) -> None:
        self.empty = False
        self.readings = 0
        self._gauge = gauge
        self._rests = RestFinder(gauge.resolution_mm, single=gauge.single)
        self._presses: list[Rest] = []

    def feed(self, reading: Reading) -> Thickness | None:
        """Take the next reading; give the thickness once it has settled."""
        self.readings += 1
        rest = self._rests.feed(reading)
        if rest is None:
            return None
        if rest.level_mm < LEAST_THICKNESS_MM:
            self.empty = True
            self._presses.clear()
            return None
        if not self._gauge.single:
            return thickness_of(rest, self._gauge)
        self._presses = [*self._presses, rest][-PRESSES:]
        levels = [one.level_mm for one in self._presses]
        if len(levels) < PRESSES or max(levels) - min(levels) > REST_STEPS * rest.step_mm * (1 + 1e-9):
            return None
        spread = statistics.stdev(levels)
        first = self._presses[0].from_s
        return thickness_of(
            Rest(statistics.median(levels), spread, PRESSES, first, rest.to_s, rest.step_mm), self._gauge
        )


def thickness_of(rest: Rest, gauge: Gauge) -> Thickness:
    """The thickness that settled readings show.

    Args:
        rest: At least two readings.
        gauge: The micrometer; its permissible error has a row where it is stated.

    Source:
        GUM 4.2.2 for the spread: that of one reading, not of the mean, because the readings of one closing
        share what the hand and the faces did and do not average out; F.2.2.1 for the resolution; 4.3.7 for a
        permissible error.
    """
    rows = [
        Component("spread of the settled readings", "A", rest.spread_mm, float(rest.count - 1)),
        Component("resolution of the reading", "B", resolution(rest.step_mm)),
    ]
    if gauge.permissible_error_mm:
        rows.append(Component("micrometer's permissible error", "B", rectangular(gauge.permissible_error_mm)))
    return Thickness(rest.level_mm, Budget(tuple(rows)), rest.count, rest.step_mm)


def thickness_object(found: Thickness) -> dict[str, Any]:
    """What programs read of a thickness, in the order of ``shimwright thickness --json``."""
    return {
        "thickness_mm": found.thickness_mm,
        **found.budget.numbers(),
        "resolution_mm": found.resolution_mm,
        "readings": found.readings,
        "budget": found.budget.rows(),
    }
