"""What an analysis gave, as lines for a person; made from the analysis object, live and recorded alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calc.presented import number_with_uncertainty
from calc.units import Unit, from_mm
from cli.words import strokes

LEAST_SHARE = 0.1
"""A person sees the rows of the budget that are at least this share of its largest one."""

NO_NUMBERS: dict[str, Any] = {
    "end_play_mm": None,
    "u_mm": None,
    "expanded_mm": None,
    "coverage_factor": None,
    "dof": None,
    "strokes": None,
    "half_strokes": None,
    "resolution_mm": None,
    "drift_mm_per_s": None,
    "budget": [],
}
"""The numbers of an analysis that saw nothing."""


def outcome_lines(analysis: dict[str, Any], unit: Unit, notes: Sequence[str] = ()) -> list[str]:
    """The number with its uncertainty and where that comes from; or why there is no number.

    Args:
        analysis: The analysis object.
        unit: Unit to write lengths in.
        notes: What else the analysis has to say.
    """
    if not analysis["usable"]:
        return ["No end play:", *(f"  - {reason['text']}" for reason in analysis["reasons"])]
    seen = strokes(analysis["strokes"], analysis["half_strokes"])
    return [
        f"End play {number_text(analysis, unit)}, from {seen}.",
        *budget_lines(analysis["budget"], unit),
        *(f"  - {note}" for note in notes),
    ]


def number_text(analysis: dict[str, Any], unit: Unit) -> str:
    """The end play of a usable analysis and its uncertainty: ``0.312 mm ± 0.008 mm (95 %)``."""
    return number_with_uncertainty(
        analysis["end_play_mm"], analysis["expanded_mm"], unit, analysis["resolution_mm"]
    )


def budget_lines(budget: list[dict[str, Any]], unit: Unit) -> list[str]:
    """Where an uncertainty comes from, one line, the largest first; nothing if it comes from nowhere.

    Args:
        budget: Rows as programs read them.
        unit: Unit to write lengths in.
    """
    largest = max((row["u_mm"] for row in budget), default=0.0)
    rows = [row for row in budget if row["u_mm"] >= LEAST_SHARE * largest > 0]
    if not rows:
        return []
    rows.sort(key=lambda row: -row["u_mm"])
    told = "; ".join(f"{row['source']} {significant(from_mm(row['u_mm'], unit))} {unit}" for row in rows)
    return [f"  Standard uncertainty comes from: {told}."]


def significant(value: float, digits: int = 2) -> str:
    """Write a number above zero with so many significant digits and no exponent.

    >>> significant(0.00213), significant(0.0129), significant(12.9), significant(129.0)
    ('0.0021', '0.013', '13', '130')
    """
    rounded = float(f"{value:.{digits - 1}e}")
    power = int(f"{rounded:e}".split("e")[1])
    return f"{rounded:.{max(0, digits - 1 - power)}f}"
