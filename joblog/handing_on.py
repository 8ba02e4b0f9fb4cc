"""Write a selection into a new file, which has its name only once it is whole; none is ever overwritten."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Literal, NamedTuple

from joblog.errors import LogFileError, LogFull, TargetExists, TargetNotWritable
from joblog.records import utc_now
from joblog.selection import Selection, selected

if TYPE_CHECKING:
    from joblog.formats.rows import Head

Format = Literal["csv", "jsonl", "parquet", "sqlite"]

FORMATS: tuple[Format, ...] = ("csv", "jsonl", "parquet", "sqlite")

ENDINGS: dict[str, Format] = {
    ".zip": "csv",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
    ".sqlite": "sqlite",
    ".db": "sqlite",
    ".parquet": "parquet",
}
"""What a file's name says of its format, where the format is not given."""


class Exported(NamedTuple):
    """What was written.

    Attributes:
        counts: Rows by table; tables with none are left out.
        left_out: Entries of jobs and values of studies that stay with measurements that were not chosen.
    """

    counts: dict[str, int]
    left_out: int


def export_to(
    log: Path, target: Path, form: Format, version: str, ids: Iterable[str] | None = None
) -> Exported:
    """Write measurements and all that belongs to them into a new file or folder.

    Args:
        log: The log; only read.
        target: What to make. A name that ends in ``.zip`` makes CSV or Parquet one file instead of a folder.
        form: The format.
        version: Of this program.
        ids: Whole ids of measurements; None for all that the log holds.

    Raises:
        TargetExists: If there is such a file.
        TargetNotWritable: If it cannot be made.
        PackageMissing: If the format needs a package that is not installed.
        LogError: If the log or a trace in it cannot be read.
    """
    if form == "parquet":
        from joblog.formats.parquet_package import check_installed  # noqa: PLC0415

        check_installed(target)
    with new_file(target) as part, selected(log, ids) as selection:
        exported = Exported(selection.counts(), selection.left_out())
        _write(selection, part, form, version, zipped=target.suffix.lower() == ".zip")
        return exported


def export_lines(log: Path, file: BinaryIO, version: str, ids: Iterable[str] | None = None) -> Exported:
    """Write JSON lines to an open file, such as standard output; see ``export_to``.

    Raises:
        LogError: If the log or a trace in it cannot be read.
        OSError: If it cannot be written.
    """
    from joblog.formats import json_lines  # noqa: PLC0415

    with selected(log, ids) as selection:
        exported = Exported(selection.counts(), selection.left_out())
        json_lines.write(selection, _head(selection, version), file)
        return exported


@contextmanager
def new_file(target: Path) -> Iterator[Path]:
    """A place beside the target to write a file or a folder; it gets the target's name when it is whole.

    Raises:
        TargetExists: If the target is there, before or after.
        TargetNotWritable: If the disk does not take it.
    """
    if target.exists() or target.is_symlink():
        raise TargetExists(target)
    try:
        with tempfile.TemporaryDirectory(
            prefix=".shimwright-", dir=target.absolute().parent, ignore_cleanup_errors=True
        ) as folder:
            part = Path(folder) / target.name
            try:
                yield part
            except LogFileError as error:
                if error.path != part:
                    raise
                why = "no space left" if isinstance(error, LogFull) else str(error)
                raise TargetNotWritable(target, why) from error
            _settle(part, target)
    except OSError as error:
        raise TargetNotWritable(target, error.strerror or str(error)) from error


def _settle(part: Path, target: Path) -> None:
    """Put what was written on the disk and give it its name, unless somebody else took that meanwhile."""
    if part.is_dir():
        if target.exists():
            raise TargetExists(target)
        part.rename(target)  # a folder with anything in it is never replaced
    else:
        with part.open("rb") as file:
            os.fsync(file.fileno())
        try:
            target.hardlink_to(part)  # fails if it exists, as renaming does not
        except FileExistsError:
            raise TargetExists(target) from None
        except OSError:  # a file system without links
            if target.exists():
                raise TargetExists(target) from None
            part.rename(target)
    if os.name == "posix":
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _head(selection: Selection, version: str) -> Head:
    from joblog.formats.rows import Head  # noqa: PLC0415

    return Head(utc_now(), version, selection.whole, selection.counts())


def _write(selection: Selection, part: Path, form: Format, version: str, *, zipped: bool) -> None:
    head = _head(selection, version)
    if form == "jsonl":
        from joblog.formats import json_lines  # noqa: PLC0415

        with part.open("xb") as file:
            json_lines.write(selection, head, file)
    elif form == "sqlite":
        from joblog.formats import sqlite_log  # noqa: PLC0415

        sqlite_log.write(selection, part)
    else:
        from joblog.formats import csv_package, parquet_package  # noqa: PLC0415
        from joblog.formats.package import PackageWriter  # noqa: PLC0415

        with PackageWriter(part, zipped=zipped, packed=form == "parquet") as package:
            (csv_package if form == "csv" else parquet_package).write(selection, head, package)
