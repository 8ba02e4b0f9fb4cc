"""Why there is no number: reason codes, and how a trace without one is told from another.

Every code says what was seen and what to do; ``docs/reason-codes.md`` lists them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from capture.dwells import extremes, turning_points
from capture.stops import LEAST_STROKES, Motion, Stops

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_READINGS = 10
"""A trace shorter than this has nothing to say."""

STILL_MM = 0.006
"""A range below this, or below a few noises, is a hub that nobody moved."""


class ReasonCode(StrEnum):
    """What kept a trace from being a measurement."""

    TOO_FEW_READINGS = "too-few-readings"
    NO_MOVEMENT = "no-movement"
    ONE_WAY = "one-way"
    TOO_FEW_STROKES = "too-few-strokes"
    HALF_STROKES = "half-strokes"
    NO_STOPS = "no-stops"
    STROKES_DISAGREE = "strokes-disagree"
    BASE_SLIPS = "base-slips"
    PLUNGER_OFF = "plunger-off"
    KNOCKS = "knocks"
    WANDERING = "wandering"
    UNIT_CHANGED = "unit-changed"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: a code for programs, and a line that says what was seen and what to do."""

    code: ReasonCode
    text: str


def stopped(why: str) -> Reason:
    """The measurement was broken off from outside: the link was lost, or somebody stopped it."""
    return Reason(ReasonCode.STOPPED, f"{why}; what came so far is kept: measure again")


def unit_changed(was: str, now: str) -> Reason:
    """The gauge changed its unit in mid measurement."""
    text = f"the gauge changed from {was} to {now} in mid measurement: set it back to {was} and measure again"
    return Reason(ReasonCode.UNIT_CHANGED, text)


def too_few_readings(count: int) -> Reason:
    """Hardly anything came."""
    text = f"only {count} readings came, at least {LEAST_READINGS} are needed: check that the gauge sends"
    return Reason(ReasonCode.TOO_FEW_READINGS, text)


def reasons_for(motion: Motion, stops: Stops | None) -> tuple[Reason, ...]:
    """Why this motion holds no end play; at least one reason, the main one first.

    Args:
        motion: The readings, the bad ones taken out.
        stops: The nearest thing to two stops in it, not sound; None if there is none.
    """
    values = motion.values_mm
    low, high = np.quantile(values, (0.01, 0.99))
    span = float(high - low)
    if span < max(STILL_MM, 3 * motion.step_mm, 6 * motion.noise_mm):
        text = f"the reading stayed within {span:.3f} mm: push and pull the hub against its stops"
        return (Reason(ReasonCode.NO_MOVEMENT, text),)
    turns = turning_points(values, max(motion.least_mm, 0.25 * span), extremes(values))
    if len(turns) <= 2:
        text = f"the reading went {_way(values)} by {span:.3f} mm and never came back: push and pull in turn"
        return (Reason(ReasonCode.ONE_WAY, text),)
    reasons = []
    if stops is not None and stops.strokes.full >= 2:
        reasons = list(_near_miss(motion, stops))
    return tuple(reasons) or (_shapeless(motion, turns, span),)


def _near_miss(motion: Motion, stops: Stops) -> list[Reason]:
    """Strokes were seen; what is wrong with them."""
    strokes, found = stops.strokes, []
    slips = _pushes_agree_pulls_do_not(stops)
    if stops.turned:
        text = (
            "the reading turns round without resting: the hub was turned, and that is run-out, not end play; "
            "hold it still against each stop for a second"
        )
        found.append(Reason(ReasonCode.NO_STOPS, text))
    elif slips:
        text = f"the base moves at every {slips}: clamp it again and set the plunger square on the face"
        found.append(Reason(ReasonCode.BASE_SLIPS, text))
    elif strokes.full < LEAST_STROKES or strokes.dof < 2:
        turns = len(stops.dwells) - 1
        if turns > strokes.full + 2:
            text = f"of {turns} strokes only {strokes.full} agree: push and pull to the stops with the same force, and rest"
            found.append(Reason(ReasonCode.STROKES_DISAGREE, text))
        else:
            text = (
                f"{strokes.full} full strokes, at least {LEAST_STROKES} are needed: go on pushing and pulling"
            )
            found.append(Reason(ReasonCode.TOO_FEW_STROKES, text))
    elif not stops.agrees:
        text = (
            "some strokes go further than the stops: the plunger leaves the face or the arm is knocked; "
            "give the plunger more travel and check the arm"
        )
        found.append(Reason(ReasonCode.PLUNGER_OFF, text))
    elif 2 * strokes.half > 3 * strokes.full:
        text = f"{strokes.half} strokes turned back before the stop, {strokes.full} reached it: go all the way each time"
        found.append(Reason(ReasonCode.HALF_STROKES, text))
    elif not stops.rests:
        text = "the hub does not rest against its stops: hold it there for half a second each time"
        found.append(Reason(ReasonCode.NO_STOPS, text))
    else:
        spread = strokes.spread_mm
        text = f"the strokes disagree by {2 * spread:.3f} mm: use the same force each time, and check that nothing is loose"
        found.append(Reason(ReasonCode.STROKES_DISAGREE, text))
    return found


def _pushes_agree_pulls_do_not(stops: Stops) -> str:
    """'pull' or 'push' where strokes one way agree and the other way move the base each time; else ''."""
    level, side = stops.dwells.level_mm, stops.dwells.side
    heights = side[1:] * np.diff(level)
    out, back = heights[side[1:] > 0], heights[side[1:] < 0]
    if min(len(out), len(back)) < 3:
        return ""
    tolerance = max(0.05 * float(np.median(heights)), 0.003)
    for name, moved, true in (("pull", out, back), ("push", back, out)):
        same = np.abs(true - np.median(true)) <= tolerance
        more = moved - np.median(true) > tolerance
        if same.mean() >= 0.7 and more.mean() >= 0.7:
            return name
    return ""


def _shapeless(motion: Motion, turns: NDArray[np.int64], span: float) -> Reason:
    """No strokes at all, though the reading moves: knocks on a hub at rest, or wandering."""
    values = motion.values_mm
    level = float(np.median(values))
    away = np.abs(values - level) > max(0.1 * span, 4 * motion.noise_mm)
    if float(away.mean()) < 0.25:
        text = (
            "the hub rests and is knocked now and then: push and pull it instead, and keep clear of the arm"
        )
        return Reason(ReasonCode.KNOCKS, text)
    if len(turns) <= LEAST_STROKES:
        text = f"{len(turns) - 1} strokes, none like another; at least {LEAST_STROKES} are needed: go on pushing and pulling"
        return Reason(ReasonCode.TOO_FEW_STROKES, text)
    text = "the reading wanders without coming back to the same places: clamp the base and the arm, then push and pull"
    return Reason(ReasonCode.WANDERING, text)


def _way(values: NDArray[np.float64]) -> str:
    return "up" if values[-1] > values[0] else "down"
