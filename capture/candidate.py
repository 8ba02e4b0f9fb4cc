"""A profile that may be the gauge's, on its way to be judged; and where the point stands when nobody says."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capture.smoothness import Motion

FEWEST_DECIMALS, MOST_DECIMALS = 2, 4
"""Digits after the point of an indicator that reads millimetres (common practice)."""

STEPS = (1, 2, 5, 10, 20, 50, 100)
"""Counts by which indicators step (common practice)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A profile file to be judged.

    Attributes:
        tables: What it says.
        notes: What was assumed.
        doubts: What speaks against it.
        rank: The smaller is believed first when two explain as much.
    """

    tables: dict[str, object]
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    rank: int = 0


def decimals_for(motion: Motion, travel_mm: float) -> int:
    """How many digits stand after the point, in millimetres, if the plunger moved by about ``travel_mm``."""
    counts = max(1.0, motion.most - motion.least)
    return min(9, max(0, round(math.log10(counts / travel_mm))))


def doubts_of_scale(motion: Motion, decimals: int) -> tuple[str, ...]:
    """What is odd about a gauge that steps so, if its point stands where it was placed."""
    doubts = []
    if not FEWEST_DECIMALS <= decimals <= MOST_DECIMALS:
        doubts.append(f"one count would be 1e-{decimals} mm, and indicators step by 0.01 to 0.0001 mm")
    if motion.step not in STEPS:
        doubts.append(f"the numbers step by {motion.step}, as no indicator does")
    return tuple(doubts)


def note_of_scale(travel_mm: float) -> str:
    """What was assumed to place the point."""
    return (
        "the bytes do not say where the point stands: it was placed for a movement of about "
        f"{travel_mm:g} mm (within a factor of three); check it with a feeler or gauge block"
    )
