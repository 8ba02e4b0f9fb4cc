"""A profile that may be the gauge's, on its way to be judged; and where the point stands when nobody says it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capture.smoothness import Motion


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


def note_of_scale(travel_mm: float) -> str:
    """What was assumed to place the point."""
    return (
        f"the bytes do not say where the point stands: it was placed for a movement of about {travel_mm:g} mm "
        "(within a factor of three); check it with a feeler or gauge block"
    )
