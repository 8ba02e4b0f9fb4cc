"""Castle nuts: where the cotter pin goes in, and what a turn does to an end play that the nut sets.

Geometry: the slots of the nut are evenly spaced. A pin hole goes right through the spindle, so that it has
two ends, half a turn apart; several holes cross, and their ends are evenly spaced too. A pin goes in where
both ends of a hole stand in slots, so the slots are even in number. Slots and ends meet as often in a turn
as their least common multiple: 6 slots and 1 hole (2 ends) meet 6 times, not 12, because both ends stand in
slots at once; 6 slots and 2 holes at right angles (4 ends) meet 12 times.

Angles are degrees, above 0 onward (the way that tightens, whichever hand the thread has) and below 0 back.

What a turn does to the end play holds only from a measured end play above 0. From a tightened joint the first
part of a turn back only unloads what the torque pressed together: back-offs that procedures state (a sixth or
a quarter of a turn after the torque) are the size of a step, never the end play that results.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calc.errors import CalcError
from calc.limits import Limits, chances, nm
from calc.uncertainty import Budget, Component

MOST_SLOTS = 24
"""Slots of the largest castle nut here."""

MOST_HOLES = 4
"""Pin holes through a spindle at most."""

PITCH_MM = (0.2, 8.0)
"""Thread pitches of spindle nuts lie well between these, millimetres."""

MOST_TURNS = 2
"""No nut is turned further to set an end play: a number or its unit is wrong."""

MOST_MOVES = 2000
"""More places than this between the limits come from limits or an end play in another unit."""


class NutError(CalcError):
    """What was said of a nut cannot be."""


@dataclass(frozen=True, slots=True)
class Castle:
    """A castle nut on a spindle with pin holes.

    >>> Castle(6, 1).places, Castle(6, 2).places, Castle(6, 2).step_deg
    (6, 12, 30.0)

    Attributes:
        slots: Slots of the nut, 2 to 24, an even number.
        holes: Pin holes right through the spindle, 1 to 4, evenly spread.

    Raises:
        NutError: If there is no such nut, or a pin could never go right through.
    """

    slots: int
    holes: int

    def __post_init__(self) -> None:
        if not 1 <= self.slots <= MOST_SLOTS:
            raise NutError(f"{self.slots} slots: a castle nut has 1 to {MOST_SLOTS}")
        if not 1 <= self.holes <= MOST_HOLES:
            raise NutError(f"{self.holes} pin holes: a spindle has 1 to {MOST_HOLES}, each right through it")
        if self.slots % 2 == 1:
            raise NutError(
                f"{self.slots} slots, an odd number, leave none opposite for a pin that goes right through: "
                "count the slots again"
            )

    @property
    def places(self) -> int:
        """How often in a turn a slot and a pin hole meet."""
        return math.lcm(self.slots, 2 * self.holes)

    @property
    def step_deg(self) -> float:
        """From one place where the pin goes in to the next, degrees."""
        return 360 / self.places

    def past_deg(self, at_deg: float) -> float:
        """How far the nut stands past the last place where the pin went in, degrees, 0 to below a step.

        Args:
            at_deg: Any angle onward from such a place, degrees, 0 to below 360; within a millionth of a
                degree of a place it counts as there.

        Raises:
            NutError: If the angle is outside that.
        """
        if not 0 <= at_deg < 360:
            raise NutError(
                f"{at_deg:g} degrees past the last slot: give 0 or more, and less than a turn, 360"
            )
        past = math.fmod(at_deg, self.step_deg)
        return 0.0 if min(past, self.step_deg - past) < 1e-6 else past

    def on_deg(self, at_deg: float) -> float:
        """How far onward it is to the next place where the pin goes in, degrees; 0 when it goes in already.

        >>> Castle(6, 1).on_deg(50.0), Castle(6, 1).on_deg(120.0)
        (10.0, 0.0)

        Args:
            at_deg: As in ``past_deg``.

        Raises:
            NutError: If the angle is outside a turn.
        """
        past = self.past_deg(at_deg)
        return self.step_deg - past if past else 0.0


def axial_mm(angle_deg: float, pitch_mm: float) -> float:
    """How far along the spindle a turn of ``angle_deg`` degrees moves the nut, millimetres.

    >>> round(axial_mm(60.0, 25.4 / 16), 4)
    0.2646

    Args:
        angle_deg: The turn, degrees.
        pitch_mm: From thread to thread, millimetres; a spindle's thread has a single start.

    Raises:
        NutError: If the pitch is no spindle nut's.
    """
    if not PITCH_MM[0] <= pitch_mm <= PITCH_MM[1]:
        raise NutError(
            f"{pitch_mm:g} mm from thread to thread is no spindle nut's: "
            f"it is {PITCH_MM[0]:g} to {PITCH_MM[1]:g} mm, so check the number and its unit"
        )
    return angle_deg / 360 * pitch_mm


def turn_deg(end_play_mm: float, wished_mm: float, pitch_mm: float) -> float:
    """How far the nut turns to bring an end play to a wished one, degrees, above 0 onward.

    Args:
        end_play_mm: End play as measured, millimetres, above 0.
        wished_mm: End play wished for, millimetres, at least 0.
        pitch_mm: From thread to thread, millimetres.

    Raises:
        NutError: If one of them cannot be.
    """
    _measured(end_play_mm)
    if not 0 <= wished_mm < math.inf:
        raise NutError(f"an end play of {wished_mm:g} mm cannot be wished for: give 0 or more")
    turns = (end_play_mm - wished_mm) / axial_mm(360.0, pitch_mm)
    if abs(turns) > MOST_TURNS:
        raise NutError(
            f"{abs(turns):.1f} turns lie between an end play of {end_play_mm:g} mm and {wished_mm:g} mm: "
            "that is no bearing's end play, so check the numbers and their units"
        )
    return turns * 360


@dataclass(frozen=True, slots=True)
class Move:
    """One place where the pin goes in, and what the end play is expected to be there.

    Attributes:
        places: How many places on (above 0) or back (below 0); 0 is where it stands, or the one passed last.
        angle_deg: The turn from now, degrees, above 0 onward.
        expected_mm: End play expected there, millimetres; at or below 0 there is none left.
        u_mm: Its standard uncertainty, millimetres.
        p_within: Probability that it is within the limits, 0 to 1.
        fits: Whether the expected value is within the limits, and above 0.
    """

    places: int
    angle_deg: float
    expected_mm: float
    u_mm: float
    p_within: float
    fits: bool


@dataclass(frozen=True, slots=True)
class Moves:
    """Where the nut may go.

    Attributes:
        moves: Every place within the limits and the next one to either side, from the tightest.
        choice: Of those that fit, the nearest to what is wished; of two equally near the tighter. None when
            no place fits.
        exact_deg: The turn that would give what is wished, whether the pin goes in there or not, degrees.
        wished_mm: What is wished, millimetres.
    """

    moves: tuple[Move, ...]
    choice: Move | None
    exact_deg: float
    wished_mm: float


def moves_of(  # noqa: PLR0917 - the facts, in the order of the sum
    castle: Castle,
    pitch_mm: float,
    end_play_mm: float,
    u_mm: float,
    dof: float,
    limits: Limits,
    *,
    wished_mm: float | None = None,
    at_deg: float = 0.0,
    settling_u_mm: float = 0.0,
) -> Moves:
    """Where a nut that sets the end play may go: at each place the end play less what the nut moves on.

    Args:
        castle: Slots and pin holes.
        pitch_mm: From thread to thread, millimetres.
        end_play_mm: End play as measured where the nut stands now, millimetres, above 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        limits: End play allowed.
        wished_mm: End play wished for, millimetres; the middle of the limits if not given.
        at_deg: How far the nut stands past the last place where the pin went in, degrees.
        settling_u_mm: Standard uncertainty that moving the nut and settling the rollers adds, millimetres.

    Raises:
        NutError: If one of them cannot be.
    """
    wished = limits.middle_mm if wished_mm is None else wished_mm
    exact = turn_deg(end_play_mm, wished, pitch_mm)
    past = castle.past_deg(at_deg)
    step_mm = axial_mm(castle.step_deg, pitch_mm)
    free_mm = end_play_mm + axial_mm(past, pitch_mm)  # the end play at the place last passed
    loosest = math.floor(round((free_mm - limits.most_mm) / step_mm, 6))
    tightest = math.ceil(round((free_mm - limits.least_mm) / step_mm, 6))
    if tightest - loosest > MOST_MOVES:
        raise NutError("the limits are far wider than a step of the nut: check the unit of limits and pitch")
    budget = Budget(
        (Component("end play as measured", "A", u_mm, dof), Component("settling", "B", settling_u_mm))
    )
    moves = []
    for places in range(tightest, loosest - 1, -1):
        expected = round(free_mm - places * step_mm, 9) + 0.0
        p_within = chances(expected, budget.u_mm, budget.dof, limits).within
        fits = limits.allow(expected) and nm(expected) > 0
        angle = places * castle.step_deg - past
        moves.append(Move(places, angle, expected, budget.u_mm, p_within, fits))
    fitting = [move for move in moves if move.fits]
    choice = min(
        fitting, key=lambda move: (nm(abs(move.expected_mm - wished)), move.expected_mm), default=None
    )
    return Moves(tuple(moves), choice, exact, wished)


def _measured(end_play_mm: float) -> None:
    if not 0 < end_play_mm < math.inf:
        raise NutError(
            f"from an end play of {end_play_mm:g} mm nothing follows: back the nut off until there is some, "
            "then measure"
        )
