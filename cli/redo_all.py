"""A whole log analysed again by several processes: what this version would change in it."""

from __future__ import annotations

import signal
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

import typer

from calc.units import Unit, format_length
from cli.errors import CliError, ExitCode, InterruptedMeasurementError
from cli.progress import Progress
from cli.redoing import broken_off_by, differing_keys, redo
from cli.screen import put, put_json, put_report
from cli.version import version
from joblog.errors import LogError
from joblog.fetch import fetch
from joblog.reader import Wanted, ids_of, reading
from joblog.records import Measurement

Change = Literal["numbers", "reasons", "refused", "usable", "unreadable"]
Same = Literal["same", "broken-off", "empty"]

BATCH = 16
"""Measurements that a process takes at a time: a few tenths of a second, so that Ctrl-C is heard soon."""

MOST_NAMED = 20
"""Changed measurements that a person is shown; JSON has all."""

WORDS: dict[str, str] = {
    "same": "the same, to the last digit",
    "numbers": "other numbers",
    "reasons": "refused as before, for other reasons",
    "refused": "newly refused",
    "usable": "newly usable",
    "unreadable": "cannot be read",
    "broken-off": "broken off when they were measured: nothing to hold them against",
    "empty": "without readings",
}
"""What may become of a measurement, in words."""

ALWAYS_SAID = ("same", "numbers", "refused", "usable", "unreadable")


def redo_all(path: Path, wanted: Wanted, jobs: int | None, *, as_json: bool) -> None:
    """Analyse measurements again, and tell what would change.

    Args:
        path: The log.
        wanted: Which measurements.
        jobs: How many processes; None for one a core.
        as_json: Whether to print one object for each that changes and one for the whole.

    Raises:
        LogFileError: If the log cannot be read.
        typer.Exit: With exit code 2 if a measurement cannot be read.
        InterruptedMeasurementError: If somebody pressed Ctrl-C.
    """
    began = time.monotonic()
    ids = ids_of(path, wanted)
    counts: Counter[str] = Counter()
    changes: list[dict[str, Any]] = []
    examined = 0
    try:
        with Progress("measurements analysed again", len(ids)) as progress:
            for same, changed, done in _examined(path, ids, jobs or cores()):
                counts.update(same)
                counts.update(one["change"] for one in changed)
                changes += changed
                examined += done
                progress.tick(done)
                if as_json:
                    for one in changed:
                        put_json(one)
    except KeyboardInterrupt:
        text = f"stopped with Ctrl-C after {examined} of {len(ids)} measurements"
        raise InterruptedMeasurementError(text) from None
    seconds = time.monotonic() - began
    summary = summary_of(len(ids), counts, changes, seconds)
    if as_json:
        put_json(summary)
    else:
        put_report(_report(summary))
        for line in _named(changes):  # a table is never folded
            put(line)
    if counts["unreadable"]:
        raise typer.Exit(ExitCode.MISUSE)


def cores() -> int:
    """How many processors this process may use."""
    import os  # noqa: PLC0415

    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def examine(path: Path, ids: list[str]) -> tuple[dict[str, int], list[dict[str, Any]], int]:
    """Analyse some measurements again, in this process.

    Args:
        path: The log.
        ids: Their ids.

    Returns:
        How many there are of each kind that did not change, the others, and how many were looked at.
    """
    same: Counter[str] = Counter()
    changed = []
    with reading(path) as log:
        if log is None:
            return {}, [], 0
        for measurement_id in ids:
            try:
                found = change_of(fetch(log, measurement_id))
            except (LogError, ValueError, KeyError) as error:  # damaged, or written by nobody of ours
                found = {"measurement_id": measurement_id, "change": "unreadable", "text": str(error)}
            if isinstance(found, str):
                same[found] += 1
            else:
                changed.append(found)
    return dict(same), changed, len(ids)


def change_of(measurement: Measurement) -> Same | dict[str, Any]:
    """What this version makes of a measurement: nothing new, or an object that says what changes."""
    m = measurement
    if not len(m.trace):
        return "empty"
    if broken_off_by(m.analysis):
        return "broken-off"
    again = redo(m)
    differing = differing_keys(m.analysis, again.analysis)
    if not differing:
        return "same"
    was, now = bool(m.analysis["usable"]), bool(again.analysis["usable"])
    change: Change = "numbers" if was else "reasons"
    if was != now:
        change = "usable" if now else "refused"
    return {
        "measurement_id": m.id,
        "change": change,
        "text": "; ".join(str(one["text"]) for one in again.analysis["reasons"]) or WORDS[change],
        "differing": differing,
        "recorded_by": m.version,
        "at": m.at,
        "corner": m.corner,
        "stage": m.stage,
        "unit": m.unit.value,
        "recorded": {key: m.analysis.get(key) for key in ("end_play_mm", "expanded_mm")}
        | {"verdict": m.verdict},
        "redone": {key: again.analysis[key] for key in ("end_play_mm", "expanded_mm")}
        | {"verdict": again.verdict},
    }


def summary_of(
    total: int, counts: Counter[str], changes: list[dict[str, Any]], seconds: float
) -> dict[str, Any]:
    """What became of all of them, as the last object of ``--json``."""
    moved = [
        (abs(one["redone"]["end_play_mm"] - one["recorded"]["end_play_mm"]), one["measurement_id"])
        for one in changes
        if one["change"] == "numbers"
    ]
    largest = max(moved, default=(None, None))
    verdicts = sum(
        1
        for one in changes
        if one["change"] == "numbers" and one["recorded"]["verdict"] != one["redone"]["verdict"]
    )
    return {
        "measurements": total,
        "version": version(),
        **{name.replace("-", "_"): counts[name] for name in WORDS},
        "other_verdicts": verdicts,
        "largest_change_mm": largest[0],
        "largest_change_id": largest[1],
        "seconds": round(seconds, 3),
    }


def _report(summary: dict[str, Any]) -> list[str]:
    total, seconds = summary["measurements"], summary["seconds"]
    if not total:
        return ["No measurements."]
    rate = total / seconds if seconds else float(total)
    lines = [f"{total} measurements analysed again by version {summary['version']}, {rate:.0f} a second:"]
    for name, words in WORDS.items():
        number = summary[name.replace("-", "_")]
        if number or name in ALWAYS_SAID:
            lines.append(f"{number:>8}  {words}")
    if summary["largest_change_mm"] is not None:
        most = format_length(summary["largest_change_mm"], Unit.MM, 1e-6)
        lines.append(f"The largest change of an end play is {most} ({summary['largest_change_id'][:8]}).")
        lines.append(f"Verdicts that change with it: {summary['other_verdicts']}.")
    if total == summary["same"] + summary["broken_off"] + summary["empty"]:
        lines.append("This version changes nothing that was recorded.")
    return lines


def _named(changes: list[dict[str, Any]]) -> list[str]:
    """The first few that change, one line each."""
    lines = [""] if changes else []
    for one in changes[:MOST_NAMED]:
        head = f"  {one['measurement_id'][:8]}  "
        if one["change"] == "unreadable":
            lines.append(f"{head}{WORDS['unreadable']}: {one['text']}")
            continue
        head += f"{one['at'][:10]} {one['corner']} {one['stage']}"
        lines.append(f"{head}  {WORDS[one['change']]}: {_part(one, 'recorded')} -> {_part(one, 'redone')}")
    if len(changes) > MOST_NAMED:
        lines.append(f"  and {len(changes) - MOST_NAMED} more: --json names them all")
    return lines


def _part(one: dict[str, Any], which: str) -> str:
    found = one[which]
    if found["end_play_mm"] is None:
        return "refused"
    value = format_length(found["end_play_mm"], Unit(one["unit"]), 1e-4 if one["unit"] == "mm" else 25.4e-5)
    return f"{value} {found['verdict']}"


def _examined(
    path: Path, ids: list[str], jobs: int
) -> Iterator[tuple[dict[str, int], list[dict[str, Any]], int]]:
    """Batches, in the order in which they are done."""
    batches = [ids[start : start + BATCH] for start in range(0, len(ids), BATCH)]
    jobs = min(jobs, len(batches))
    if jobs <= 1:
        for batch in batches:
            yield examine(path, batch)
        return
    pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"))
    try:
        with _deaf():  # the processes are started here, and stay so: only this one hears Ctrl-C
            waiting: list[Future[tuple[dict[str, int], list[dict[str, Any]], int]]] = [
                pool.submit(examine, path, batch) for batch in batches
            ]
        for future in as_completed(waiting):
            yield future.result()
    except BrokenProcessPool:
        raise CliError(
            "one of the processes was ended from outside: run it again, perhaps with --jobs 1"
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _deaf() -> Iterator[None]:
    """Ignore Ctrl-C for a moment; a process that is started meanwhile ignores it for ever."""
    try:
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    except ValueError:  # no signals outside the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
