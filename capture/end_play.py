"""Strokes to end play: one number with its uncertainty budget, or a refusal with its reasons.

The same function serves the live measurement, a stored trace and a trace file, so the same readings give the
same number to the last digit. How the number is found is told in ``docs/how-the-number-is-found.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.alignment import misalignment_u
from calc.uncertainty import Budget, Component, rectangular, resolution_of_difference
from capture.arrays import Floats
from capture.dwells import Spans
from capture.motion import motion_of
from capture.readings import Gauge, Trace
from capture.refusals import LEAST_READINGS, Reason, reasons_for, too_few_left, too_few_readings
from capture.spots import SpotStops, find_spot_stops, presses_of, spot_reason
from capture.stops import Stops, find_stops
from capture.strokes import bend_of

UNKNOWN_GAUGE = Gauge()

LEAST_REPEATABILITY_MM = 1e-6
"""One nanometre: no indicator tells less, so strokes that repeat exactly (in the digits shown) say no more
than that. What keeps the uncertainty honest then is the row of the resolution."""

LARGER_STEPS = (2, 5, 10, 20, 50, 100)
"""Counts of the last digit by which an indicator may step, beside single ones."""

OFF_GRID = 0.03
"""Share of the moves that may be off a step's grid, as bad readings are."""

LEAST_SMALL_MOVES = 3
"""So many moves of one or two steps show that the indicator has no smaller ones; large moves alone show
nothing."""


@dataclass(frozen=True, slots=True)
class DwellMark:
    """One dwell, for people to look at.

    Attributes:
        from_s: Time of its first settled reading, seconds.
        to_s: Time of its last, seconds.
        level_mm: Mean of its readings, millimetres.
        side: +1 where the readings are high, -1 where they are low.
        on_stop: Whether it rests on a stop and was used.
        base: 0, or 1 after the base slipped.
        struck: Whether a person struck it out.
    """

    from_s: float
    to_s: float
    level_mm: float
    side: int
    on_stop: bool
    base: int
    struck: bool = False


@dataclass(frozen=True, slots=True)
class Slip:
    """The base slipped once and was seen to: by ``size_mm``, between ``after_s`` and ``before_s``."""

    size_mm: float
    after_s: float
    before_s: float


@dataclass(frozen=True, slots=True)
class EndPlay:
    """The distance between the stops.

    Attributes:
        end_play_mm: The estimate, millimetres, above 0.
        budget: Where its uncertainty comes from.
        strokes: Full strokes, stop to stop.
        half_strokes: Strokes between them that turned back early; they are left out.
        resolution_mm: Step of the indicator, millimetres.
        drift_mm_per_s: Creep of the base, millimetres a second; taken out.
        dwells: What was used and what was not.
        slip: The one slip of the base, if there was one.
        notes: What a person should know of it.
    """

    end_play_mm: float
    budget: Budget
    strokes: int
    half_strokes: int
    resolution_mm: float
    drift_mm_per_s: float
    dwells: tuple[DwellMark, ...] = ()
    slip: Slip | None = None
    notes: tuple[str, ...] = ()

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty, millimetres."""
        return self.budget.u_mm

    @property
    def dof(self) -> float:
        """Effective degrees of freedom."""
        return self.budget.dof

    @property
    def coverage_factor(self) -> float:
        """For 95 %."""
        return self.budget.coverage_factor

    @property
    def expanded_mm(self) -> float:
        """Half width of the 95 % interval, millimetres."""
        return self.budget.expanded_mm


@dataclass(frozen=True, slots=True)
class Refusal:
    """No number, and why.

    Attributes:
        reasons: At least one, the main one first.
        strokes: Full strokes that were seen.
        half_strokes: Half strokes that were seen.
        resolution_mm: Step of the indicator, millimetres; None if no reading came.
        dwells: What was seen.
    """

    reasons: tuple[Reason, ...]
    strokes: int = 0
    half_strokes: int = 0
    resolution_mm: float | None = None
    dwells: tuple[DwellMark, ...] = ()


def analyse_trace(trace: Trace, gauge: Gauge = UNKNOWN_GAUGE, struck: Spans = ()) -> EndPlay | Refusal:
    """Find the end play in a trace, from every stroke in it but those that a person struck out.

    Args:
        trace: The readings, in order; any number.
        gauge: What is known of the indicator; its resolution is taken from the readings if it is not given.
        struck: First and last moment of each dwell that does not count, seconds, as its ``DwellMark`` says.
            The strokes to and from it count neither as full nor as half ones.
    """
    step = gauge.resolution_mm or resolution_of(trace)
    if gauge.single:
        return _analyse_spots(trace, gauge, step, struck)
    if len(trace) < LEAST_READINGS:
        return Refusal((too_few_readings(len(trace)),), resolution_mm=step if len(trace) else None)
    motion = motion_of(trace.times_s, trace.readings_mm, step)
    stops = find_stops(motion, struck)
    if stops is None or stops.weight < 1:
        # what agrees in the noise of a hub at rest was no stroke, and nobody should hear one counted
        reasons = (too_few_left(0),) if struck else reasons_for(motion, stops)
        return Refusal(reasons, resolution_mm=step)
    marks, strokes = _marks(stops, trace.times_s), stops.strokes
    if not stops.sound:
        return Refusal(reasons_for(motion, stops), strokes.full, strokes.half, step, marks)
    slip = _slip(stops, marks)
    return EndPlay(
        end_play_mm=strokes.end_play_mm,
        budget=budget_of(stops, step, gauge),
        strokes=strokes.full,
        half_strokes=strokes.half,
        resolution_mm=step,
        drift_mm_per_s=stops.drift_mm_per_s,
        dwells=marks,
        slip=slip,
        notes=_notes(slip, bad=len(trace) - len(motion.kept)),
    )


def _analyse_spots(trace: Trace, gauge: Gauge, step_mm: float, struck: Spans) -> EndPlay | Refusal:
    """The same from single readings, each a press of the gauge's button."""
    presses = presses_of(trace.times_s, trace.readings_mm)
    stops = find_spot_stops(presses, step_mm, struck)
    marks = _marks(stops, trace.times_s) if stops else ()
    full, half = (stops.strokes.full, stops.strokes.half) if stops else (0, 0)
    if stops is None or not stops.sound:
        reason = spot_reason(presses, stops, len(trace), step_mm)
        return Refusal((reason,), full, half, step_mm if len(trace) else None, marks)
    slip = _slip(stops, marks)
    notes = _notes(slip, bad=0)
    if stops.elsewhere:
        notes += (f"{stops.elsewhere} press{'es' * (stops.elsewhere > 1)} away from the stops left out",)
    return EndPlay(
        end_play_mm=stops.strokes.end_play_mm,
        budget=budget_of(stops, step_mm, gauge),
        strokes=full,
        half_strokes=half,
        resolution_mm=step_mm,
        drift_mm_per_s=stops.drift_mm_per_s,
        dwells=marks,
        slip=slip,
        notes=notes,
    )


def resolution_of(trace: Trace) -> float:
    """The step of an indicator from what it showed: its last digit, or 2, 5, 10 ... if it only moves so.

    Args:
        trace: Any number of readings; of few it is the last digit.

    Returns:
        Millimetres, above 0.
    """
    moves = np.abs(np.diff(trace.counts))
    moves = moves[moves != 0]
    step = 1
    for larger in LARGER_STEPS:
        on_grid = np.count_nonzero(moves % larger) <= OFF_GRID * len(moves)
        if on_grid and np.count_nonzero(moves <= 2 * larger) >= LEAST_SMALL_MOVES:
            step = larger
    return step * trace.step_mm


def budget_of(stops: Stops | SpotStops, step_mm: float, gauge: Gauge = UNKNOWN_GAUGE) -> Budget:
    """The uncertainty budget of an end play.

    Args:
        stops: Sound stops.
        step_mm: Resolution of the indicator, millimetres, above 0.
        gauge: Its permissible error and how far from square it may stand, if stated.

    Source: GUM 4.2 for the repeatability, from the residuals of the fit; F.2.2.1 for the resolution; 4.3.7
        for a permissible error; half the change that a curved creep would make stands for a creep that is not
        steady.
    """
    strokes = stops.strokes
    repeatability = max(strokes.end_play_u_mm, LEAST_REPEATABILITY_MM)
    rows = [
        Component("repeatability between strokes", "A", repeatability, float(strokes.dof)),
        Component("resolution of two readings", "B", resolution_of_difference(step_mm)),
    ]
    if gauge.permissible_error_mm:
        rows.append(Component("indicator's permissible error", "B", rectangular(gauge.permissible_error_mm)))
    if gauge.misalignment_deg:
        tilt = misalignment_u(strokes.end_play_mm, gauge.geometry, gauge.misalignment_deg)
        rows.append(Component("indicator not square to the axis", "B", tilt))
    bend = abs(bend_of(stops.dwells, strokes, stops.steady_count))
    rows.append(Component("drift not steady", "B", bend / 2))
    return Budget(tuple(rows))


def _notes(slip: Slip | None, *, bad: int) -> tuple[str, ...]:
    notes = []
    if slip:
        notes.append(f"the base slipped once by {slip.size_mm:+.3f} mm; the fit takes it out")
    if bad:
        notes.append(f"{bad} single bad reading{'s' * (bad > 1)} left out")
    return tuple(notes)


def _marks(stops: Stops | SpotStops, times_s: Floats) -> tuple[DwellMark, ...]:
    dwells, strokes = stops.dwells, stops.strokes
    first = times_s[stops.kept[dwells.start]].tolist()
    last = times_s[stops.kept[dwells.stop - 1]].tolist()
    # the dwells' levels have the drift taken off that was known when they were looked for: put it back
    drift = stops.drift_mm_per_s - strokes.drift_mm_per_s
    level = (dwells.level_mm + drift * (dwells.at_s - float(times_s[stops.kept[0]]))).tolist()
    side, on_stop, base = dwells.side.tolist(), strokes.on_stop.tolist(), strokes.base.tolist()
    struck = (~dwells.standing).tolist()
    return tuple(map(DwellMark, first, last, level, side, on_stop, base, struck))


def _slip(stops: Stops | SpotStops, marks: tuple[DwellMark, ...]) -> Slip | None:
    size = stops.strokes.slip_mm
    if not size:
        return None
    used = [mark for mark in marks if mark.on_stop]
    after = max(mark.to_s for mark in used if mark.base == 0)
    before = min(mark.from_s for mark in used if mark.base == 1)
    return Slip(size, after, before)


NUMBERS = (
    "end_play_mm",
    "u_mm",
    "expanded_mm",
    "coverage_factor",
    "dof",
    "strokes",
    "half_strokes",
    "resolution_mm",
    "drift_mm_per_s",
)
"""The numbers of an analysis object, in its order."""


def analysis_object(outcome: EndPlay | Refusal) -> dict[str, Any]:
    """What programs read of an outcome: the same keys in the same order, whatever it is.

    Every number of a refusal is None. Infinite degrees of freedom are None too, since JSON has no infinity.
    """
    if isinstance(outcome, Refusal):
        reasons = [{"code": str(reason.code), "text": reason.text} for reason in outcome.reasons]
        return {"usable": False, "reasons": reasons, **dict.fromkeys(NUMBERS), "budget": []}
    return {
        "usable": True,
        "reasons": [],
        **{name: _finite(getattr(outcome, name)) for name in NUMBERS},
        "budget": [
            {"source": row.source, "kind": row.kind, "u_mm": row.u_mm, "dof": _finite(row.dof)}
            for row in outcome.budget.largest_first()
        ],
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
