"""A vehicle's history in words: readings as a table, the trend of each corner; the same for programs."""

from __future__ import annotations

from typing import Any

from calc.presented import number_with_uncertainty
from calc.trend import LEAST_DISTANCES, from_kilometres
from calc.units import Unit, format_size
from cli.sheet_words import clean
from cli.vehicle_history import Corner, Reading, Trend, Vehicle, trend_of
from cli.words import CORNER_NAMES, STAGE_NAMES

PER = 10_000
"""A slope is told for so many kilometres or miles."""

FURTHEST = 10_000_000
"""An odometer beyond this is as good as never, in its own unit."""

CAUTION = (
    "A trend is no leave to drive on: it takes wear for a straight line. Check end play when the maker's "
    "service literature says so, and at any noise or roughness."
)

_VERDICTS = {"within": "within", "loose": "LOOSE", "tight": "TIGHT"}


def odometer_unit(vehicle: Vehicle) -> str:
    """The unit in which its odometer was read last; kilometres if it never was."""
    return next((job.odometer.unit for job in reversed(vehicle.jobs) if job.odometer), "km")


def reading_lines(corner: Corner, *, mark: bool = True) -> list[str]:
    """The readings of one corner as a table; a line says where another line of wear begins.

    Args:
        corner: The corner.
        mark: Whether to mark those that are simulated.
    """
    lines: list[str] = []
    before = corner.readings[0].line if corner.readings else None
    for one in corner.readings:
        if one.line is not None and before is not None and one.line != before:
            lines.append("    -- taken apart, other parts or another shim: wear is counted from here --")
        before = one.line if one.line is not None else before
        lines.append(_reading_line(one, mark=mark))
    if before is not None and corner.line != before:
        lines.append("    -- taken apart, other parts or another shim; not measured as left yet --")
    return lines


def _reading_line(one: Reading, *, mark: bool) -> str:
    m = one.listed
    at = "no odometer" if one.odometer is None else f"{one.odometer.value:,.0f} {one.odometer.unit}"
    unit = Unit(m.unit)
    number = number_with_uncertainty(m.end_play_mm or 0.0, m.expanded_mm or 0.0, unit, None)
    stage = {"trial": "trial"}.get(m.stage, STAGE_NAMES.get(m.stage, m.stage))
    simulated = "  SIMULATED" if mark and m.simulated else ""
    number = number.removesuffix(" (95 %)")
    return f"  {m.at[:10]}  {at:>13}  {stage:8}  {number:26}  {_VERDICTS.get(str(m.verdict), '')}{simulated}"


def trend_words(corner: Corner, unit: str) -> str:
    """What the trend of a corner says, or why it says nothing.

    Args:
        corner: The corner.
        unit: ``km`` or ``mi``.
    """
    trend = trend_of(corner)
    length = Unit(corner.readings[-1].listed.unit)
    if trend.line is None:
        readings = "1 reading" if trend.readings == 1 else f"{trend.readings} readings"
        places = "1 odometer" if trend.distances == 1 else f"{trend.distances} different odometers"
        return (
            f"Trend: too few points to tell: {readings} at {places} since this corner was last worked on; it "
            f"takes {LEAST_DISTANCES} different ones."
        )
    line = trend.line
    each = PER / from_kilometres(1.0, unit)  # kilometres in so many of the unit
    slope = number_with_uncertainty(line.slope * each, line.factor * line.u_slope * each, length, None)
    said = f"Trend: {slope} for each {PER:,} {unit}, from {trend.readings} readings"
    if line.inflated:
        said += ", which scatter more than their uncertainties explain, and the interval is widened for that"
    limit = f"the upper limit, {format_size(trend.limits.most_mm, length)},"
    if trend.reaches is None:
        return (
            f"{said}. Too few points to tell when {limit} would be reached: the slope is not above zero by "
            "more than chance."
        )
    at, low, high = (
        from_kilometres(km, unit) for km in (trend.reaches.x, trend.reaches.low, trend.reaches.high)
    )
    if at > FURTHEST:
        return f"{said}. The line reaches {limit} beyond {FURTHEST:,} {unit}."
    last = max(one.km or 0.0 for one in corner.readings)
    was = "was reached" if trend.reaches.x <= last else "would be reached"
    upper = _rounded(high) if high <= FURTHEST else f"beyond {FURTHEST:,}"
    span = f"95 % interval {_rounded(low)} to {upper} {unit}"
    return f"{said}. On this line {limit} {was} at about {_rounded(at)} {unit} ({span})."


def _rounded(distance: float) -> str:
    """To a hundred: no forecast is finer.

    >>> _rounded(192_392.4)
    '192,400'
    """
    return f"{round(distance, -2):,.0f}"


def vehicle_lines(vehicle: Vehicle) -> list[str]:
    """Everything but the picture."""
    jobs = "1 job card" if len(vehicle.jobs) == 1 else f"{len(vehicle.jobs)} job cards"
    lines = [f"{clean(vehicle.name)}: {jobs}"]
    if vehicle.refused:
        lines[0] += f", {vehicle.refused} measurements without an end play are left out"
    mark = not all(one.listed.simulated for corner in vehicle.corners.values() for one in corner.readings)
    for name, corner in vehicle.corners.items():
        lines += ["", f"{CORNER_NAMES[name].capitalize()} ({name})", *reading_lines(corner, mark=mark)]
    return lines


def trend_lines(vehicle: Vehicle) -> list[str]:
    """The trend of each corner, and its caution."""
    unit = odometer_unit(vehicle)
    lines = [
        f"{CORNER_NAMES[name].capitalize()} ({name}). {trend_words(corner, unit)}"
        for name, corner in vehicle.corners.items()
    ]
    return [*lines, CAUTION] if lines else lines


def vehicle_object(vehicle: Vehicle) -> dict[str, Any]:
    """The history as ``shimwright vehicle show --json`` prints it."""
    return {
        "vehicle": vehicle.text,
        "registration": vehicle.registration,
        "jobs": [job.id for job in vehicle.jobs],
        "simulated": vehicle.simulated,
        "readings": [_reading_object(one) for corner in vehicle.corners.values() for one in corner.readings],
        "trends": [_trend_object(name, trend_of(corner)) for name, corner in vehicle.corners.items()],
    }


def _reading_object(one: Reading) -> dict[str, Any]:
    m = one.listed
    odometer = None if one.odometer is None else {"value": one.odometer.value, "unit": one.odometer.unit}
    return {
        "measurement_id": m.id,
        "at": m.at,
        "corner": m.corner,
        "stage": m.stage,
        "end_play_mm": m.end_play_mm,
        "u_mm": m.u_mm,
        "expanded_mm": m.expanded_mm,
        "verdict": m.verdict,
        "job": m.job,
        "odometer": odometer,
        "odometer_km": one.km,
        "line": one.line,
        "simulated": m.simulated,
    }


def _trend_object(corner: str, trend: Trend) -> dict[str, Any]:
    line, reaches = trend.line, trend.reaches
    why = "too few points" if line is None else "not rising" if reaches is None else None
    told: dict[str, Any] = {
        "corner": corner,
        "readings": trend.readings,
        "distances": trend.distances,
        "upper_limit_mm": trend.limits.most_mm,
        "too_few_to_tell": why,
        "line": None,
        "reached_km": None,
    }
    if line is not None:
        told["line"] = {
            "slope_mm_per_km": line.slope,
            "u_slope_mm_per_km": line.u_slope,
            "intercept_mm": line.intercept,
            "u_intercept_mm": line.u_intercept,
            "covariance": line.covariance,
            "chi_squared": line.chi_squared,
            "dof": line.dof,
            "coverage_factor": line.factor,
            "widened": line.inflated,
        }
    if reaches is not None:
        told["reached_km"] = {"estimate": reaches.x, "low": reaches.low, "high": reaches.high}
    return told
