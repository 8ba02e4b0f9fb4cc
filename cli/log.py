"""``shimwright log``: whether the log is sound, a copy of it, and what it holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, LogFile, example
from cli.errors import ExitCode

if TYPE_CHECKING:
    from joblog.health import Fault
    from joblog.records import Measurement
    from joblog.stats import GaugeUse, Stats

OTHERWISE = "worked out again it differs from"
"""How a fault begins that is none of the log."""

log = typer.Typer(help="Check, copy and count the log.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(log, name="log")


@log.command(epilog=example("shimwright log check --redo"))
def check(
    redo: Annotated[
        bool,
        typer.Option("--redo", help="Also work each measurement out again: the numbers must be the same."),
    ] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Read all of the log and say what is wrong with it, one line a fault. Exit code 2 if anything is.

    Its pages, what its rows refer to, and every trace with its checksum. The log is only read, and others may
    go on using it.
    """
    import itertools  # noqa: PLC0415

    from cli.progress import Progress  # noqa: PLC0415
    from cli.screen import put, put_json  # noqa: PLC0415
    from joblog.health import as_line, page_faults, record_faults  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.selection import current_log  # noqa: PLC0415

    path = log_place(log).path
    faults: list[Fault] = []
    with current_log(path) as opened:
        total = int(opened.execute("SELECT count(*) FROM measurement").fetchone()[0])
        progress = Progress("measurements checked", total)
        records = record_faults(opened, redone_otherwise if redo else None, progress.tick)
        for fault in itertools.chain(page_faults(opened), records):
            faults.append(fault)
            if not as_json:
                progress.close()
                put(as_line(fault))
        progress.close()
    if as_json:
        told = [fault._asdict() for fault in faults]
        put_json(
            {"log": str(path), "sound": not faults, "measurements": total, "redone": redo, "faults": told}
        )
    elif not faults:
        put(
            f"{path} is sound: {_many(total, 'measurement')}, each trace read back"
            f"{' and worked out again to the same numbers' if redo else ''}."
        )
    else:
        put(f"{path}: {_many(len(faults), 'fault')}, {_many(total, 'measurement')} read. {_advice(faults)}")
    if faults:
        raise typer.Exit(ExitCode.MISUSE)


@log.command(epilog=example("shimwright log backup monday.sqlite"))
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The copy; never one that is there already.")],
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Copy the log while others use it, and read the copy whole before it gets its name.

    Exit code 2 if a measurement in it does not read back: the copy is made all the same, as good as the log.
    """
    from cli.progress import Progress  # noqa: PLC0415
    from cli.screen import message, put, put_json  # noqa: PLC0415
    from joblog.backup import back_up  # noqa: PLC0415
    from joblog.health import as_line  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.selection import count_measurements  # noqa: PLC0415

    path = log_place(log).path
    progress = Progress("measurements read back from the copy", count_measurements(path))
    try:
        made = back_up(path, file, progress.tick)
    finally:
        progress.close()
    if as_json:
        put_json(
            {
                "file": str(file),
                "measurements": made.measurements,
                "size_bytes": made.size,
                "faults": [fault._asdict() for fault in made.faults],
            }
        )
    else:
        for fault in made.faults:
            message(f"{path}: {as_line(fault)}; the copy has the same")
        put(f"{_many(made.measurements, 'measurement')} copied to {file}, {_size(made.size)}, and read back.")
    if made.faults:
        raise typer.Exit(ExitCode.MISUSE)


@log.command(epilog=example("shimwright log stats"))
def stats(log: LogFile = None, as_json: AsJson = False) -> None:
    """Count what the log holds: measurements and refusals, gauges and their last checks, its size."""
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.stats import stats_of  # noqa: PLC0415

    path = log_place(log).path
    found = stats_of(path)
    if as_json:
        put_json(_stats_object(path, found))
    else:
        put_report(_stats_lines(path, found))


def redone_otherwise(measurement: Measurement) -> str | None:
    """Work a measurement out again; what differs from what was recorded, or None."""
    from capture.end_play import analyse_trace, analysis_object  # noqa: PLC0415
    from cli.redoing import broken_off_by, differing_keys  # noqa: PLC0415

    if not len(measurement.trace) or broken_off_by(measurement.analysis):
        return None  # what ended it is not in its trace
    again = analysis_object(analyse_trace(measurement.trace, measurement.gauge))
    differing = differing_keys(measurement.analysis, again)
    if not differing:
        return None
    return f"{OTHERWISE} what version {measurement.version} recorded in: {', '.join(differing)}"


def _advice(faults: list[Fault]) -> str:
    if all(fault.text.startswith(OTHERWISE) for fault in faults):
        return "What was recorded stays; see `shimwright trace redo`."
    return "Put a backup copy in its place; `shimwright export` still hands on what reads back."


def _stats_object(path: Path, found: Stats) -> dict[str, Any]:
    values = found._asdict()
    size, trace_bytes = values.pop("size"), values.pop("trace_bytes")
    return {
        "log": str(path),
        **values,
        "reasons": [one._asdict() for one in found.reasons],
        "gauges": [one._asdict() for one in found.gauges],
        "size_bytes": size,
        "trace_bytes": trace_bytes,
    }


def _stats_lines(path: Path, found: Stats) -> list[str]:
    if not found.measurements:
        return [f"{path}: no measurements, {_size(found.size)}."]
    simulated = f", {found.simulated} of them SIMULATED" if found.simulated else ""
    share = 100 * found.trace_bytes / max(1, found.size)
    first, last = str(found.oldest)[:10], str(found.newest)[:10]
    lines = [
        f"{path}, {_size(found.size)}",
        "",
        f"{_many(found.measurements, 'measurement')}{simulated}, {first} to {last}",
        f"  by corner   {_by(found.by_corner)}",
        f"  by stage    {_by(found.by_stage)}",
        f"  by state    {_by(found.by_state)}",
    ]
    if found.by_verdict:
        lines.append(f"  by verdict  {_by(found.by_verdict)}")
    if found.refused_share:
        lines.append(f"  refused     {100 * found.refused_share:.1f} % of those that came to an end")
        lines += [f"    {one.measurements} × {one.code}" for one in found.reasons]
    lines += ["", f"{_many(len(found.gauges), 'gauge')}, {_many(found.gauge_checks, 'check')}"]
    lines += [f"  {_gauge(one)}" for one in found.gauges]
    lines += [
        "",
        f"Jobs {found.jobs}, reviews {found.reviews}, studies {found.studies}",
        f"Moves of stock {found.stock_moves}",
        f"Waiting to be published: {found.unsent}",
        f"Traces: {found.readings} readings in {_size(found.trace_bytes)}, {share:.0f} % of the file",
    ]
    return lines


def _gauge(one: GaugeUse) -> str:
    named = one.name or f"{one.place}, profile {one.profile}"
    made = _many(one.measurements, "measurement")
    if one.checked_at is None:
        return f"{named}: {made}, never checked"
    outcome = one.outcome or "held against no limit"
    return f"{named}: {made}, last checked {one.checked_at[:10]} ({outcome})"


def _by(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.items())


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _size(size: int) -> str:
    """Bytes for a person.

    >>> _size(512), _size(20_480), _size(7_340_032)
    ('512 bytes', '20.5 kB', '7.3 MB')
    """
    if size < 1000:
        return f"{size} bytes"
    return f"{size / 1e3:.1f} kB" if size < 1_000_000 else f"{size / 1e6:.1f} MB"
