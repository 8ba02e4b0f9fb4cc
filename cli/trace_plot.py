"""``shimwright trace plot``: one trace as a picture in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import LogFile, MeasurementId
from cli.selecting import local_time

if TYPE_CHECKING:
    from joblog.records import Measurement

Out = Annotated[
    Path, typer.Option("--out", metavar="FILE", help="The picture's file; it ends in .png, .svg or .pdf.")
]
Force = Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")]


def plot(measurement_id: MeasurementId, out: Out, force: Force = False, log: LogFile = None) -> None:
    """Draw a stored trace into a file: readings, rests, strokes, end play and limits.

    The ending says what it becomes: .png, .svg or .pdf.
    """
    from cli.errors import CliError  # noqa: PLC0415
    from cli.plots import Shown, check_file, save_trace  # noqa: PLC0415
    from cli.redoing import limits_of, redo  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from cli.stroke_list import strokes_of  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    check_file("--out", out, force=force)
    m = load_measurement(log_place(log).path, measurement_id)
    if not len(m.trace):
        raise CliError(f"measurement {m.id} has no readings: there is nothing to draw")
    again = redo(m)
    shown = Shown(
        trace=m.trace,
        outcome=again.outcome,
        strokes=strokes_of(again.outcome),
        unit=m.unit,
        limits=limits_of(m)[0],
        title=title_of(m),
        result=_result(m),
        simulated=m.simulated,
    )
    save_trace(shown, out)
    message(f"drawn into {out}")


def title_of(measurement: Measurement) -> str:
    """Which measurement, in one line: vehicle, corner, stage, local date and time."""
    from cli.words import place  # noqa: PLC0415

    m = measurement
    return f"{m.vehicle or m.hub_title}: {place(m.corner, m.stage)}, {local_time(m.at)}"


def _result(measurement: Measurement) -> str:
    """What was recorded, in one line that fits the picture."""
    import textwrap  # noqa: PLC0415

    from cli.outcome import number_text  # noqa: PLC0415
    from cli.words import VERDICT_NAMES  # noqa: PLC0415

    m = measurement
    if m.verdict is None:
        reasons = "; ".join(str(reason["text"]) for reason in m.analysis["reasons"])
        return textwrap.shorten(f"{m.state.capitalize()}: {reasons}", 115, placeholder=" …")
    return f"End play {number_text(m.analysis, m.unit)}: {VERDICT_NAMES[m.verdict]}"
