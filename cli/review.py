"""``shimwright review``: look at traces in the terminal, strike strokes out, see the number change."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.arguments import LogFile, Who, example
from cli.selecting import (
    OnlyCorner,
    OnlyGauge,
    OnlyJob,
    OnlyRefused,
    OnlyStage,
    OnlyVehicle,
    OnlyVerdict,
    Since,
    Until,
    wanted_of,
)

MOST_LISTED = 1000
"""So many measurements are listed, the last ones; filters reach the others."""

LETTERS = "⠿━▲▼◇×│─┼┤├◆▐▒▌±°"
"""What is drawn with, where the terminal shows it."""


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(epilog=example("shimwright review --vehicle 'heron gt' --corner LR"))(review)


def review(  # noqa: PLR0917 - options are given by name
    measurement_id: Annotated[
        str | None,
        typer.Argument(metavar="[ID]", help="Look at this one at once; its id, or its first characters."),
    ] = None,
    vehicle: OnlyVehicle = None,
    corner: OnlyCorner = None,
    stage: OnlyStage = None,
    since: Since = None,
    until: Until = None,
    verdict: OnlyVerdict = None,
    refused: OnlyRefused = False,
    gauge: OnlyGauge = None,
    job: OnlyJob = None,
    who: Who = None,
    ascii_only: Annotated[
        bool,
        typer.Option("--ascii", help="Draw with plain letters; for a terminal that shows others wrongly."),
    ] = False,
    log: LogFile = None,
) -> None:
    """Review measurements in the terminal: see the trace, strike out a bad stroke, accept what comes out.

    A list to choose from, then the trace with its strokes by number. A stroke is struck out for a reason; the
    number, the verdict and the ruler change at once, beside the recorded ones. What is accepted goes into the
    log as a review; the measurement itself is never changed. Keys only, and they are shown. It needs a
    terminal of 80 x 24 or more; trace show and trace redo do the same work line by line.
    """
    from cli.errors import MisuseError  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.reader import ANY, find_measurements  # noqa: PLC0415

    wanted = wanted_of(
        corner=corner, stage=stage, vehicle=vehicle, job=job, verdict=verdict, refused=refused, gauge=gauge,
        since=since, until=until,
    )  # fmt: skip
    if measurement_id is not None and wanted != ANY:
        raise MisuseError("ID", f"{measurement_id} is one measurement: leave the filters out, or the ID")
    _need_terminal()
    path = log_place(log).path
    found = find_measurements(path, wanted, MOST_LISTED)
    from cli.review_app import ReviewApp, case_of  # noqa: PLC0415

    case = None if measurement_id is None else case_of(path, measurement_id)
    ReviewApp(path, found, case, who or "", drawn=not ascii_only and _shows_letters()).run(mouse=False)


def _need_terminal() -> None:
    """Refuse to start where nobody can see it or press a key.

    Raises:
        CliError: If there is no terminal.
    """
    import os  # noqa: PLC0415
    import sys  # noqa: PLC0415

    from cli.errors import CliError  # noqa: PLC0415

    streams = (sys.stdin, sys.stdout, sys.stderr)
    if os.environ.get("TERM") == "dumb" or not all(one.isatty() for one in streams):
        raise CliError("review needs a terminal with keys: use trace show and trace redo where there is none")


def _shows_letters() -> bool:
    """Whether the terminal is said to show the letters that are drawn with."""
    import sys  # noqa: PLC0415

    for stream in (sys.stdout, sys.stderr):
        try:
            LETTERS.encode(getattr(stream, "encoding", None) or "ascii")
        except (UnicodeEncodeError, LookupError):
            return False
    return True
