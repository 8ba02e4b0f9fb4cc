"""Two end plays on one ruler, line by line: what was recorded, what comes out now, and the limits."""

from __future__ import annotations

from typing import Any

from calc.limits import Limits
from calc.units import Unit
from cli.ruler import Picture, Scale, scale_for, ticks

NAME = 10
"""Columns that the name of a line takes."""


def ruler_lines(
    lines: dict[str, dict[str, Any]], limits: Limits, unit: Unit, columns: int, *, drawn: bool
) -> list[str]:
    """Draw end plays above the limits and one scale.

    Args:
        lines: Analysis objects by the name that stands left of each.
        limits: The end play allowed.
        unit: Unit of the scale.
        columns: Width of the whole.
        drawn: Whether letters beyond ASCII can be shown.
    """
    width = max(20, columns - NAME)
    scale = _scale(list(lines.values()), limits, unit, width)
    rows = [f"{name:{NAME}}{_reading(found, scale, drawn=drawn)}" for name, found in lines.items()]
    rows.append(f"{'limits':{NAME}}{_band(limits, scale, drawn=drawn)}")
    axis, words = ["─" if drawn else "-"] * width, [" "] * width
    free = 0
    for at_mm, text in ticks(scale, unit):
        column = scale.column(at_mm)
        axis[column] = "┼" if drawn else "+"
        start = max(0, column - len(text) // 2)
        if free <= start <= width - len(text) - len(unit) - 1:
            words[start : start + len(text)] = text
            free = start + len(text) + 1
    words[-len(unit) :] = unit
    rows += [" " * NAME + "".join(axis), " " * NAME + "".join(words)]
    return [row.rstrip() for row in rows]


def _scale(found: list[dict[str, Any]], limits: Limits, unit: Unit, width: int) -> Scale:
    """One scale that holds them all."""
    scales = [
        scale_for(Picture(limits, unit, one["end_play_mm"], one["expanded_mm"]), width) for one in found
    ]
    return Scale(min(one.low_mm for one in scales), max(one.high_mm for one in scales), width)


def _reading(found: dict[str, Any], scale: Scale, *, drawn: bool) -> str:
    if found["end_play_mm"] is None:
        return "no end play"
    middle = scale.column(found["end_play_mm"])
    half = scale.half_width(found["expanded_mm"] or 0.0)
    cells = [" "] * scale.columns
    if half:
        start, line, end = "├─┤" if drawn else "<->"
        first, last = max(0, middle - half), min(scale.columns - 1, middle + half)
        cells[first : last + 1] = line * (last + 1 - first)
        cells[first], cells[last] = start, end
    cells[middle] = "◆" if drawn else "#"
    return "".join(cells)


def _band(limits: Limits, scale: Scale, *, drawn: bool) -> str:
    first, last = scale.column(limits.least_mm), scale.column(limits.most_mm)
    left, fill, right = "▐▒▌" if drawn else "[=]"
    return " " * first + left + fill * max(0, last - first - 1) + right
