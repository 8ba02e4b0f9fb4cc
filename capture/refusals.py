"""Why there is no number: reason codes, and how a trace without one is told from another.

Every code says what was seen and what to do; ``docs/reason-codes.md`` lists them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from capture.arrays import Ints
from capture.dwells import find_dwells
from capture.motion import Motion, extremes, turning_points
from capture.stops import LEAST_END_PLAY_MM, LEAST_STROKES, MOST_SPREAD_MM, Stops
from capture.votes import MOST_DRIFT_MM_PER_S

LEAST_READINGS = 10
"""A trace shorter than this has nothing to say."""

STILL_MM, STILL_STEPS, STILL_NOISES = 0.006, 3, 6
"""A range below so many millimetres, steps of the indicator or standard deviations is a hub that nobody
moved."""

EDGE = 0.01
"""Share of the readings at either end that are left out of the range: bad ones and a last jerk."""

SAME_SHARE, SAME_MM = 0.05, 0.003
"""Strokes one way are alike within this share of the usual stroke, but always within so many millimetres."""

MOSTLY = 0.7
"""Share of the strokes that have to do so before they are said to."""

AWAY, AWAY_NOISES, AWAY_SHARE = 0.1, 4, 0.25
"""Readings are away from the hub's place by more than this share of the range, and so many standard
deviations; fewer than so large a share of them away, and the hub rested and was knocked."""

RESTING_SHARE = 0.25
"""With this share of the readings in dwells, the hub was put somewhere each time and did not wander."""


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
    low, high = np.quantile(values, (EDGE, 1 - EDGE))
    span = float(high - low)
    if span < max(STILL_MM, STILL_STEPS * motion.step_mm, STILL_NOISES * motion.noise_mm):
        text = f"the reading stayed within {span:.3f} mm: push and pull the hub against its stops"
        return (Reason(ReasonCode.NO_MOVEMENT, text),)
    turns = turning_points(values, max(motion.least_mm, 0.25 * span), extremes(values))
    if len(turns) <= 2:
        way = "up" if values[-1] > values[0] else "down"
        text = f"the reading went {way} by {span:.3f} mm and never came back: push and pull in turn"
        return (Reason(ReasonCode.ONE_WAY, text),)
    if stops is not None and stops.weight >= 1:
        return (_near_miss(stops),)
    return (_shapeless(motion, turns, span),)


def _near_miss(stops: Stops) -> Reason:
    """Strokes were seen; what is wrong with them, the most telling first."""
    if stops.turned:
        text = (
            "the reading turns round without resting: the hub was turned, and that is run-out, not end play; "
            "hold it still against each stop for a second"
        )
        return Reason(ReasonCode.NO_STOPS, text)
    slips = _where_the_base_slips(stops)
    if slips:
        text = f"the base still slips at every {slips}: clamp it again and set the plunger square on the face"
        return Reason(ReasonCode.BASE_SLIPS, text)
    return _unsound(stops) if stops.enough else _too_few(stops)


def _unsound(stops: Stops) -> Reason:
    """Enough strokes agree, but they are no pushes and pulls from stop to stop."""
    strokes = stops.strokes
    if not stops.agrees:
        text = (
            "some strokes go further than the stops: the plunger leaves the face or the arm is knocked; "
            "give the plunger more travel and check the arm"
        )
        return Reason(ReasonCode.PLUNGER_OFF, text)
    if stops.mostly_half:
        text = (
            f"{strokes.half} strokes turned back before the stop, {strokes.full} reached it: "
            "go all the way each time"
        )
        return Reason(ReasonCode.HALF_STROKES, text)
    if not stops.flatness.rests:
        text = "the hub does not rest against its stops: hold it there for half a second each time"
        return Reason(ReasonCode.NO_STOPS, text)
    return _poor(stops)


def _poor(stops: Stops) -> Reason:
    """Pushes and pulls from stop to stop, but too small, too unsteady or too unlike to make a number."""
    strokes = stops.strokes
    if strokes.end_play_mm < LEAST_END_PLAY_MM:
        text = (
            f"the strokes are {strokes.end_play_mm:.4f} mm high, no more than noise: push and pull harder; "
            "if that is all, a finer indicator is needed"
        )
        return Reason(ReasonCode.NO_MOVEMENT, text)
    if abs(stops.drift_mm_per_s) > MOST_DRIFT_MM_PER_S:
        text = (
            f"the base creeps by {60 * abs(stops.drift_mm_per_s):.2f} mm a minute: clamp it again and let it "
            "rest before the strokes"
        )
        return Reason(ReasonCode.BASE_SLIPS, text)
    if strokes.spread_mm <= 2 * MOST_SPREAD_MM and stops.dwells.spread_mm > strokes.spread_mm:
        text = (
            f"the reading is unsteady at the stops by {2 * stops.dwells.spread_mm:.3f} mm: hold the hub "
            "there with an even force, and check the plunger"
        )
        return Reason(ReasonCode.STROKES_DISAGREE, text)
    text = (
        f"the strokes disagree by {2 * strokes.spread_mm:.3f} mm: use the same force each time, "
        "and check that nothing is loose"
    )
    return Reason(ReasonCode.STROKES_DISAGREE, text)


def _too_few(stops: Stops) -> Reason:
    """Too few strokes, either because there were no more or because the others are unlike them."""
    full, made = stops.strokes.full, len(stops.dwells) - 1
    if stops.dwells.struck is not None:
        return too_few_left(full)
    if made > full + 2:
        text = (
            f"of {made} strokes only {full} agree: push and pull to the stops with the same force, and rest"
        )
        return Reason(ReasonCode.STROKES_DISAGREE, text)
    text = f"{full} full strokes, at least {LEAST_STROKES} are needed: go on pushing and pulling"
    return Reason(ReasonCode.TOO_FEW_STROKES, text)


def too_few_left(full: int) -> Reason:
    """So many strokes were struck out that what is left tells nothing."""
    text = (
        f"{full} full strokes are left, at least {LEAST_STROKES} are needed: "
        "strike out fewer, or measure again"
    )
    return Reason(ReasonCode.TOO_FEW_STROKES, text)


def _where_the_base_slips(stops: Stops) -> str:
    """'pull' or 'push' where strokes one way agree and the other way move the base each time; else ''."""
    level, side, stands = stops.dwells.level_mm, stops.dwells.side, stops.dwells.strokes_standing
    heights, to = (side[1:] * np.diff(level))[stands], side[1:][stands]
    out, back = heights[to > 0], heights[to < 0]
    if min(len(out), len(back)) < 3:
        return ""
    tolerance = max(SAME_SHARE * float(np.median(heights)), SAME_MM)
    for name, moved, true in (("pull", out, back), ("push", back, out)):
        same = np.abs(true - np.median(true)) <= tolerance
        more = moved - np.median(true) > tolerance
        if same.mean() >= MOSTLY and more.mean() >= MOSTLY:
            return name
    return ""


def _shapeless(motion: Motion, turns: Ints, span_mm: float) -> Reason:
    """No strokes that agree, though the reading moves: unlike ones, knocks on a hub at rest, or wandering."""
    values = motion.values_mm
    off = np.abs(values - np.median(values))
    away = off > max(AWAY * span_mm, AWAY_NOISES * motion.noise_mm)
    if float(away.mean()) < AWAY_SHARE:
        text = (
            "the hub rests and is knocked now and then: push and pull it instead, and keep clear of the arm"
        )
        return Reason(ReasonCode.KNOCKS, text)
    dwells = find_dwells(motion.times_s, values, turns, spread_mm=motion.noise_mm, step_mm=motion.step_mm)
    if len(turns) <= LEAST_STROKES:
        text = (
            f"{len(turns) - 1} strokes, none like another; at least {LEAST_STROKES} are needed: "
            "go on pushing and pulling"
        )
        return Reason(ReasonCode.TOO_FEW_STROKES, text)
    if int(dwells.count.sum()) >= RESTING_SHARE * len(values):
        text = (
            f"of {len(turns) - 1} strokes none are alike: push and pull to the stops with the same force, "
            "and see that the plunger stays on the face"
        )
        return Reason(ReasonCode.STROKES_DISAGREE, text)
    text = (
        "the reading wanders without coming back to the same places: clamp the base and the arm, "
        "then push and pull"
    )
    return Reason(ReasonCode.WANDERING, text)
