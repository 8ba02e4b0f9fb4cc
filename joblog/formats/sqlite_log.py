"""A log of its own with the selected rows: today's tables, an empty outbox, nothing beside the file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from joblog.formats.rows import Row, trace_of
from joblog.selection import Selection
from joblog.store import Store
from joblog.trouble import speaking_of


def write(selection: Selection, path: Path) -> None:
    """Write a selection into a new log.

    Raises:
        TraceDamaged: If a trace cannot be read.
        LogFileError: If it cannot be written.
    """
    Store.open(path).close()
    with speaking_of(path), closing(sqlite3.connect(path, isolation_level=None)) as log:
        log.execute("PRAGMA journal_mode = DELETE")
        log.execute("BEGIN")
        for table in selection.tables:
            columns = ", ".join(table.names())
            places = ", ".join("?" * len(table.columns))
            log.executemany(
                f"INSERT INTO {table.name} ({columns}) VALUES ({places})",  # noqa: S608  (our names)
                (tuple(row.values()) for row in _sound(selection, table.name)),
            )
        log.execute("COMMIT")


def _sound(selection: Selection, name: str) -> Iterator[Row]:
    """The rows; a trace that does not read back is not handed on."""
    for row in selection.rows(name):
        if name == "trace":
            trace_of(row)
        yield row
