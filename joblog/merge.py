"""Take the rows of one log into another: each once, none changed, all or none.

A row is told by its UUID, in every log of the world. What is in both is compared; what is only in the source
is added, in the order in which it was recorded there. So two logs may be merged in either order, and again.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from joblog.codec import decode_trace, encode_trace
from joblog.errors import NotAnExport, TraceDamaged, TraceTooNew
from joblog.reader import BUSY_S
from joblog.records import utc_now
from joblog.store import Store
from joblog.tables import Column, Table, tables_of
from joblog.trouble import speaking_of


@dataclass(frozen=True, slots=True)
class Differing:
    """A row that is in both logs under one UUID, and is not the same. It stays as it is.

    Attributes:
        table: Its table.
        id: Its UUID.
        columns: What differs.
    """

    table: str
    id: str
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of the rows of a source.

    Attributes:
        added: How many were added, by table.
        known: How many were there already, and the same, by table.
        differing: Those that were there and were not the same.
        held_back: How many were not added because what they belong to is among the differing.
    """

    added: dict[str, int] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)
    differing: tuple[Differing, ...] = ()
    held_back: int = 0


def merge(
    target: Path, source: Path, *, publish: bool = False, dry_run: bool = False, busy_s: float = BUSY_S
) -> Merged:
    """Take into a log what it lacks of another, in one transaction.

    Args:
        target: The log to add to; made if there is none, brought up to date if it is older.
        source: A sound log of today's schema; only read.
        publish: Whether to put the added measurements into the outbox.
        dry_run: Whether to take it all back at the end: nothing is changed, and the answer is the same.
        busy_s: How long to wait for another program that has the log locked, seconds, 0 or more.

    Raises:
        NotAnExport: If a row of the source is one that no log takes.
        LogFileError: If the target cannot be used; it is then as it was.
    """
    Store.open(target, busy_s=busy_s).close()
    with speaking_of(target), closing(connect_to_merge(target, busy_s)) as log:
        log.execute("ATTACH ? AS source", (f"{source.absolute().as_uri()}?mode=ro",))
        log.execute("BEGIN IMMEDIATE")
        try:
            merged = _Merge(log).run(publish=publish)
            log.execute("ROLLBACK" if dry_run else "COMMIT")
        except sqlite3.IntegrityError as error:
            raise NotAnExport(source, str(error)) from error
    return merged


def connect_to_merge(target: Path, busy_s: float) -> sqlite3.Connection:
    """A connection on which every transaction is on the disk when it is over."""
    log = sqlite3.connect(
        f"{target.absolute().as_uri()}?mode=rw", uri=True, timeout=busy_s, isolation_level=None
    )
    log.execute("PRAGMA synchronous = FULL")
    log.execute("PRAGMA foreign_keys = ON")
    return log


class _Merge:
    """One merge, inside its transaction."""

    def __init__(self, log: sqlite3.Connection) -> None:
        self._log = log
        self._tables = tables_of(log)
        self._merged = Merged()
        self._differing: list[Differing] = []
        self._held_back = 0

    def run(self, *, publish: bool) -> Merged:
        log = self._log
        log.execute("CREATE TEMP TABLE apart (name TEXT, id TEXT, PRIMARY KEY (name, id)) WITHOUT ROWID")
        for table in self._tables:
            if table.name != "trace":  # a trace comes and stays with its measurement
                self._take(table)
        if publish:
            log.execute(
                "INSERT INTO outbox (measurement_id, queued_at) SELECT f.id, ? FROM fresh_measurement f "
                "JOIN main.measurement m ON m.id = f.id ORDER BY m.seq",
                (utc_now(),),
            )
        return Merged(self._merged.added, self._merged.known, tuple(self._differing), self._held_back)

    def _take(self, table: Table) -> None:
        log, name = self._log, table.name
        both = int(self._one(f"SELECT count(*) FROM source.{name} s JOIN main.{name} m USING (id)"))  # noqa: S608
        differing = self._differences(table)
        self._differing += differing
        log.executemany("INSERT INTO apart VALUES (?, ?)", ((name, one.id) for one in differing))
        log.execute(f"CREATE TEMP TABLE fresh_{name} (id TEXT PRIMARY KEY) WITHOUT ROWID")
        log.execute(
            f"INSERT INTO fresh_{name} SELECT id FROM source.{name} "  # noqa: S608  (our names)
            f"WHERE id NOT IN (SELECT id FROM main.{name})"
        )
        self._hold_back(table)
        columns = ", ".join(table.names())
        log.execute(
            f"INSERT INTO main.{name} ({columns}) SELECT {columns} FROM source.{name} "  # noqa: S608  (our names)
            f"WHERE id IN fresh_{name} ORDER BY seq"
        )
        if name == "measurement":
            log.execute(
                "INSERT INTO main.trace (measurement_id, readings, data) "
                "SELECT t.measurement_id, t.readings, t.data FROM source.trace t "
                "JOIN source.measurement m ON m.id = t.measurement_id "
                "WHERE t.measurement_id IN fresh_measurement ORDER BY m.seq"
            )
        added = int(self._one(f"SELECT count(*) FROM fresh_{name}"))  # noqa: S608
        if added:
            self._merged.added[name] = added
        if both > len(differing):
            self._merged.known[name] = both - len(differing)

    def _hold_back(self, table: Table) -> None:
        """Leave out what belongs to a row that differs, and what corrects or follows what is left out."""
        refers = [column for column in table.columns if column.refers is not None]
        if not refers:
            return
        belongs = " OR ".join(
            f"({column.name}, '{column.refers}') IN (SELECT id, name FROM apart)"  # noqa: S608
            for column in refers
        )
        while True:
            found = self._log.execute(
                f"SELECT id FROM source.{table.name} WHERE id IN fresh_{table.name} AND ({belongs})"  # noqa: S608
            ).fetchall()
            if not found:
                return
            self._held_back += len(found)
            self._log.executemany(f"DELETE FROM fresh_{table.name} WHERE id = ?", found)  # noqa: S608
            self._log.executemany("INSERT INTO apart VALUES (?, ?)", ((table.name, row[0]) for row in found))

    def _differences(self, table: Table) -> list[Differing]:
        tests = [_test(column) for column in table.columns]
        rows = self._log.execute(
            f"SELECT s.id, {', '.join(tests)} FROM source.{table.name} s "  # noqa: S608  (our names)
            f"JOIN main.{table.name} m USING (id) WHERE {' OR '.join(tests)}"
        )
        found = {
            row[0]: [name for name, differs in zip(table.names(), row[1:], strict=True) if differs]
            for row in rows
        }
        if table.name == "measurement":
            for key in self._other_traces():
                found.setdefault(key, []).append("trace")
        return [Differing(table.name, key, tuple(columns)) for key, columns in found.items()]

    def _other_traces(self) -> list[str]:
        """Measurements whose traces differ; the same readings may have been packed by another zlib."""
        rows = self._log.execute(
            "SELECT measurement_id, s.data, m.data FROM source.trace s "
            "JOIN main.trace m USING (measurement_id) WHERE s.data IS NOT m.data"
        )
        return [key for key, theirs, ours in rows if not _same_readings(theirs, ours)]

    def _one(self, query: str) -> int:
        return int(self._log.execute(query).fetchone()[0])


def _test(column: Column) -> str:
    """SQL that is true where a column differs; of JSON, blanks do not count."""
    if column.kind in {"object", "array"}:
        return f"json(s.{column.name}) IS NOT json(m.{column.name})"
    return f"s.{column.name} IS NOT m.{column.name}"


def _same_readings(theirs: bytes, ours: bytes) -> bool:
    try:
        return encode_trace(decode_trace(theirs)) == encode_trace(decode_trace(ours))
    except (TraceDamaged, TraceTooNew):  # ours: the source is sound
        return False
