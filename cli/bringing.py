"""A trace that was not measured here becomes a record like one that was, marked with where it came from."""

from __future__ import annotations

from dataclasses import dataclass

from calc.hub import Hub
from capture.end_play import EndPlay, analyse_trace, analysis_object
from capture.readings import Gauge, Trace
from cli.errors import CliError
from cli.finding import finding_of
from cli.version import version
from joblog.records import Measurement, new_id


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """A trace from elsewhere, and what is known of it.

    Attributes:
        trace: Its readings.
        origin: Where it came from, such as the name of its file.
        at: When it was measured, ISO 8601.
        hub: The hub file.
        corner: LF, RF, LR or RR.
        stage: as-found, trial or as-left.
        profile: Name of the gauge's profile.
        gauge: What is known of the gauge.
        fitted_mm: Thickness of the shim in the hub, millimetres, above 0; None if not given.
        vehicle: Which vehicle, free text.
        job: Which job, free text.
        gauge_name: What the shop calls the gauge; None when not given.
        simulated: Whether the readings were made up.
    """

    trace: Trace
    origin: str
    at: str
    hub: Hub
    corner: str
    stage: str
    profile: str
    gauge: Gauge
    fitted_mm: float | None = None
    vehicle: str | None = None
    job: str | None = None
    gauge_name: str | None = None
    simulated: bool = False


def bring(brought: Brought) -> tuple[Measurement, CliError | None]:
    """Analyse a trace from elsewhere and make its record.

    Returns:
        The record, and what was wrong with the fitted shim, if anything.
    """
    b, hub = brought, brought.hub
    outcome = analyse_trace(b.trace, b.gauge)
    found, complaint = finding_of(outcome, hub, b.fitted_mm)
    measurement = Measurement(
        id=new_id(),
        at=b.at,
        corner=b.corner,
        stage=b.stage,
        analysis=analysis_object(outcome),
        hub_title=hub.title,
        hub_text=hub.text,
        unit=hub.unit,
        least_mm=hub.limits.least_mm,
        most_mm=hub.limits.most_mm,
        fitted_mm=b.fitted_mm,
        vehicle=b.vehicle,
        job=b.job,
        gauge_name=b.gauge_name,
        link=f"replay:{b.origin}",
        profile=b.profile,
        gauge=b.gauge,
        simulated=b.simulated,
        version=version(),
        notes=outcome.notes if isinstance(outcome, EndPlay) else (),
        origin=b.origin,
        trace=b.trace,
        **found,
    )
    return measurement, complaint
