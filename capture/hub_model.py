"""What is simulated: a hub, a hand that pushes and pulls it, and an indicator that looks on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from calc.units import Unit


class Motion(StrEnum):
    """What is done to the hub. All but the first give no end play, and must be refused."""

    STROKES = "strokes"
    TURNED = "turned"
    ONE_WAY = "one way"
    UNLIKE = "unlike strokes"
    SLIPS = "slips at every pull"
    LEAVES = "plunger leaves"
    KNOCKS = "knocks"
    WANDERS = "wanders"
    STILL = "still"


@dataclass(frozen=True, slots=True, kw_only=True)
class HubModel:
    """A hub, a hand and an indicator. Lengths are millimetres, times seconds.

    Attributes:
        end_play_mm: Distance between the stops.
        strokes: Full strokes (a push and a pull are two).
        dwell_s: Mean time at rest against a stop; each dwell is drawn between (1 ± dwell_spread) times this.
        dwell_spread: Relative half width of the dwell times, 0 to 0.9.
        move_s: Mean time of a full stroke.
        half_share: Share of all strokes that turn back before the stop, 0 to 0.5, at a height between
            ``half_least`` and ``half_most`` of the end play.
        rate_hz: Readings a second.
        unit: The indicator's unit.
        decimals: Digits it shows after the point.
        step: Counts of the last digit by which it steps (5 for 0.0005 in with four decimals).
        noise_mm: Standard deviation of its own noise, before rounding.
        wobble_mm: Standard deviation of the level against a stop, from the hand.
        seat_mm: Standard deviation of the rest position from one arrival to the next.
        bounce_s: First bounce over arrival speed.
        lag_s: Time constant of the plunger.
        drift_mm_per_min: Steady creep of the base.
        slip_mm: Size of one slip of the base; 0 for none.
        bad_share: Share of readings replaced by a bad one.
        repeat_share: Share of readings that are sent twice.
        gaps: How many times a second of readings is lost.
        setup_s: Time of aimless excursions before the strokes.
        zeroed: Whether the zero button is pressed before the strokes.
        inverted: Whether a pull makes the reading go down.
        rest_s: Rest before the first and after the last stroke.
        offset_mm: Reading of the pushed-in hub before it is zeroed.
        motion: What is done; see ``Motion``.
    """

    end_play_mm: float = 0.31
    strokes: int = 8
    dwell_s: float = 0.8
    dwell_spread: float = 0.3
    move_s: float = 0.25
    half_share: float = 0.0
    half_least: float = 0.15
    half_most: float = 0.85
    rate_hz: float = 50.0
    unit: Unit = Unit.MM
    decimals: int = 3
    step: int = 1
    noise_mm: float = 0.0005
    wobble_mm: float = 0.0015
    seat_mm: float = 0.0005
    bounce_s: float = 0.002
    lag_s: float = 0.012
    drift_mm_per_min: float = 0.0
    slip_mm: float = 0.0
    bad_share: float = 0.0
    repeat_share: float = 0.0
    gaps: int = 0
    setup_s: float = 0.0
    zeroed: bool = False
    inverted: bool = False
    rest_s: float = 1.0
    offset_mm: float = 1.2
    motion: Motion = Motion.STROKES

    @property
    def resolution_mm(self) -> float:
        """The indicator's step, millimetres."""
        return self.step * 10.0**-self.decimals * (25.4 if self.unit is Unit.INCH else 1.0)
