"""The ruler as numbers to draw: scale, ticks, the limits as a band, marks with whiskers, notches. Pure.

The page only draws what is said here, and says the same in words to who cannot see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bus.payloads import Brief, Result
from calc.limits import Limits
from calc.ruler import ends_mm, ticks
from calc.units import Unit, format_size
from shopboard.words import STAGES, play_words, verdict_words

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
    readings = [(mark.at_mm, mark.expanded_mm) for mark in marks]
    low, high = ends_mm(Limits(least_mm, most_mm), readings, [(one["at"], one["chosen"]) for one in notches])
    shown = [one for one in notches if low <= one["at"] <= high]
    return {
        "low": low,
        "high": high,
        "least": least_mm,
        "most": most_mm,
        "unit": unit.value,
        "ticks": [{"at": at, "text": text} for at, text in ticks(low, high, unit, MOST_TICKS)],
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
    choice = None if result.verdict == "within" else result.shim.choice  # then nothing is to be fitted
    return [
        {
            "at": one.expected_mm,
            "text": format_size(one.thickness_mm, unit).partition(" ")[0],
            "chosen": choice is not None and math.isclose(one.thickness_mm, choice.thickness_mm),
        }
        for one in result.shim.candidates[:MOST_NOTCHES]
        if one.on_hand
    ]
