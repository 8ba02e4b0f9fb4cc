"""What a session is told beside the bytes, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from capture.decoder import Decoded
from capture.end_play import EndPlay, Refusal
from capture.readings import Gap, Trace


@dataclass(frozen=True, slots=True)
class Finish:
    """End the measurement now with what there is."""

    at: float


@dataclass(frozen=True, slots=True)
class Abandon:
    """Break the measurement off; the trace so far is given back with a refusal that says why."""

    at: float
    why: str = "the measurement was broken off"


@dataclass(frozen=True, slots=True)
class Arm:
    """Begin a new measurement; what came before is forgotten."""

    at: float


@dataclass(frozen=True, slots=True)
class StrokeSeen:
    """One more stroke.

    Attributes:
        at: Monotonic seconds.
        number: Counted from 1, full and half strokes apart.
        full: Whether it went from stop to stop.
        direction: "out" where the reading went up, "in" where it went down.
        height_mm: How far the reading moved between the dwells at its two ends, millimetres.
    """

    at: float
    number: int
    full: bool
    direction: Literal["out", "in"]
    height_mm: float


@dataclass(frozen=True, slots=True)
class Progress:
    """The estimate so far, each time the strokes were looked at.

    Attributes:
        at: Monotonic seconds.
        end_play_mm: The end play, millimetres; None while there is none.
        expanded_mm: Half width of its 95 % interval, millimetres; None while there is none.
        strokes: Full strokes.
        half_strokes: Half strokes.
        keeps: What keeps the measurement from ending, for a person.
        slip_mm: By how much the base slipped, millimetres, where it is seen to have slipped once.
        reason: The code of the main reason why there is no end play yet; None where there is one.
    """

    at: float
    end_play_mm: float | None
    expanded_mm: float | None
    strokes: int
    half_strokes: int
    keeps: str
    slip_mm: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Ended:
    """The measurement is over, and nothing more is told of it.

    Attributes:
        at: Monotonic seconds.
        outcome: The number, or why there is none.
        trace: The readings that it was found in: analysed again they give the same numbers.
    """

    at: float
    outcome: EndPlay | Refusal
    trace: Trace


Command = Finish | Abandon | Arm
Event = Decoded | Gap | StrokeSeen | Progress | Ended
