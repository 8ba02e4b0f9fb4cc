"""``shimwright vehicle``: every reading of a car over the years, and where its end play is going."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, LogFile, example
from cli.errors import CliError

if TYPE_CHECKING:
    from cli.vehicle_history import Vehicle

MOST_NAMED = 8
"""So many vehicles are named when several match."""

vehicle = typer.Typer(help="The history of a vehicle.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(vehicle, name="vehicle")


@vehicle.command("list", epilog=example("shimwright vehicle list"))
def list_(log: LogFile = None, as_json: AsJson = False) -> None:
    """List the vehicles in the log: one by its registration, else by its text."""
    from cli.screen import put, put_json, put_report  # noqa: PLC0415
    from cli.sheet_words import clean  # noqa: PLC0415
    from cli.vehicle_history import vehicles_of  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    path = log_place(log).path
    found = vehicles_of(path)
    if as_json:
        for one in found:
            put_json(
                {
                    "vehicle": one.text,
                    "registration": one.registration,
                    "jobs": len(one.jobs),
                    "readings": _readings(one),
                    "last_at": one.last_at,
                    "simulated": one.simulated,
                }
            )
        return
    if not found:
        put(f"{path} holds no vehicle: name one when you open a job or measure (--vehicle).")
        return
    put_report(
        [
            f"{clean(one.name)}: {_many(len(one.jobs), 'job card')}, {_many(_readings(one), 'reading')}, "
            f"last {one.last_at[:10]}{', SIMULATED' if one.simulated else ''}"
            for one in found
        ]
    )


@vehicle.command(epilog=example("shimwright vehicle show 'LG 1234' --out heron.png"))
def show(  # noqa: PLR0917 - options are given by name
    text: Annotated[
        str, typer.Argument(metavar="TEXT", help="Its registration, its name, or a part of them.")
    ],
    unregistered: Annotated[
        bool,
        typer.Option("--unregistered", help="Only among vehicles written down without a registration."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Draw it into this file: .png, .svg or .pdf.", show_default=False
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Show every reading of every corner with date and odometer, and the trend of each corner.

    The trend is a straight line through the readings since the corner was last worked on, each weighted by
    its uncertainty; with it comes the odometer at which it reaches the upper limit, as a 95 % interval.
    """
    import sys  # noqa: PLC0415

    from cli import chart  # noqa: PLC0415
    from cli.plots import check_file  # noqa: PLC0415
    from cli.screen import message, put, put_json, put_report, screen_of  # noqa: PLC0415
    from cli.vehicle_history import vehicles_of  # noqa: PLC0415
    from cli.vehicle_picture import chart_lines, save_history  # noqa: PLC0415
    from cli.vehicle_words import trend_lines, vehicle_lines, vehicle_object  # noqa: PLC0415
    from cli.words import SIMULATED  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    if out is not None:
        check_file("--out", out, force=force)
    path = log_place(log).path
    known = [one for one in vehicles_of(path) if not (unregistered and one.registration)]
    one = chosen(known, text, path)
    if out is not None:
        if not one.corners:
            raise CliError(f"{one.name} has no reading in the log yet: there is nothing to draw")
        save_history(one, out)
    if as_json:
        put_json(vehicle_object(one))
        return
    if one.simulated:
        put(SIMULATED)
    for line in vehicle_lines(one):
        put(line)
    screen = screen_of(sys.stdout)
    if one.corners and chart.has_room(sys.stdout, screen):
        for line in ["", *chart_lines(one, screen)]:
            put(line)
    put_report(["", *trend_lines(one)])
    if out is not None:
        message(f"drawn into {out}")


def chosen(known: list[Vehicle], text: str, path: Path) -> Vehicle:
    """The one vehicle that a text means.

    Raises:
        CliError: If none does, or several do: they are named, and not mixed.
    """
    from cli.sheet_words import clean  # noqa: PLC0415
    from cli.vehicle_history import matching  # noqa: PLC0415

    found = matching(known, text)
    if not found:
        raise CliError(f'no vehicle in {path} is called "{clean(text)}": see `shimwright vehicle list`')
    if len(found) > 1:
        names = "; ".join(
            clean(one.name) + ("" if one.registration else " (no registration)") for one in found[:MOST_NAMED]
        )
        more = f"; and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
        raise CliError(
            f'"{clean(text)}" fits {len(found)} vehicles, which are not mixed: {names}{more}. Give the '
            "registration, or --unregistered for one without"
        )
    return found[0]


def _readings(one: Vehicle) -> int:
    return sum(len(corner.readings) for corner in one.corners.values())


def _many(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"
