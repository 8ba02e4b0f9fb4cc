"""Strokes to end play: one number with its uncertainty budget, or a refusal with its reasons.

The same function serves the live measurement, a stored trace and a trace file, so the same readings give the same number
to the last digit. How the number is found is told in ``docs/how-the-number-is-found.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from calc.alignment import misalignment_u
from calc.uncertainty import Budget, Component
from capture.readings import Gauge, Trace
from capture.refusals import LEAST_READINGS, Reason, reasons_for, too_few_readings
from capture.stops import Stops, find_stops, motion_of
from capture.strokes import bend_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

UNKNOWN_GAUGE = Gauge()

@dataclass(frozen=True, slots=True)
class DwellMark:
    """One dwell, for people to look at.

    Attributes:
        from_s: Time of its first settled reading.
        to_s: Time of its last.
        level_mm: Mean of its readings.
        side: +1 where the readings are high, -1 where they are low.
        on_stop: Whether it rests on a stop and was used.
        base: 0, or 1 after the base slipped.
    """

    from_s: float
    to_s: float
    level_mm: float
    side: int
    on_stop: bool
    base: int


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
        end_play_mm: The estimate, above 0.
        budget: Where its uncertainty comes from.
        strokes: Full strokes, stop to stop.
        half_strokes: Strokes among them that turned back early.
        resolution_mm: Step of the indicator.
        drift_mm_per_s: Creep of the base, taken out.
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
        resolution_mm: Step of the indicator, if any reading came.
        dwells: What was seen.
    """

    reasons: tuple[Reason, ...]
    strokes: int = 0
    half_strokes: int = 0
    resolution_mm: float | None = None
    dwells: tuple[DwellMark, ...] = ()


def analyse_trace(trace: Trace, gauge: Gauge = UNKNOWN_GAUGE) -> EndPlay | Refusal:
    """Find the end play in a trace, from every stroke in it.

    Args:
        trace: The readings, in order.
        gauge: What is known of the indicator; its resolution is taken from the readings if it is not given.
    """
    step = gauge.resolution_mm or resolution_of(trace)
    if len(trace) < LEAST_READINGS:
        return Refusal((too_few_readings(len(trace)),), resolution_mm=step if len(trace) else None)
    motion = motion_of(trace.times_s, trace.readings_mm, step)
    stops = find_stops(motion)
    marks = _marks(stops, trace.times_s) if stops else ()
    if stops is None or not stops.sound:
        full, half = (stops.strokes.full, stops.strokes.half) if stops else (0, 0)
        return Refusal(reasons_for(motion, stops), full, half, step, marks)
    slip = _slip(stops, marks)
    notes = []
    if slip:
        notes.append(f"the base slipped once by {slip.size_mm:+.3f} mm; the fit takes it out")
    bad = len(trace) - len(motion.kept)
    if bad:
        notes.append(f"{bad} single bad reading{'s' * (bad > 1)} left out")
    strokes = stops.strokes
    return EndPlay(
        strokes.end_play_mm, budget_of(stops, step, gauge), strokes.full, strokes.half, step,
        stops.drift_mm_per_s, marks, slip, tuple(notes),
    )  # fmt: skip


def resolution_of(trace: Trace) -> float:
    """The step of an indicator from what it showed: its last digit, or 2, 5, 10 ... of them if it only moves so.

    A few readings (3 %) may be off that grid, as bad readings are.

    Args:
        trace: Any number of readings.

    Returns:
        Millimetres, above 0.
    """
    moves = np.diff(trace.counts)
    moves = moves[moves != 0]
    step = 1
    if len(np.unique(trace.counts)) >= 8:
        for larger in (2, 5, 10, 20, 50, 100):
            if np.count_nonzero(moves % larger) <= 0.03 * len(moves):
                step = larger
    return step * trace.step_mm


def budget_of(stops: Stops, step_mm: float, gauge: Gauge) -> Budget:
    """The uncertainty budget of an end play.

    Args:
        stops: Sound stops.
        step_mm: Resolution of the indicator.
        gauge: Its permissible error, if stated.
    """
    strokes = stops.strokes
    rows = [Component("repeatability between strokes", "A", max(strokes.end_play_u_mm, 1e-6), float(strokes.dof))]
    rows.append(Component("resolution of two readings", "B", _resolution_u(stops, step_mm)))
    if gauge.permissible_error_mm:
        rows.append(
            Component("indicator's permissible error", "B", gauge.permissible_error_mm / math.sqrt(3))
        )
    if gauge.misalignment_deg:
        u_tilt = misalignment_u(strokes.end_play_mm, gauge.geometry, gauge.misalignment_deg)
        rows.append(Component("indicator not square to the axis", "B", u_tilt))
    rows.append(Component("drift not steady", "B", abs(bend_of(stops.dwells, strokes, stops.steady_count)) / 2))
    return Budget(tuple(rows))


def _resolution_u(stops: Stops, step_mm: float) -> float:
    return step_mm / math.sqrt(6)


def _marks(stops: Stops, times_s: NDArray[np.float64]) -> tuple[DwellMark, ...]:
    dwells, strokes = stops.dwells, stops.strokes
    first = times_s[stops.kept[dwells.start]].tolist()
    last = times_s[stops.kept[dwells.stop - 1]].tolist()
    drift = stops.drift_mm_per_s - strokes.drift_mm_per_s
    level = (dwells.level_mm + drift * (dwells.at_s - float(times_s[stops.kept[0]]))).tolist()
    rows = zip(
        first, last, level, dwells.side.tolist(), strokes.on_stop.tolist(), strokes.base.tolist(), strict=True
    )
    return tuple(DwellMark(*row) for row in rows)


def _slip(stops: Stops, marks: tuple[DwellMark, ...]) -> Slip | None:
    size = stops.strokes.slip_mm
    if not size:
        return None
    used = [mark for mark in marks if mark.on_stop]
    after = max(mark.to_s for mark in used if mark.base == 0)
    before = min(mark.from_s for mark in used if mark.base == 1)
    return Slip(size, after, before)


def analysis_object(outcome: EndPlay | Refusal) -> dict[str, Any]:
    """What programs read of an outcome; every number of a refusal is None. See the contracts in the documentation.

    Infinite degrees of freedom are None, since JSON has no infinity.
    """
    if isinstance(outcome, Refusal):
        reasons = [{"code": str(reason.code), "text": reason.text} for reason in outcome.reasons]
        numbers = dict.fromkeys(
            ("end_play_mm", "u_mm", "expanded_mm", "coverage_factor", "dof", "strokes", "half_strokes",
             "resolution_mm", "drift_mm_per_s")
        )  # fmt: skip
        return {"usable": False, "reasons": reasons, **numbers, "budget": []}
    return {
        "usable": True,
        "reasons": [],
        "end_play_mm": outcome.end_play_mm,
        "u_mm": outcome.u_mm,
        "expanded_mm": outcome.expanded_mm,
        "coverage_factor": outcome.coverage_factor,
        "dof": _finite(outcome.dof),
        "strokes": outcome.strokes,
        "half_strokes": outcome.half_strokes,
        "resolution_mm": outcome.resolution_mm,
        "drift_mm_per_s": outcome.drift_mm_per_s,
        "budget": [
            {"source": row.source, "kind": row.kind, "u_mm": row.u_mm, "dof": _finite(row.dof)}
            for row in outcome.budget.largest_first()
        ],
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
