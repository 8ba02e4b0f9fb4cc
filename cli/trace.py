"""``shimwright trace``: what the log holds, looked at, held against each other, and analysed again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import trace_add, trace_compare, trace_list, trace_plot, trace_redo, trace_show
from cli.arguments import LogFile, MeasurementId, example
from cli.errors import MisuseError

if TYPE_CHECKING:
    from joblog.records import Measurement

trace = typer.Typer(
    help="Look back: search the log, see and compare traces, analyse them again.", no_args_is_help=True
)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(trace, name="trace")


trace.command("list", epilog=example("shimwright trace list --vehicle 'heron gt' --corner LR --since 2025"))(
    trace_list.list_
)
trace.command("show", epilog=example("shimwright trace show 3f2a91c0"))(trace_show.show)
trace.command("plot", epilog=example("shimwright trace plot 3f2a91c0 --out left-rear.png"))(trace_plot.plot)
trace.command("compare", epilog=example("shimwright trace compare 3f2a91c0 77b01d2e"))(trace_compare.compare)
trace.command(
    "redo",
    epilog=example(
        "shimwright trace redo 3f2a91c0 --json",
        "  shimwright trace redo 3f2a91c0 --without 5 --why 'the wheel was touched' --keep",
        "  shimwright trace redo --all",
    ),
)(trace_redo.redo_command)
trace.command(
    "add",
    epilog=example("shimwright trace add old.csv --corner LR --hub heron-rear.toml --vehicle 'Heron GT'"),
)(trace_add.add)


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


def _load(measurement_id: str, log: Path | None) -> Measurement:
    from joblog.fetch import load_measurement  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    return load_measurement(log_place(log).path, measurement_id)
