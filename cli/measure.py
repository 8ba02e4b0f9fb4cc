"""``shimwright measure``: one corner, from the push and pull to the shim in the log."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

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
from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.hub import Hub
    from cli.measuring import Finished

SAME_MM = 1e-6
"""Two thicknesses are the same within this, millimetres."""


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
    hub: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Hub file with the limits and shims. Default: the job card's."),
    ] = None,
    corner: Annotated[
        str | None,
        typer.Option(
            metavar="LF|RF|LR|RR", help="Which corner of the car. Default: the job card's only one."
        ),
    ] = None,
    profile: Annotated[str, typer.Option(metavar="NAME|FILE", help="How the gauge speaks.")] = "line",
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit of readings that do not say theirs.")
    ] = None,
    stage: Annotated[
        str | None,
        typer.Option(
            metavar="as-found|trial|as-left",
            help="Before, with a trial shim, or after the work. Default: the job card's, else as-found.",
        ),
    ] = None,
    fitted: Annotated[
        str | None, typer.Option(metavar="L", help="Thickness of the shim in the hub, such as 3.20mm.")
    ] = None,
    vehicle: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Which vehicle; kept in the log.")
    ] = None,
    job: Annotated[
        str | None,
        typer.Option(
            metavar="ID|TEXT",
            help="Which job: a job card's id, which then says hub, stage, vehicle and shim; or any text.",
        ),
    ] = None,
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
    corner = None if corner is None else corner_of(corner)
    stage = None if stage is None else stage_of(stage)
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
    from joblog.stock import counts, on_hand_mm  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    hub_file = None if hub is None else load_hub(hub)
    aim = _aim(hub_file, corner, stage, fitted_mm, vehicle, job, log_place(log).path)
    for text in aim.notes:
        message(f"note: {text}")
    speech = with_presses(load_profile(profile), pressed=spots)
    speech = replace(speech, gauge=standing(speech.gauge, misalignment, geometry))
    order = Order(
        hub=aim.hub,
        corner=aim.corner,
        stage=aim.stage,
        link=link,
        profile=speech,
        unit=gauge_unit,
        fitted_mm=aim.fitted_mm,
        timeout_s=timeout_s,
        vehicle=aim.vehicle,
        job=aim.job,
        gauge_name=gauge,
    )
    with Store.open(log_place(log).ready()) as store:
        identity = GaugeIdentity(link, speech.name, gauge)
        note = standing_of(store.path, identity, datetime.now(UTC), check_days)
        if note is not None:
            message(f"note: {note}")
            order = replace(order, gauge_note=note)
        if aim.fitted_mm is not None and aim.hub.sizes_mm:
            order = replace(order, on_hand_mm=on_hand_mm(counts(store.path, aim.hub.shim_bin)))
        finished = carry_out(order, store, Live(aim.hub.unit, quiet=as_json))
        announce(finished, store.path, as_json=as_json, on_card=aim.on_card)


class Aim(NamedTuple):
    """What is measured, by the options and the job card.

    Attributes:
        hub: The hub.
        corner: LF, RF, LR or RR.
        stage: as-found, trial or as-left.
        fitted_mm: Shim in the hub, millimetres; None if not known.
        vehicle: Which vehicle.
        job: Which job.
        on_card: Whether that is a job card.
        notes: What the person should know first.
    """

    hub: Hub
    corner: str
    stage: str
    fitted_mm: float | None
    vehicle: str | None
    job: str | None
    on_card: bool
    notes: list[str]


def _aim(  # noqa: PLR0917 - as the options come
    hub: Hub | None,
    corner: str | None,
    stage: str | None,
    fitted_mm: float | None,
    vehicle: str | None,
    job: str | None,
    log: Path,
) -> Aim:
    """Take from the job card what no option says, and say where the two differ."""
    from cli.job_measuring import card_for, stage_for  # noqa: PLC0415

    card = card_for(log, job, corner)
    if card is None:
        if hub is None:
            raise MisuseError("--hub", "missing: name the hub file, or a job card with --job ID")
        if corner is None:
            raise MisuseError("--corner", "missing: say which corner, or name a job card with --job ID")
        return Aim(hub, corner, stage or "as-found", fitted_mm, vehicle, job, False, [])
    due, notes = stage_for(card, stage)
    known_mm = card.card.fitted_mm
    if hub is not None and hub.text not in {card.card.hub_file_text, card.hub.text}:
        notes.append(
            f"the hub file {hub.path} is not the one on the job card ({card.hub.title}): yours is used"
        )
    if fitted_mm is not None and known_mm is not None and abs(fitted_mm - known_mm) > SAME_MM:
        notes.append(f"--fitted {fitted_mm:g} mm contradicts the job card's {known_mm:g} mm: yours is used")
    if vehicle is not None and vehicle != card.job.vehicle:
        notes.append(
            f'"{vehicle}" is not the vehicle on the job card, {card.job.vehicle}: the card\'s is kept'
        )
    same = hub is None or hub.text in {card.card.hub_file_text, card.hub.text}
    return Aim(
        hub=card.hub if same or hub is None else hub,
        corner=card.card.corner,
        stage=due,
        fitted_mm=known_mm if fitted_mm is None else fitted_mm,
        vehicle=card.job.vehicle,
        job=card.job.id,
        on_card=True,
        notes=notes,
    )


def announce(finished: Finished, log: Path, *, as_json: bool, on_card: bool = False) -> None:
    """Tell what came out, on standard output; it is in the log by now.

    Args:
        finished: The measurement.
        log: The log's file.
        as_json: Whether to print the measure object.
        on_card: Whether it belongs to a job card, which then says what comes next.

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
        lines = report_lines(measurement, screen_of(sys.stdout), onward=not on_card)
        where = f"in the log {log}" if finished.logged else "NOT in the log"
        put_report([*lines, "", f"Measurement {measurement.id}, {where}."])
        if on_card and finished.logged:
            from cli.job_words import next_words  # noqa: PLC0415
            from joblog.jobs import load_job  # noqa: PLC0415

            put_report([*next_words(load_job(log, measurement.job or "").corners[measurement.corner])])
    if finished.error is not None:
        raise finished.error
