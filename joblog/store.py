"""The log, open to write. A measurement is in it wholly and on the disk, or not at all."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from sqlite_utils import Database

from joblog.checks import GaugeCheck, check_row
from joblog.codec import encode_trace
from joblog.errors import AlreadyLogged, RecordError
from joblog.fetch import fetch
from joblog.reader import BUSY_S, full_id
from joblog.records import Measurement, to_row, utc_now
from joblog.schema import APPLICATION_ID, is_current, steps_taken
from joblog.trouble import check_place, speaking_of
from joblog.upgrade import upgrade

_RETRY_S = 0.01

Value = str | int | float | bytes | None
"""What a column holds."""


class Unsent(NamedTuple):
    """A measurement that was not published yet.

    Attributes:
        seq: Its place in the outbox.
        measurement_id: Which one.
        queued_at: When it was recorded, UTC.
    """

    seq: int
    measurement_id: str
    queued_at: str


class Store:
    """An open log. It belongs to the thread that opened it.

    Attributes:
        path: Where it stands.
        backup: The copy that was put aside because the log was of an older version; None if it was not.
    """

    def __init__(self, path: Path, db: Database, backup: Path | None) -> None:
        self.path = path
        self.backup = backup
        self._db = db

    @classmethod
    def open(cls, path: Path, *, busy_s: float = BUSY_S) -> Self:
        """Open a log to write, or make a new one; what cannot be written is told before anything is measured.

        Args:
            path: The file; its folder must exist.
            busy_s: How long to wait for another program that has it locked, seconds, 0 or more.

        Raises:
            LogFileError: One of its kinds if the log cannot be used; it is then as it was.
        """
        check_place(path, must_exist=False)
        with speaking_of(path):
            connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rwc", uri=True, timeout=busy_s)
            try:
                taken = steps_taken(
                    connection, path
                )  # before anything is set: it may be somebody else's file
                db = Database(connection, execute_plugins=False)
                _use_wal(connection, busy_s)
                db.execute("PRAGMA synchronous = FULL")
                db.execute("PRAGMA foreign_keys = ON")
                backup = None if is_current(taken) else upgrade(db, path)
                _try_to_write(connection)
            except BaseException:
                connection.close()
                raise
        return cls(path, db, backup)

    def add(self, measurement: Measurement, *rows: tuple[str, Mapping[str, Value]]) -> None:
        """Record a measurement, its trace and its place in the outbox, in one transaction.

        When this returns they are on the disk; if it raises, nothing of them is in the log.

        Args:
            measurement: The measurement.
            rows: What else is recorded with it, such as its entry on a job card, each with its table.

        Raises:
            AlreadyLogged: If its id is in the log.
            RecordError: If a part of it cannot be stored.
            LogFull: If there is no space.
            LogLocked: If another program holds the log.
            LogFileError: If it cannot be written for another reason.
        """
        row, blob = to_row(measurement), encode_trace(measurement.trace)
        with speaking_of(self.path):
            try:
                with self._db.atomic():
                    self._insert("measurement", row)
                    self._insert(
                        "trace",
                        {"measurement_id": measurement.id, "readings": len(measurement.trace), "data": blob},
                    )
                    self._insert("outbox", {"measurement_id": measurement.id, "queued_at": utc_now()})
                    for table, beside in rows:
                        self._insert(table, beside)
            except sqlite3.IntegrityError as error:
                if self._holds(measurement.id):
                    raise AlreadyLogged(measurement.id) from error
                raise RecordError("measurement", str(error)) from error

    def add_check(self, check: GaugeCheck) -> None:
        """Record a check of a gauge; when this returns it is on the disk.

        Raises:
            RecordError: If a part of it cannot be stored, or its id is in the log.
            LogFileError: If it cannot be written.
        """
        self.add_rows("gauge check", ("gauge_check", check_row(check)))

    def add_rows(self, what: str, *rows: tuple[str, Mapping[str, Value]]) -> None:
        """Record rows that belong together, in one transaction; when this returns they are on the disk.

        Args:
            what: What they are, for an error.
            rows: Each with its table, in an order in which they may refer to each other.

        Raises:
            RecordError: If one of them cannot be stored; then none is.
            LogFileError: If the log cannot be written.
        """
        with speaking_of(self.path):
            try:
                with self._db.atomic():
                    for table, row in rows:
                        self._insert(table, row)
            except sqlite3.IntegrityError as error:
                raise RecordError(what, str(error)) from error

    def get(self, measurement_id: str) -> Measurement:
        """One measurement, whole.

        Args:
            measurement_id: Its id, or enough of the beginning to tell it from others.

        Raises:
            NoSuchMeasurement: If there is none.
            AmbiguousId: If several ids begin like that.
            TraceDamaged: If its trace cannot be read back.
        """
        with speaking_of(self.path):
            return fetch(self._db.conn, full_id(self._db.conn, measurement_id))

    def unsent(self, most: int = 100) -> list[Unsent]:
        """What waits in the outbox, oldest first, at most so many."""
        query = "SELECT seq, measurement_id, queued_at FROM outbox WHERE sent_at IS NULL ORDER BY seq LIMIT ?"
        with speaking_of(self.path):
            return [Unsent(*row) for row in self._db.execute(query, (most,))]

    def mark_sent(self, seq: int) -> None:
        """Note that the broker acknowledged a message; noting it twice keeps the first time.

        Args:
            seq: Its place in the outbox.
        """
        with speaking_of(self.path), self._db.atomic():
            self._db.execute(
                "UPDATE outbox SET sent_at = ? WHERE seq = ? AND sent_at IS NULL", (utc_now(), seq)
            )

    def close(self) -> None:
        """Close the log; closing it again does nothing."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _holds(self, measurement_id: str) -> bool:
        query = "SELECT 1 FROM measurement WHERE id = ?"
        return self._db.execute(query, (measurement_id,)).fetchone() is not None

    def _insert(self, table: str, row: Mapping[str, Value]) -> None:
        query = f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})"  # noqa: S608  (our names)
        self._db.execute(query, tuple(row.values()))


def _try_to_write(connection: sqlite3.Connection) -> None:
    """Set the file's mark to what it is and take that back: fails now if the log cannot be written later."""
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("ROLLBACK")


def _use_wal(connection: sqlite3.Connection, busy_s: float) -> None:
    """Switch to write-ahead logging; a log remembers it.

    SQLite does not wait here for another program that is just doing the same, so we do.
    """
    end = time.monotonic() + busy_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(_RETRY_S)
        else:
            return
