"""``shimwright analyse``: end play from recorded traces."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.arguments import AsJson, GeometryName, Misalignment, Presses, example, standing
from cli.errors import ExitCode


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command("analyse", epilog=example("shimwright analyse --json before.csv after.csv"))(analyse)


def analyse(  # noqa: PLR0917 - options are given by name
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Trace files: CSV, time_s,reading_mm.")
    ],
    profile: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE", help="Gauge profile, for the indicator's permissible error."),
    ] = None,
    misalignment: Misalignment = None,
    geometry: GeometryName = "plunger",
    spots: Presses = False,
    as_json: AsJson = False,
) -> None:
    """Work out end play and its uncertainty from every stroke in trace files.

    One bad file does not stop the others. Exit code 3 if a file gives no end play, 2 if one cannot be read.
    """
    from dataclasses import replace  # noqa: PLC0415

    from capture.end_play import Refusal, analyse_trace, analysis_object  # noqa: PLC0415
    from capture.errors import TraceFileError  # noqa: PLC0415
    from capture.profile_files import load_profile  # noqa: PLC0415
    from capture.readings import Gauge  # noqa: PLC0415
    from capture.traces import read_csv  # noqa: PLC0415
    from cli.outcome import NO_NUMBERS, outcome_lines  # noqa: PLC0415
    from cli.screen import message, put_json, put_report  # noqa: PLC0415

    gauge = standing(Gauge() if profile is None else load_profile(profile).gauge, misalignment, geometry)
    if spots:
        gauge = replace(gauge, single=True)
    worst = ExitCode.ANSWERED
    for number, file in enumerate(files):
        try:
            trace = read_csv(file)
        except (TraceFileError, OSError) as error:
            why = str(error) if isinstance(error, TraceFileError) else f"{file}: {error.strerror or error}"
            message(f"shimwright: {why}")
            if as_json:
                reasons = [{"code": "unreadable", "text": why}]
                put_json({"file": str(file), "usable": False, "reasons": reasons} | NO_NUMBERS)
            worst = ExitCode.MISUSE
            continue
        outcome = analyse_trace(trace, gauge)
        analysis = analysis_object(outcome)
        if isinstance(outcome, Refusal) and worst is ExitCode.ANSWERED:
            worst = ExitCode.REFUSED
        if as_json:
            put_json({"file": str(file)} | analysis)
            continue
        notes = () if isinstance(outcome, Refusal) else outcome.notes
        heading = [""] * bool(number) + [f"{file}: {len(trace)} readings"]
        put_report([*heading, *outcome_lines(analysis, trace.unit, notes)])
    if worst:
        raise typer.Exit(worst)
