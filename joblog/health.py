"""Whether a log is sound: its pages, its references, every measurement read back and, if asked, redone."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from typing import NamedTuple

from joblog.codec import decode_trace
from joblog.errors import RecordError, TraceDamaged, TraceTooNew
from joblog.records import Measurement, from_row

_SHORT = 8  # characters of an id by which a person finds it


class Fault(NamedTuple):
    """Something that is wrong with a log.

    Attributes:
        where: The table, or ``file`` for the pages of the file itself.
        id: Of which row; None where it is not one.
        text: What is wrong, for a person.
    """

    where: str
    id: str | None
    text: str


Redo = Callable[[Measurement], str | None]
"""Works a measurement out again; gives what differs, or None if nothing does."""


def page_faults(log: sqlite3.Connection) -> Iterator[Fault]:
    """What is wrong with the file itself: pages, indexes, types, and rows that refer to nothing."""
    try:
        found = [row[0] for row in log.execute("PRAGMA integrity_check")]
        if found != ["ok"]:
            yield from (Fault("file", None, text) for text in found)
            return
        for table, rowid, parent, _ in log.execute("PRAGMA foreign_key_check").fetchall():
            yield Fault(table, _key_of(log, table, rowid), f"refers to a row of {parent} that is not there")
    except sqlite3.DatabaseError as error:
        yield Fault("file", None, str(error))


def record_faults(
    log: sqlite3.Connection, redo: Redo | None = None, tick: Callable[[], None] | None = None
) -> Iterator[Fault]:
    """What is wrong with the measurements: each is read with its trace, whose checksum must hold.

    Args:
        log: Of today's schema.
        redo: Works each out again, if given.
        tick: Called after each measurement.
    """
    cursor = log.execute(
        "SELECT m.*, t.data, t.readings FROM measurement m LEFT JOIN trace t ON t.measurement_id = m.id "
        "ORDER BY m.seq"
    )
    names = [column[0] for column in cursor.description]
    while True:
        try:
            row = cursor.fetchone()
        except sqlite3.DatabaseError as error:
            yield Fault("file", None, str(error))
            return
        if row is None:
            return
        named = dict(zip(names, row, strict=True))
        text = _fault_of(named, redo)
        if text is not None:
            yield Fault("measurement", named["id"], text)
        if tick is not None:
            tick()


def as_line(fault: Fault) -> str:
    """One line for a person.

    >>> as_line(Fault("measurement", "3f2a91c0-0000-4000-8000-000000000000", "has no trace"))
    'measurement 3f2a91c0: has no trace'
    """
    return f"{fault.where}{'' if fault.id is None else ' ' + fault.id[:_SHORT]}: {fault.text}"


def _fault_of(row: dict[str, object], redo: Redo | None) -> str | None:
    data = row["data"]
    if not isinstance(data, bytes):
        return "has no trace"
    try:
        trace = decode_trace(data)
        measurement = from_row(row, trace)
    except (TraceDamaged, TraceTooNew, RecordError) as error:
        return str(error)
    except (KeyError, TypeError, ValueError) as error:
        return f"does not read back: {type(error).__name__} {error}"
    if len(trace) != row["readings"]:
        return f"its trace has {len(trace)} readings, not the {row['readings']} that were noted"
    for name in ("end_play_mm", "u_mm", "expanded_mm"):
        if measurement.analysis.get(name) != row[name]:
            return f"{name} is {row[name]!r}, and {measurement.analysis.get(name)!r} in its analysis"
    return None if redo is None else redo(measurement)


def _key_of(log: sqlite3.Connection, table: str, rowid: int | None) -> str | None:
    column = "id" if table not in {"trace", "outbox"} else "measurement_id"
    row = log.execute(f"SELECT {column} FROM {table} WHERE rowid = ?", (rowid,)).fetchone()  # noqa: S608  (ours)
    return None if row is None else str(row[0])
