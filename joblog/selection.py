"""What leaves a log together: chosen measurements and all that belongs to them, as of one moment."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from joblog.errors import LogEmpty
from joblog.reader import connect_to_read
from joblog.schema import is_current, steps_taken
from joblog.tables import Table, tables_of
from joblog.trouble import check_place, speaking_of

Row = dict[str, Any]

_PLACE = "CASE instr({0}, '?') WHEN 0 THEN {0} ELSE substr({0}, 1, instr({0}, '?') - 1) END"

_FOLLOWS = {
    "job": """
        SELECT job_id FROM job_entry WHERE measurement_id IN chosen_measurement
        UNION SELECT id FROM job WHERE id IN (SELECT job FROM measurement WHERE id IN chosen_measurement)
        """,
    "trace": "SELECT id FROM chosen_measurement",
    # An entry about a measurement that stays behind stays with it, and so does what corrects that entry.
    "job_entry": """
        WITH RECURSIVE stays (id) AS (
            SELECT id FROM job_entry WHERE job_id IN chosen_job
            AND measurement_id IS NOT NULL AND measurement_id NOT IN chosen_measurement
            UNION SELECT e.id FROM job_entry e JOIN stays ON e.corrects = stays.id
        )
        SELECT id FROM job_entry WHERE job_id IN chosen_job AND id NOT IN stays
        """,
    "gauge_check": f"""
        SELECT c.id FROM gauge_check c JOIN (
            SELECT DISTINCT gauge_name, {_PLACE.format("link")} AS place, profile FROM measurement
            WHERE id IN chosen_measurement
        ) m ON CASE WHEN m.gauge_name IS NULL THEN c.place = m.place AND c.profile = m.profile
               ELSE c.gauge_name = m.gauge_name END
        GROUP BY c.id
        """,  # noqa: S608  (ours)
    "review": "SELECT id FROM review WHERE measurement_id IN chosen_measurement",
    "study": "SELECT DISTINCT study_id FROM study_value WHERE measurement_id IN chosen_measurement",
    "study_value": """
        WITH RECURSIVE stays (id) AS (
            SELECT id FROM study_value WHERE study_id IN chosen_study
            AND measurement_id IS NOT NULL AND measurement_id NOT IN chosen_measurement
            UNION SELECT v.id FROM study_value v JOIN stays ON v.corrects = stays.id
        )
        SELECT id FROM study_value WHERE study_id IN chosen_study AND id NOT IN stays
        """,
    "stock_move": "SELECT id FROM stock_move WHERE FALSE",  # the shims of a shop belong to no measurement
}
"""Keys of the rows that go along with the measurements in ``chosen_measurement``; one builds on another."""


class Selection:
    """Rows of a log that leave it together. It is valid while the log is open.

    Attributes:
        tables: All portable tables, also those of which no row is selected.
        whole: Whether it is all that the log holds.
    """

    def __init__(self, log: sqlite3.Connection, ids: Iterable[str] | None) -> None:
        self.tables = tables_of(log)
        self.whole = ids is None
        self._log = log
        if ids is not None:
            _choose(log, ids)

    def table(self, name: str) -> Table:
        """The table of this name."""
        return next(table for table in self.tables if table.name == name)

    def count(self, name: str) -> int:
        """How many rows of a table are selected."""
        return int(self._log.execute(f"SELECT count(*) FROM {self._from(name)}").fetchone()[0])  # noqa: S608

    def counts(self) -> dict[str, int]:
        """How many rows are selected, by the table's name; tables of which none is are left out."""
        counts = {table.name: self.count(table.name) for table in self.tables}
        return {name: count for name, count in counts.items() if count}

    def rows(self, name: str) -> Iterator[Row]:
        """The selected rows of a table, in the order of recording, as SQLite holds them."""
        table = self.table(name)
        columns = ", ".join(f"t.{column}" for column in table.names())
        query = f"SELECT {columns} FROM {self._from(name)} ORDER BY "  # noqa: S608  (our names)
        query += "(SELECT seq FROM measurement WHERE id = t.measurement_id)" if name == "trace" else "t.seq"
        for row in self._log.execute(query):
            yield dict(zip(table.names(), row, strict=True))

    def holds_text(self, name: str, column: str, text: str) -> bool:
        """Whether any selected row has exactly this text in a column."""
        where = "AND" if not self.whole else "WHERE"
        query = f"SELECT EXISTS (SELECT 1 FROM {self._from(name)} {where} t.{column} = ?)"  # noqa: S608
        return bool(self._log.execute(query, (text,)).fetchone()[0])

    def left_out(self) -> int:
        """How many entries of the jobs and values of the studies stay, with measurements not chosen."""
        if self.whole:
            return 0
        entries = "SELECT count(*) FROM job_entry WHERE job_id IN chosen_job"
        values = "SELECT count(*) FROM study_value WHERE study_id IN chosen_study"
        all_of_them = sum(int(self._log.execute(query).fetchone()[0]) for query in (entries, values))
        return all_of_them - self.count("job_entry") - self.count("study_value")

    def _from(self, name: str) -> str:
        if self.whole:
            return f"{name} t"
        return f"{name} t WHERE t.{self.table(name).key} IN chosen_{name}"


def _choose(log: sqlite3.Connection, ids: Iterable[str]) -> None:
    log.execute("CREATE TEMP TABLE chosen_measurement (id TEXT PRIMARY KEY) WITHOUT ROWID")
    log.executemany("INSERT OR IGNORE INTO chosen_measurement VALUES (?)", ((one,) for one in ids))
    for name, keys in _FOLLOWS.items():
        log.execute(f"CREATE TEMP TABLE chosen_{name} (id TEXT PRIMARY KEY) WITHOUT ROWID")
        log.execute(f"INSERT INTO chosen_{name} {keys}")


@contextmanager
def selected(path: Path, ids: Iterable[str] | None = None) -> Iterator[Selection]:
    """Select measurements by their ids with all that belongs to them, or everything.

    The log is read as it stands at this moment; others may go on writing.

    Args:
        path: The log; it is never changed. One of an older version is brought up to date in a copy.
        ids: Whole ids; None for all that the log holds.

    Raises:
        LogEmpty: If the log holds no tables yet.
        LogFileError: If it cannot be read.
    """
    with current_log(path) as log:
        yield Selection(log, ids)


@contextmanager
def current_log(path: Path) -> Iterator[sqlite3.Connection]:
    """A log to read from, as it stands at this moment and in today's schema, without changing it.

    Raises:
        LogEmpty: If the file holds no tables yet.
        LogFileError: If it cannot be read.
    """
    check_place(path, must_exist=True)
    with speaking_of(path), closing(connect_to_read(path)) as log:
        taken = steps_taken(log, path)
        if not taken:
            raise LogEmpty(path)
        if is_current(taken):
            log.isolation_level = None
            log.execute("BEGIN")
            yield log
            return
        with tempfile.TemporaryDirectory(prefix="shimwright-") as folder:
            copy = Path(folder) / "log.sqlite"
            upgraded_copy(log, copy)
            with closing(connect_to_read(copy)) as current:
                yield current


def count_measurements(path: Path) -> int:
    """How many measurements a log of any version holds; it is only read.

    Raises:
        LogFileError: If it cannot be read.
    """
    check_place(path, must_exist=True)
    with speaking_of(path), closing(connect_to_read(path)) as log:
        if not steps_taken(log, path):
            raise LogEmpty(path)
        return int(log.execute("SELECT count(*) FROM measurement").fetchone()[0])


def upgraded_copy(log: sqlite3.Connection, copy: Path) -> None:
    """Write a log into a new file and bring that up to today's schema.

    Args:
        log: Open to read.
        copy: Where the copy is to stand.

    Raises:
        sqlite3.Error: If it cannot be read or written.
        LogFileError: If the copy is no log.
    """
    from joblog.store import Store  # noqa: PLC0415  (it loads sqlite-utils, and is seldom needed)

    with closing(sqlite3.connect(copy)) as sink:
        log.backup(sink)
        sink.execute("PRAGMA journal_mode = DELETE")
    store = Store.open(copy)
    store.close()
    if store.backup is not None:
        store.backup.unlink()
