"""What a frame says of the gauge beside its number: the display is held, the battery is low."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum


class Flag(StrEnum):
    """One thing that a gauge says of itself."""

    HOLD = "hold"
    LOW_BATTERY = "low battery"


ReadFlags = Callable[[bytes], frozenset[Flag]]
"""Reads the flags of one good frame."""
