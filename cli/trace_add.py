"""``shimwright trace add``: a trace that came from elsewhere becomes a measurement of the log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import (
    AsJson,
    GaugeName,
    GeometryName,
    LogFile,
    Misalignment,
    PermissibleError,
    Presses,
)
from cli.errors import MisuseError

if TYPE_CHECKING:
    from capture.readings import Gauge
    from joblog.records import Measurement


def add(  # noqa: PLR0917 - options are given by name
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Trace file: CSV, time_s,reading_mm or _in.")],
    corner: Annotated[str, typer.Option(metavar="LF|RF|LR|RR", help="Which corner of the car.")],
    hub: Annotated[Path, typer.Option(metavar="FILE", help="Hub file with the limits and shims.")],
    stage: Annotated[
        str,
        typer.Option(metavar="as-found|trial|as-left", help="Before, with a trial shim, or after the work."),
    ] = "as-found",
    vehicle: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Which vehicle; kept in the log.")
    ] = None,
    job: Annotated[str | None, typer.Option(metavar="TEXT", help="Which job; kept in the log.")] = None,
    fitted: Annotated[
        str | None, typer.Option(metavar="L", help="Thickness of the shim in the hub, such as 3.20mm.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="TIME",
            help="When it was measured, local, such as 2025-03-02T14:30. Default: the file's time.",
        ),
    ] = None,
    gauge: GaugeName = None,
    profile: Annotated[
        str, typer.Option(metavar="NAME|FILE", help="Gauge profile, for the indicator's permissible error.")
    ] = "line",
    permissible_error: PermissibleError = None,
    misalignment: Misalignment = None,
    geometry: GeometryName = "plunger",
    spots: Presses = False,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="The readings were made up; the log then says so for ever.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Add it although the same readings are in the log already.")
    ] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Bring a trace from a file into the log as a measurement.

    It is analysed, held against the hub file and kept like one measured live, marked with the file's name. A
    trace that gives no end play is kept too, as refused (exit code 3).
    """
    from calc.hub import load_hub  # noqa: PLC0415
    from capture.profile_files import load_profile  # noqa: PLC0415
    from capture.traces import read_csv  # noqa: PLC0415
    from cli.arguments import corner_of, stage_of, standing, thickness_mm, with_presses  # noqa: PLC0415
    from cli.bringing import Brought, bring  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from cli.selecting import local_time  # noqa: PLC0415
    from joblog.fetch import holders_of  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    corner, stage = corner_of(corner), stage_of(stage)
    fitted_mm = None if fitted is None else thickness_mm("--fitted", fitted)
    moment = None if at is None else _moment(at)
    speech = with_presses(load_profile(profile), pressed=spots)
    known = _with_error(standing(speech.gauge, misalignment, geometry), permissible_error)
    hub_file, trace = load_hub(hub), read_csv(file)
    with Store.open(log_place(log).ready()) as store:
        holders = [] if again else holders_of(store.path, trace)
        if holders:
            raise MisuseError(
                "FILE",
                f"the readings of {file} are in the log already, as {holders[0][:8]} (see trace show); "
                "--again adds them once more",
            )
        if moment is None:
            moment = _file_time(file)
            message(f"--at is not given: taken from the file's own time, {local_time(moment)} (local)")
        brought = Brought(
            trace=trace,
            origin=file.name,
            at=moment,
            hub=hub_file,
            corner=corner,
            stage=stage,
            profile=speech.name,
            gauge=known,
            fitted_mm=fitted_mm,
            vehicle=vehicle,
            job=job,
            gauge_name=gauge,
            simulated=simulated,
        )
        measurement, complaint = bring(brought)
        store.add(measurement)
        _tell(measurement, store.path, as_json=as_json)
    if complaint is not None:
        raise complaint


def _tell(measurement: Measurement, log: Path, *, as_json: bool) -> None:
    """What came out, on standard output; it is in the log by now."""
    import sys  # noqa: PLC0415

    from cli.errors import MeasurementRefusedError  # noqa: PLC0415
    from cli.report import report_lines  # noqa: PLC0415
    from cli.screen import put_json, put_report, screen_of  # noqa: PLC0415

    if as_json:
        put_json(measurement.measure_object())
    elif measurement.state == "measured":
        lines = report_lines(measurement, screen_of(sys.stdout))
        put_report([*lines, "", f"Measurement {measurement.id}, in the log {log}."])
    if measurement.state == "refused":
        reasons = "; ".join(str(reason["text"]) for reason in measurement.analysis["reasons"])
        raise MeasurementRefusedError(
            f"no end play: {reasons} (its trace is in the log as {measurement.id[:8]})"
        )


def _with_error(gauge: Gauge, text: str | None) -> Gauge:
    from dataclasses import replace  # noqa: PLC0415

    from cli.arguments import length_mm  # noqa: PLC0415

    if text is None:
        return gauge
    error_mm = length_mm("--permissible-error", text)
    if not 0 <= error_mm <= 1:
        raise MisuseError("--permissible-error", f'"{text}" is outside 0 to 1 mm')
    return replace(gauge, permissible_error_mm=error_mm, permissible_error_source="given with the file")


def _moment(text: str) -> str:
    from datetime import UTC, datetime, timedelta  # noqa: PLC0415

    from joblog.records import utc_text  # noqa: PLC0415

    try:
        moment = datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError, OSError):
        raise MisuseError("--at", f'"{text}" is no time: write such as 2025-03-02T14:30') from None
    if moment > datetime.now(UTC) + timedelta(days=1):
        raise MisuseError("--at", f'"{text}" lies in the future: give the time when it was measured')
    return utc_text(moment)


def _file_time(file: Path) -> str:
    from datetime import UTC, datetime  # noqa: PLC0415

    from joblog.records import utc_text  # noqa: PLC0415

    return utc_text(datetime.fromtimestamp(file.stat().st_mtime, UTC))
