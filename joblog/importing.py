"""Bring in what was handed on: any format is made a log first, read through, and only then merged.

So nothing is in the log before all of it is known to be sound, and other programs are kept waiting for the
merge alone.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
import tempfile
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Literal, NamedTuple

from joblog.errors import (
    ExportDamaged,
    ExportTooNew,
    LogDamaged,
    LogEmpty,
    LogFull,
    LogTooNew,
    NotALog,
    NotAnExport,
    TargetNotWritable,
    TraceTooNew,
)
from joblog.health import as_line, page_faults, record_faults
from joblog.merge import Merged, merge
from joblog.reader import BUSY_S, connect_to_read
from joblog.schema import steps_taken
from joblog.selection import upgraded_copy
from joblog.store import Store
from joblog.tables import Table, tables_of
from joblog.trouble import speaking_of

Form = Literal["sqlite", "jsonl", "package"]

_HEAD = 64  # bytes enough to tell the formats apart
_MOST_DESCRIPTOR = 1 << 24
_BATCH = 500  # rows

Row = dict[str, Any]


class Imported(NamedTuple):
    """What became of one file.

    Attributes:
        form: What it was.
        merged: What became of its rows.
    """

    form: Form
    merged: Merged


def import_file(
    path: Path, log: Path, *, publish: bool = False, dry_run: bool = False, busy_s: float = BUSY_S
) -> Imported:
    """Take into a log what it lacks of a file; all of it or nothing.

    Args:
        path: A log, JSON lines, or a data package (its folder, its zip file or its ``datapackage.json``).
        log: The log to add to; made if there is none.
        publish: Whether to put the added measurements into the outbox.
        dry_run: Whether to change nothing, and only say what would be done.
        busy_s: How long to wait for another program that has the log locked, seconds, 0 or more.

    Raises:
        NotAnExport: If the file is something else.
        ExportTooNew: If a newer version wrote it.
        ExportDamaged: If it is not as it was written, or what it holds is not sound.
        PackageMissing: If reading it needs a package that is not installed.
        LogFileError: If the log cannot be used.
        OSError: If the file cannot be read.
    """
    form = form_of(path)
    with tempfile.TemporaryDirectory(prefix="shimwright-") as folder:
        staged = Path(folder) / "log.sqlite"
        if form == "sqlite":
            _stage_log(path, staged)
        else:
            _stage_rows(path, staged, form)
        _check(path, staged)
        try:
            return Imported(form, merge(log, staged, publish=publish, dry_run=dry_run, busy_s=busy_s))
        except NotAnExport as error:
            raise NotAnExport(path, error.what) from error


def form_of(path: Path) -> Form:
    """What a file is, by what is in it.

    Raises:
        NotAnExport: If it is nothing that can be imported.
        OSError: If it cannot be read.
    """
    from joblog.formats import json_lines  # noqa: PLC0415  (it loads numpy)

    if path.is_dir():
        if (path / "datapackage.json").is_file():
            return "package"
        raise NotAnExport(path, "a folder without a datapackage.json")
    with path.open("rb") as file:
        begin = file.read(_HEAD)
    if begin.startswith(b"SQLite format 3\0"):
        return "sqlite"
    if begin.startswith((b"PK\x03\x04", b"PK\x05\x06")) or _is_descriptor(path, begin):
        return "package"
    if json_lines.looks_like(begin):
        return "jsonl"
    if begin.startswith(b"PAR1"):
        raise NotAnExport(path, "a single Parquet file: name the folder or zip file that it belongs to")
    if begin.startswith((b"time_s,", b"\xef\xbb\xbftime_s,")):
        raise NotAnExport(path, "a trace alone, which does not say of what")
    raise NotAnExport(path, "an empty file" if not begin else "not a log, JSON lines or a data package")


def _is_descriptor(path: Path, begin: bytes) -> bool:
    """Whether it is the description in a package's folder."""
    if not begin.lstrip().startswith(b"{") or path.name != "datapackage.json":
        return False
    try:
        return "resources" in json.loads(path.read_bytes()[:_MOST_DESCRIPTOR])
    except ValueError:
        return False


def _stage_log(path: Path, staged: Path) -> None:
    """Copy another log as it stands, and bring the copy up to date; the other one stays as it is."""
    with _speaking_of_export(path), speaking_of(path), closing(connect_to_read(path)) as log:
        if not steps_taken(log, path):
            raise LogEmpty(path)
        upgraded_copy(log, staged)


def _stage_rows(path: Path, staged: Path, form: Form) -> None:
    with _speaking_of_export(path), speaking_of(staged):
        _stage_rows_in(path, staged, form)


def _stage_rows_in(path: Path, staged: Path, form: Form) -> None:
    Store.open(staged).close()
    with closing(sqlite3.connect(staged, isolation_level=None)) as log:
        log.execute("PRAGMA synchronous = OFF")  # a working copy: it is thrown away
        log.execute("BEGIN")
        tables = {table.name: table for table in tables_of(log)}
        reader = _json_rows if form == "jsonl" else _package_rows
        try:
            with closing(reader(path, tables)) as rows:
                _insert(log, tables, rows)
        except (sqlite3.IntegrityError, sqlite3.InterfaceError, OverflowError) as error:
            raise ExportDamaged(path, str(error)) from error
        except TraceTooNew as error:
            raise ExportTooNew(path, f"trace format {error.version}") from error
        log.execute("COMMIT")


def _json_rows(path: Path, tables: dict[str, Table]) -> Generator[tuple[str, Row], None, None]:
    from joblog.formats import json_lines  # noqa: PLC0415

    yield from json_lines.rows(path, tables)


def _package_rows(path: Path, tables: dict[str, Table]) -> Generator[tuple[str, Row], None, None]:
    from joblog.formats import csv_package, parquet_package  # noqa: PLC0415
    from joblog.formats.package import PackageReader  # noqa: PLC0415

    with PackageReader(
        path.parent if path.is_file() and path.name == "datapackage.json" else path
    ) as package:
        if package.format not in {"csv", "parquet"}:
            raise ExportTooNew(path, f"the format {package.format!r}")
        yield from (csv_package if package.format == "csv" else parquet_package).rows(package, tables)


def _insert(log: sqlite3.Connection, tables: dict[str, Table], rows: Iterable[tuple[str, Row]]) -> None:
    """Put rows into their tables, many at once while they are of one table."""
    for name, group in itertools.groupby(rows, key=lambda named: named[0]):
        names = tables[name].names()
        insert = f"INSERT INTO {name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"  # noqa: S608
        while batch := [tuple(row[key] for key in names) for _, row in itertools.islice(group, _BATCH)]:
            log.executemany(insert, batch)


def _check(path: Path, staged: Path) -> None:
    """Read all that was staged."""
    with closing(sqlite3.connect(f"{staged.absolute().as_uri()}?mode=ro", uri=True)) as log:
        fault = next(itertools.chain(page_faults(log), record_faults(log)), None)
    if fault is not None:
        raise ExportDamaged(path, as_line(fault))


@contextmanager
def _speaking_of_export(path: Path) -> Iterator[None]:
    """Say what is wrong with another log as of a file that was handed on."""
    try:
        yield
    except (NotALog, LogEmpty) as error:
        raise NotAnExport(path, getattr(error, "what", "a log that holds nothing yet")) from error
    except LogTooNew as error:
        raise ExportTooNew(path, f"schema step {', '.join(error.unknown)}") from error
    except LogDamaged as error:
        raise ExportDamaged(path, error.what) from error
    except LogFull as error:
        raise TargetNotWritable(Path(tempfile.gettempdir()), "no space left for a working copy") from error
