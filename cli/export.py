"""``shimwright export``: measurements, with all that belongs to them, for other programs and other logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, LogFile, example, one_of
from cli.choosing import chosen_ids
from cli.errors import MisuseError
from cli.parts import PARTS, parts
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

if TYPE_CHECKING:
    from joblog.handing_on import Exported, Format


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "export",
        epilog=example(
            "shimwright export --to march.zip --since 2026-03-01",
            "shimwright export 3f2a91c0 --to left-rear.sqlite",
            "shimwright export --format jsonl --corner LR > left-rears.jsonl",
        ),
    )(export)


def export(  # noqa: PLR0917 - options are given by name
    ids: Annotated[
        list[str] | None, typer.Argument(metavar="[ID]...", help="Ids of measurements, or their beginnings.")
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="FILE", help="What to make; a name without an ending makes a folder of CSV files."
        ),
    ] = None,
    form: Annotated[
        str | None,
        typer.Option(
            "--format",
            metavar="csv|jsonl|parquet|sqlite",
            help="Default: by FILE's ending, .zip (CSV), .jsonl, .parquet or .sqlite.",
        ),
    ] = None,
    corner: OnlyCorner = None,
    vehicle: OnlyVehicle = None,
    job: OnlyJob = None,
    stage: OnlyStage = None,
    verdict: OnlyVerdict = None,
    refused: OnlyRefused = False,
    gauge: OnlyGauge = None,
    since: Since = None,
    until: Until = None,
    latest: Annotated[int | None, typer.Option(metavar="N", min=0, help="Only the last N.")] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Write measurements with all that belongs to them into a new file that shimwright import reads back.

    Traces, reviews, notes, checks of the gauge, job cards and studies go along, to the last digit. Without
    an id or an option that chooses it is all that the log holds, the stock of shims too.
    """
    from cli.screen import message, put, put_json  # noqa: PLC0415
    from cli.version import version  # noqa: PLC0415
    from joblog.handing_on import export_to  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    wanted = wanted_of(
        corner=corner,
        vehicle=vehicle,
        job=job,
        stage=stage,
        verdict=verdict,
        refused=refused,
        gauge=gauge,
        since=since,
        until=until,
    )
    chosen = _format(form, to)
    if to is None and as_json:
        raise MisuseError("--json", "standard output holds the export itself: leave --json out, or give --to")
    path = log_place(log).path
    which = chosen_ids(path, ids or [], wanted, latest)
    if to is None:
        exported = _to_output(path, version(), which)
    else:
        exported = export_to(path, to, chosen, version(), which)
    if as_json:
        counts = {name: exported.counts.get(name, 0) for name in PARTS}
        put_json({"file": str(to), "format": chosen, "counts": counts, "left_out": exported.left_out})
    else:
        say = message if to is None else put
        say(f"{parts(exported.counts)} written{'' if to is None else f' to {to}'}")
        if exported.left_out:
            message(
                f"left out, because they are about measurements that were not chosen: {exported.left_out} "
                "entries of jobs and values of studies"
            )


def _format(form: str | None, to: Path | None) -> Format:
    """The format that is asked for, by its name or by the file's.

    Raises:
        MisuseError: If it is unknown or cannot be told.
    """
    from joblog.handing_on import ENDINGS, FORMATS  # noqa: PLC0415

    if form is not None:
        one_of("--format", form, FORMATS, "tables, lines, columns, a log")
        chosen = next(known for known in FORMATS if known == form)
        if to is None and chosen != "jsonl":
            raise MisuseError(
                "--to", f"name the file to make: only jsonl is written to standard output, not {form}"
            )
        return chosen
    if to is None:
        raise MisuseError(
            "--to",
            "name the file to make, such as --to march.zip; or give --format jsonl for standard output",
        )
    if not to.suffix:
        return "csv"
    if to.suffix.lower() not in ENDINGS:
        raise MisuseError(
            "--to", f"{to.name} does not say which format: end it in {_endings()}, or give --format"
        )
    return ENDINGS[to.suffix.lower()]


def _endings() -> str:
    from joblog.handing_on import ENDINGS  # noqa: PLC0415

    *some, last = ENDINGS
    return f"{', '.join(some)} or {last}"


def _to_output(path: Path, version: str, which: list[str] | None) -> Exported:
    import sys  # noqa: PLC0415

    from joblog.handing_on import export_lines  # noqa: PLC0415

    sys.stdout.flush()
    return export_lines(path, sys.stdout.buffer, version, which)
