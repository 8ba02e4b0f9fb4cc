"""The ruler as numbers to draw: scale, ticks, the limits as a band, marks with whiskers, notches. Pure.

The page only draws what is said here, and says the same in words to who cannot see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bus.payloads import Brief, Result
from calc.units import Unit, format_size, from_mm
from shopboard.words import STAGES, play_words, verdict_words

ROOM = 0.08
"""Part of the scale left free beyond the furthest thing shown."""

FURTHEST_NOTCH = 1.5
"""A notch beyond so many times the upper limit does not stretch the scale; it is told in words."""

MOST_TICKS = 7
"""About so many numbers under the axis."""

MOST_NOTCHES = 60
"""More shims than these have no room."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A reading on the ruler.

    Attributes:
        at_mm: End play, millimetres.
        expanded_mm: Half width of its 95 % interval, millimetres.
        stage: as-found, trial or as-left: its shape.
        text: What is said of it.
    """

    at_mm: float
    expanded_mm: float
    stage: str
    text: str


def mark_of(brief: Brief | Result, unit: Unit) -> Mark | None:
    """A measurement's mark; None if it has no number."""
    if brief.end_play_mm is None:
        return None
    text = f"{STAGES[brief.stage]}: {play_words(brief, unit)}, {verdict_words(brief)}"
    return Mark(brief.end_play_mm, brief.expanded_mm or 0.0, brief.stage, text)


def ruler_of(
    least_mm: float, most_mm: float, unit: Unit, marks: Sequence[Mark], result: Result | None = None
) -> dict[str, Any]:
    """Everything that the ruler shows.

    Args:
        least_mm: Least end play allowed.
        most_mm: Most end play allowed.
        unit: What people see.
        marks: The readings.
        result: The newest measurement, whose shims are the notches; None for none.
    """
    notches = _notches(result, unit)
    furthest = FURTHEST_NOTCH * most_mm
    reach = [most_mm, *(mark.at_mm + mark.expanded_mm for mark in marks)]
    reach += [one["at"] for one in notches if one["chosen"] or 0.0 <= one["at"] <= furthest]
    lowest = [0.0, least_mm, *(mark.at_mm - mark.expanded_mm for mark in marks)]
    low, high = min(lowest), max(reach)
    room = (high - low) * ROOM or 0.01
    low, high = low - (room if low < 0 else 0.0), high + room
    shown = [one for one in notches if low <= one["at"] <= high]
    return {
        "low": low,
        "high": high,
        "least": least_mm,
        "most": most_mm,
        "unit": unit.value,
        "ticks": _ticks(low, high, unit),
        "marks": [
            {"at": one.at_mm, "spread": one.expanded_mm, "stage": one.stage, "text": one.text}
            for one in marks
        ],
        "notches": shown,
        "below": sum(one["at"] < low for one in notches),
        "above": sum(one["at"] > high for one in notches),
        "words": _words(least_mm, most_mm, unit, marks),
    }


def _words(least_mm: float, most_mm: float, unit: Unit, marks: Sequence[Mark]) -> str:
    limits = f"End play allowed {format_size(least_mm, unit)} to {format_size(most_mm, unit)}."
    return " ".join([limits, *(f"{mark.text}." for mark in marks)])


def _notches(result: Result | None, unit: Unit) -> list[dict[str, Any]]:
    if result is None or result.shim is None:
        return []
    choice = result.shim.choice
    return [
        {
            "at": one.expected_mm,
            "text": format_size(one.thickness_mm, unit).partition(" ")[0],
            "chosen": choice is not None and math.isclose(one.thickness_mm, choice.thickness_mm),
        }
        for one in result.shim.candidates[:MOST_NOTCHES]
        if one.on_hand
    ]


def _ticks(low_mm: float, high_mm: float, unit: Unit) -> list[dict[str, Any]]:
    low, high = from_mm(low_mm, unit), from_mm(high_mm, unit)
    span = high - low
    power = 10.0 ** math.floor(math.log10(span / MOST_TICKS))
    step = next(one * power for one in (1, 2, 5, 10) if span / (one * power) <= MOST_TICKS)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    each = step * (1.0 if unit is Unit.MM else 25.4)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [{"at": n * each, "text": f"{n * step:.{decimals}f}"} for n in range(first, last + 1)]
