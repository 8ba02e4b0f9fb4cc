"""One measurement as a person sees it: right after it was made, and again out of the log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.limits import Limits, assess
from calc.units import Unit, format_size
from cli.outcome import number_text, outcome_lines
from cli.ruler import Notch, Picture, draw
from cli.screen import Screen
from cli.words import SIMULATED, VERDICT_NAMES, next_thing, place

if TYPE_CHECKING:
    from calc.hub import Hub
    from joblog.records import Measurement


def report_lines(measurement: Measurement, screen: Screen, *, onward: bool = True) -> list[str]:
    """The number, the verdict, the ruler, the shim to fit and the next thing to do.

    Args:
        measurement: The record.
        screen: What the ruler is drawn for.
        onward: Whether to say what to do next; a job card says it by itself.
    """
    m = measurement
    hub = hub_of(m)
    lines = [SIMULATED] if m.simulated else []
    lines.append(f"{place(m.corner, m.stage).capitalize()}: {m.hub_title}")
    if m.origin is not None:
        lines.append(f"  - Not measured live: the trace was brought in from {m.origin}.")
    lines += outcome_lines(m.analysis, m.unit, m.notes)
    if m.gauge_note is not None:
        lines.append(f"  - Mind: {m.gauge_note}.")
    if m.verdict is None:
        return lines
    shim = None if m.verdict == "within" else m.shim  # a hub within limits is left as it is
    lines += ["", verdict_text(m, hub), "", *draw(picture_of(m, shim), screen)]
    if shim is not None:
        lines += ["", *shim_lines(shim, m.unit)]
    if hub is not None and onward:
        lines += ["", *next_thing(hub, m.stage, m.verdict, m.fitted_mm, shim)]
    return lines


def recorded_lines(measurement: Measurement, screen: Screen) -> list[str]:
    """A measurement out of the log: its report, and what belongs to the record.

    Args:
        measurement: The record.
        screen: What the ruler is drawn for.
    """
    m = measurement
    job = ", ".join(text for text in (m.vehicle, m.job) if text)
    facts = [
        f"Measurement {m.id}, {m.at}, {m.state}.",
        *([f"Vehicle and job: {job}."] if job else []),
        f"Link {m.link}, profile {m.profile}, {len(m.trace)} readings, version {m.version}.",
        *([f"Gauge {m.gauge_name}."] if m.gauge_name else []),
    ]
    return [*facts, "", *report_lines(m, screen)]


def verdict_text(measurement: Measurement, hub: Hub | None) -> str:
    """The verdict in words, with how sure it is."""
    m = measurement
    found = m.analysis
    dof = float("inf") if found["dof"] is None else found["dof"]
    limits = Limits(m.least_mm, m.most_mm)
    decision = "simple" if hub is None else hub.decision
    assessment = assess(found["end_play_mm"], found["u_mm"], dof, limits, decision, unit=m.unit)
    return f"{VERDICT_NAMES[assessment.verdict]}: {assessment.text.removeprefix(f'{assessment.verdict}: ')}."


def picture_of(measurement: Measurement, shim: dict[str, Any] | None) -> Picture:
    """The ruler of a measurement, with the shims on hand where there is one to choose."""
    m = measurement
    return Picture(
        limits=Limits(m.least_mm, m.most_mm),
        unit=m.unit,
        reading_mm=m.analysis["end_play_mm"],
        expanded_mm=m.analysis["expanded_mm"],
        reading_text=number_text(m.analysis, m.unit),
        notches=() if shim is None else notches_of(shim),
    )


def notches_of(shim: dict[str, Any]) -> tuple[Notch, ...]:
    """The notches of a ruler from the shim object."""
    chosen = None if shim["choice"] is None else shim["choice"]["thickness_mm"]
    return tuple(
        Notch(one["thickness_mm"], one["expected_mm"], chosen=one["thickness_mm"] == chosen)
        for one in shim["candidates"]
        if one["on_hand"]
    )


def shim_lines(shim: dict[str, Any], unit: Unit) -> list[str]:
    """The shim to fit and why, from the shim object."""
    if shim["choice"] is None:
        return [f"No shim on hand will do: {shim['why']}."]
    return [f"Shim to fit: {format_size(shim['choice']['thickness_mm'], unit)}.", f"  Why: {shim['why']}."]


def hub_of(measurement: Measurement) -> Hub | None:
    """The hub file as it was; None where this version no longer reads it."""
    from calc.hub import HubFileError, parse_hub  # noqa: PLC0415

    try:
        return parse_hub(measurement.hub_text, measurement.hub_title)
    except HubFileError:
        return None
