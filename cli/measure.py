"""``shimwright measure``: one corner, from the push and pull to the shim in the log."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import (
    AsJson,
    GaugeName,
    GeometryName,
    LogFile,
    Misalignment,
    Presses,
    corner_of,
    days_of,
    example,
    seconds_of,
    stage_of,
    standing,
    thickness_mm,
    unit_of,
    with_presses,
)

if TYPE_CHECKING:
    from cli.measuring import Finished


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "measure",
        epilog=example(
            "shimwright measure --link serial:/dev/ttyUSB0 --unit mm \\",
            "    --hub heron-rear.toml --corner LR --fitted 3.20mm",
        ),
    )(measure)


def measure(  # noqa: PLR0917 - options are given by name
    link: Annotated[
        str,
        typer.Option(
            metavar="URL",
            help="Where the readings come from, such as "
            "serial:/dev/ttyUSB0?baud=9600, ble:ADDRESS, socket://HOST:PORT, replay:FILE, "
            "simulated:?end_play=0.31mm.",
        ),
    ],
    hub: Annotated[Path, typer.Option(metavar="FILE", help="Hub file with the limits and shims.")],
    corner: Annotated[str, typer.Option(metavar="LF|RF|LR|RR", help="Which corner of the car.")],
    profile: Annotated[str, typer.Option(metavar="NAME|FILE", help="How the gauge speaks.")] = "line",
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit of readings that do not say theirs.")
    ] = None,
    stage: Annotated[
        str,
        typer.Option(metavar="as-found|trial|as-left", help="Before, with a trial shim, or after the work."),
    ] = "as-found",
    fitted: Annotated[
        str | None, typer.Option(metavar="L", help="Thickness of the shim in the hub, such as 3.20mm.")
    ] = None,
    vehicle: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Which vehicle; kept in the log.")
    ] = None,
    job: Annotated[str | None, typer.Option(metavar="TEXT", help="Which job; kept in the log.")] = None,
    misalignment: Misalignment = None,
    geometry: GeometryName = "plunger",
    spots: Presses = False,
    gauge: GaugeName = None,
    check_days: Annotated[
        float | None,
        typer.Option(metavar="N", help="Say so if the gauge's last check (gauge verify) is older, in days."),
    ] = None,
    log: LogFile = None,
    timeout: Annotated[
        float | None, typer.Option(metavar="S", help="Give up after so many seconds. Default: wait.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Measure end play hands-free: push and pull the hub until it says it is done.

    Force it in and out, stop to stop, with a rest of half a second at each. It ends by itself when the number
    is sure enough against the limits. The measurement is in the log, with every reading, before anything is
    announced.
    """
    corner, stage = corner_of(corner), stage_of(stage)
    gauge_unit = None if unit is None else unit_of("--unit", unit)
    fitted_mm = None if fitted is None else thickness_mm("--fitted", fitted)
    timeout_s, check_days = seconds_of("--timeout", timeout), days_of("--check-days", check_days)
    from calc.hub import load_hub  # noqa: PLC0415
    from capture.profile_files import load_profile  # noqa: PLC0415
    from cli.live import Live  # noqa: PLC0415
    from cli.measuring import Order, carry_out  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from joblog.checks import GaugeIdentity, standing_of  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    hub_file = load_hub(hub)
    speech = with_presses(load_profile(profile), pressed=spots)
    speech = replace(speech, gauge=standing(speech.gauge, misalignment, geometry))
    order = Order(
        hub=hub_file,
        corner=corner,
        stage=stage,
        link=link,
        profile=speech,
        unit=gauge_unit,
        fitted_mm=fitted_mm,
        timeout_s=timeout_s,
        vehicle=vehicle,
        job=job,
        gauge_name=gauge,
    )
    with Store.open(log_place(log).ready()) as store:
        identity = GaugeIdentity(link, speech.name, gauge)
        note = standing_of(store.path, identity, datetime.now(UTC), check_days)
        if note is not None:
            message(f"note: {note}")
            order = replace(order, gauge_note=note)
        finished = carry_out(order, store, Live(hub_file.unit, quiet=as_json))
        announce(finished, store.path, as_json=as_json)


def announce(finished: Finished, log: Path, *, as_json: bool) -> None:
    """Tell what came out, on standard output; it is in the log by now.

    Args:
        finished: The measurement.
        log: The log's file.
        as_json: Whether to print the measure object.

    Raises:
        CliError: What ended it early or went wrong, to be told last.
    """
    import sys  # noqa: PLC0415

    from cli.report import report_lines  # noqa: PLC0415
    from cli.screen import put_json, put_report, screen_of  # noqa: PLC0415

    measurement = finished.measurement
    if as_json:
        put_json(measurement.measure_object())
    elif measurement.state == "measured":
        lines = report_lines(measurement, screen_of(sys.stdout))
        where = f"in the log {log}" if finished.logged else "NOT in the log"
        put_report([*lines, "", f"Measurement {measurement.id}, {where}."])
    if finished.error is not None:
        raise finished.error
