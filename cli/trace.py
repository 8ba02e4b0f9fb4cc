"""``shimwright trace``: what the log holds, and the same numbers worked out of it again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, LogFile, corner_of, example
from cli.errors import CliError, ExitCode, MisuseError

if TYPE_CHECKING:
    from joblog.reader import Listed
    from joblog.records import Measurement

SHORT_ID = 8
"""Characters of an id that a person sees and types."""

MeasurementId = Annotated[
    str, typer.Argument(metavar="ID", help="A measurement's id, or its first characters.")
]

trace = typer.Typer(help="Look into the log, and analyse stored traces again.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(trace, name="trace")


@trace.command("list", epilog=example("shimwright trace list --corner LR --latest 5"))
def list_(  # noqa: PLR0917 - options are given by name
    log: LogFile = None,
    corner: Annotated[str | None, typer.Option(metavar="LF|RF|LR|RR", help="Only this corner.")] = None,
    vehicle: Annotated[str | None, typer.Option(metavar="TEXT", help="Only this vehicle.")] = None,
    job: Annotated[str | None, typer.Option(metavar="TEXT", help="Only this job.")] = None,
    since: Annotated[
        str | None, typer.Option(metavar="TIME", help="Only from this UTC time on, such as 2026-03-02.")
    ] = None,
    latest: Annotated[int | None, typer.Option(metavar="N", min=0, help="Only the last N.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the measurements in the log, oldest first."""
    from cli.screen import put, put_json  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.reader import list_measurements  # noqa: PLC0415

    listed = list_measurements(
        log_place(log).path,
        corner=None if corner is None else corner_of(corner),
        vehicle=vehicle,
        job=job,
        since=since,
        latest=latest,
    )
    if as_json:
        for one in listed:
            put_json(
                {"measurement_id" if key == "id" else key: value for key, value in one._asdict().items()}
            )
    elif not listed:
        put("No measurements.")
    else:
        rows = [
            ("ID", "TIME (UTC)", "CORNER", "STAGE", "END PLAY", "VERDICT", "VEHICLE, JOB"),
            *map(_row, listed),
        ]
        widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
        for row in rows:
            put("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def _row(one: Listed) -> tuple[str, ...]:
    from calc.units import Unit  # noqa: PLC0415
    from cli.words import number_with_uncertainty  # noqa: PLC0415

    number = "-"
    if one.end_play_mm is not None and one.expanded_mm is not None:
        number = number_with_uncertainty(one.end_play_mm, one.expanded_mm, Unit(one.unit), None)
    verdict = one.verdict or one.state
    return (
        one.id[:SHORT_ID],
        one.at[:19].replace("T", " "),
        one.corner,
        one.stage,
        number.removesuffix(" (95 %)"),
        f"{verdict} (simulated)" if one.simulated else verdict,
        ", ".join(text for text in (one.vehicle, one.job) if text),
    )


@trace.command(epilog=example("shimwright trace show 3f2a91c0"))
def show(measurement_id: MeasurementId, log: LogFile = None, as_json: AsJson = False) -> None:
    """Show one measurement as it was recorded."""
    from cli.report import recorded_lines  # noqa: PLC0415
    from cli.screen import put_json, put_report, screen_of  # noqa: PLC0415

    measurement = _load(measurement_id, log)
    if as_json:
        put_json(measurement.measure_object())
        return
    import sys  # noqa: PLC0415

    put_report(recorded_lines(measurement, screen_of(sys.stdout)))


@trace.command(epilog=example("shimwright trace redo 3f2a91c0 --json"))
def redo(measurement_id: MeasurementId, log: LogFile = None, as_json: AsJson = False) -> None:
    """Analyse a stored trace again, and hold it against what was recorded.

    With the version that measured it the numbers are equal to the last digit. Exit code 3 if the trace gives
    no end play.
    """
    from cli.outcome import outcome_lines  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    measurement = _load(measurement_id, log)
    analysis = redone(measurement)
    if as_json:
        put_json(analysis | {"measurement_id": measurement.id})
    else:
        put_report([*outcome_lines(analysis, measurement.unit), comparison(measurement, analysis)])
    if not analysis["usable"]:
        raise typer.Exit(ExitCode.REFUSED)


@trace.command(epilog=example("shimwright trace export 3f2a91c0 --to left-rear.csv"))
def export(
    measurement_id: MeasurementId,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE", help="Write here; standard output if not given.")
    ] = None,
    log: LogFile = None,
) -> None:
    """Write a stored trace as a CSV file, every reading exactly as it came."""
    import sys  # noqa: PLC0415

    from capture.traces import write_csv  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415

    measurement = _load(measurement_id, log)
    if to is None:
        write_csv(measurement.trace, sys.stdout)
        return
    try:
        with to.open("x", encoding="utf-8", newline="") as file:
            write_csv(measurement.trace, file)
    except FileExistsError:
        raise MisuseError("--to", f"{to} exists and stays as it is: name a new file") from None
    message(f"{len(measurement.trace)} readings written to {to}")


BROKEN_OFF = ("stopped", "unit-changed")
"""Reasons that come from outside the trace, and that no analysis of it can find again."""


def redone(measurement: Measurement) -> dict[str, Any]:
    """The analysis object of a stored trace, made again.

    Raises:
        CliError: If the trace holds no readings.
    """
    from capture.end_play import analyse_trace, analysis_object  # noqa: PLC0415

    if not len(measurement.trace):
        raise CliError(f"measurement {measurement.id} has no readings: there is nothing to analyse")
    return analysis_object(analyse_trace(measurement.trace, measurement.gauge))


def comparison(measurement: Measurement, analysis: dict[str, Any]) -> str:
    """Say in one line whether an analysis made again equals the recorded one."""
    import json  # noqa: PLC0415

    broken_off = [one["text"] for one in measurement.analysis["reasons"] if one["code"] in BROKEN_OFF]
    if broken_off:
        return f"It was broken off ({broken_off[0]}); this is what the readings before that hold."
    again = json.loads(json.dumps(analysis))
    differing = [key for key, value in measurement.analysis.items() if again.get(key) != value]
    if not differing:
        return "Equal to what was recorded, to the last digit."
    return f"Differs from what version {measurement.version} recorded in: {', '.join(differing)}."


def _load(measurement_id: str, log: Path | None) -> Measurement:
    from joblog.fetch import load_measurement  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    return load_measurement(log_place(log).path, measurement_id)
