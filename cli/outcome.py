"""What an analysis gave, as lines for a person; made from the analysis object, live and recorded alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calc.units import Unit, from_mm
from cli.words import number_with_uncertainty, strokes

ROWS_SHOWN = 3
"""Rows of the budget that a person sees; the rest rarely matters."""

NO_NUMBERS: dict[str, Any] = {
    "end_play_mm": None,
    "u_mm": None,
    "expanded_mm": None,
    "coverage_factor": None,
    "dof": None,
    "strokes": 0,
    "half_strokes": 0,
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
    seen = strokes(analysis["strokes"], analysis["half_strokes"])
    if not analysis["usable"]:
        return [f"No end play: {seen} seen.", *(f"  - {reason['text']}" for reason in analysis["reasons"])]
    return [
        f"End play {number_text(analysis, unit)}, from {seen}.",
        *_budget_lines(analysis["budget"], unit),
        *(f"  - {note}" for note in notes),
    ]


def number_text(analysis: dict[str, Any], unit: Unit) -> str:
    """The end play of a usable analysis and its uncertainty: ``0.312 mm ± 0.008 mm (95 %)``."""
    return number_with_uncertainty(
        analysis["end_play_mm"], analysis["expanded_mm"], unit, analysis["resolution_mm"]
    )


def _budget_lines(budget: list[dict[str, Any]], unit: Unit) -> list[str]:
    rows = sorted((row for row in budget if row["u_mm"] > 0), key=lambda row: -row["u_mm"])[:ROWS_SHOWN]
    if not rows:
        return []
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
