"""``shimwright trace list``: the measurements in the log, searched."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, LogFile
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
    local_time,
    wanted_of,
)

if TYPE_CHECKING:
    from joblog.reader import Found, Listed

SHORT_ID = 8
"""Characters of an id that a person sees and types."""

SCREENFUL = 20
"""So many measurements are shown unless more are asked for."""

LEAST_TEXT = 8
"""Columns that the last column keeps, however wide the others are."""


def list_(  # noqa: PLR0917 - options are given by name
    log: LogFile = None,
    vehicle: OnlyVehicle = None,
    corner: OnlyCorner = None,
    stage: OnlyStage = None,
    since: Since = None,
    until: Until = None,
    verdict: OnlyVerdict = None,
    refused: OnlyRefused = False,
    gauge: OnlyGauge = None,
    job: OnlyJob = None,
    latest: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="Only the last N. Default: 20; with --json all.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="All of them, however many.")] = False,
    as_json: AsJson = False,
) -> None:
    """List measurements in the log, in the order in which they were recorded.

    Several filters narrow the list down together. Dates are local, as they are shown; JSON has UTC.
    """
    import sys  # noqa: PLC0415

    from cli.errors import MisuseError  # noqa: PLC0415
    from cli.screen import put, put_json, screen_of  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.reader import ANY, find_measurements  # noqa: PLC0415

    if everything and latest is not None:
        raise MisuseError("--all", "and --latest exclude each other: give one of them")
    wanted = wanted_of(
        corner=corner,
        stage=stage,
        vehicle=vehicle,
        job=job,
        verdict=verdict,
        refused=refused,
        gauge=gauge,
        since=since,
        until=until,
    )
    most = latest if latest is not None or everything or as_json else SCREENFUL
    found = find_measurements(log_place(log).path, wanted, most)
    if as_json:
        for one in found.listed:
            put_json(
                {"measurement_id" if key == "id" else key: value for key, value in one._asdict().items()}
            )
    elif not found.total:
        put("No measurements." if wanted == ANY else "No measurement is like that: ask for less.")
    else:
        width = screen_of(sys.stdout).width
        more = "--latest N or --all shows more"
        blank = [""] if found.listed else []
        put("\n".join([*table_rows(found.listed, width), *blank, *footer_lines(found, more)]))


def table_rows(listed: list[Listed], width: int) -> list[str]:
    """The headings and a row for each measurement; the last column gives way. Nothing for none.

    Args:
        listed: The measurements.
        width: Columns to use.
    """
    if not listed:
        return []
    units = {one.unit for one in listed}
    shared = units.pop() if len(units) == 1 else None
    heading = ("ID", "TIME (LOCAL)", "CORNER", "END PLAY" + (f", {shared}" if shared else ""), "VERDICT")
    rows = [(*heading, "VEHICLE, JOB"), *(_row(one, shared) for one in listed)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]) - 1)]
    room = max(LEAST_TEXT, width - sum(widths) - 2 * len(widths))
    return [
        "  ".join(
            [*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), _cut(row[-1], room)]
        ).rstrip()
        for row in rows
    ]


def _row(one: Listed, shared_unit: str | None) -> tuple[str, ...]:
    from calc.presented import number_with_uncertainty  # noqa: PLC0415
    from calc.units import Unit  # noqa: PLC0415

    number = "-"
    if one.end_play_mm is not None and one.expanded_mm is not None:
        unit = Unit(one.unit)
        fine_mm = 1e-3 if unit is Unit.MM else 25.4e-4
        number = number_with_uncertainty(one.end_play_mm, one.expanded_mm, unit, fine_mm)
        number = number.removesuffix(" (95 %)")
        if shared_unit:
            number = number.replace(f" {shared_unit}", "")
    return (
        one.id[:SHORT_ID],
        local_time(one.at),
        f"{one.corner} {one.stage}",
        number,
        (one.verdict or one.state) + " *" * one.simulated + " r" * bool(one.reviews),
        ", ".join(text for text in (one.vehicle, one.job) if text),
    )


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: room - 1] + "…"


def footer_lines(found: Found, more: str) -> list[str]:
    """What the marks mean, how many there are, and how to see more.

    Args:
        found: What the search gave.
        more: How to see others where there are too many, in words.
    """
    lines = []
    if any(one.simulated for one in found.listed):
        lines.append("* SIMULATED: no real hub was measured.")
    if any(one.reviews for one in found.listed):
        lines.append("r reviewed: see trace show ID.")
    shown, total = len(found.listed), found.total
    if shown == total:
        lines.append("1 measurement." if total == 1 else f"{total} measurements.")
    else:
        lines.append(f"The last {shown} of {total} measurements; {more}.")
    return lines
