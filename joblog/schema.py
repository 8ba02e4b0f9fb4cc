"""The tables, as numbered steps: a log of any age becomes today's by taking the steps that it lacks.

A step that was released is never edited; a change is a new step. Nothing but SQL stands here, so that a
listing can look at a log without loading what makes one.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import NamedTuple

from joblog.errors import LogTooNew, NotALog

APPLICATION_ID = 0x5348494D
"""Written into the file's header: "SHIM". It tells a log from another program's SQLite file."""

MIGRATION_SET = "joblog"


class Step(NamedTuple):
    """One change of the schema.

    Attributes:
        name: Number and what it brings; the log remembers it by this name.
        statements: SQL, one statement each.
    """

    name: str
    statements: tuple[str, ...]


def _insert_only(table: str, key: str) -> tuple[str, ...]:
    """Triggers that refuse to change or remove a row, also by way of INSERT OR REPLACE."""
    refuse = f"BEGIN SELECT RAISE(ABORT, 'a row of {table} is never changed: write a new one'); END"
    same = f"EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key} OR rowid = NEW.rowid)"  # noqa: S608  (our names)
    return (
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {refuse}",
        f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}",
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN {same} {refuse}",
    )


STEPS: tuple[Step, ...] = (
    Step(
        "0001_measurements",
        (
            """
            CREATE TABLE measurement (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                at TEXT NOT NULL,
                corner TEXT NOT NULL,
                stage TEXT NOT NULL,
                state TEXT NOT NULL,
                verdict TEXT,
                p_within REAL,
                end_play_mm REAL,
                u_mm REAL,
                expanded_mm REAL,
                hub_title TEXT NOT NULL,
                hub_text TEXT NOT NULL,
                unit TEXT NOT NULL CHECK (unit IN ('mm', 'in')),
                least_mm REAL NOT NULL,
                most_mm REAL NOT NULL,
                fitted_mm REAL,
                shim TEXT CHECK (shim IS NULL OR json_valid(shim)),
                vehicle TEXT,
                job TEXT,
                link TEXT NOT NULL,
                profile TEXT NOT NULL,
                gauge TEXT NOT NULL CHECK (json_valid(gauge)),
                simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
                version TEXT NOT NULL,
                analysis TEXT NOT NULL CHECK (json_valid(analysis))
            ) STRICT
            """,
            "CREATE INDEX measurement_at ON measurement (at)",
            "CREATE INDEX measurement_vehicle ON measurement (vehicle) WHERE vehicle IS NOT NULL",
            "CREATE INDEX measurement_job ON measurement (job) WHERE job IS NOT NULL",
            """
            CREATE TABLE trace (
                measurement_id TEXT NOT NULL PRIMARY KEY REFERENCES measurement (id),
                readings INTEGER NOT NULL,
                data BLOB NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE outbox (
                seq INTEGER PRIMARY KEY AUTOINCREMENT,
                measurement_id TEXT NOT NULL REFERENCES measurement (id),
                queued_at TEXT NOT NULL,
                sent_at TEXT
            ) STRICT
            """,
            "CREATE INDEX outbox_unsent ON outbox (seq) WHERE sent_at IS NULL",
            "CREATE INDEX outbox_measurement ON outbox (measurement_id)",
            *_insert_only("measurement", "id"),
            *_insert_only("trace", "measurement_id"),
            """
            CREATE TRIGGER outbox_no_update BEFORE UPDATE ON outbox
            WHEN OLD.sent_at IS NOT NULL OR NEW.seq IS NOT OLD.seq OR NEW.queued_at IS NOT OLD.queued_at
                OR NEW.measurement_id IS NOT OLD.measurement_id
            BEGIN SELECT RAISE(ABORT, 'of a row of outbox only sent_at is set, once'); END
            """,
            """
            CREATE TRIGGER outbox_no_delete BEFORE DELETE ON outbox
            BEGIN SELECT RAISE(ABORT, 'a row of outbox is never removed'); END
            """,
        ),
    ),
    Step(
        "0002_gauge_checks",
        (
            """
            CREATE TABLE gauge_check (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                at TEXT NOT NULL,
                place TEXT NOT NULL,
                link TEXT NOT NULL,
                profile TEXT NOT NULL,
                gauge_name TEXT,
                unit TEXT NOT NULL CHECK (unit IN ('mm', 'in')),
                block_mm REAL NOT NULL,
                block_u_mm REAL,
                repeats INTEGER NOT NULL,
                error_mm REAL NOT NULL,
                u_mm REAL NOT NULL,
                expanded_mm REAL NOT NULL,
                repeatability_mm REAL NOT NULL,
                permissible_error_mm REAL,
                outcome TEXT CHECK (outcome IN ('pass', 'fail', 'undecided')),
                p_within REAL,
                simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
                version TEXT NOT NULL,
                found TEXT NOT NULL CHECK (json_valid(found))
            ) STRICT
            """,
            "CREATE INDEX gauge_check_place ON gauge_check (place, profile)",
            "CREATE INDEX gauge_check_name ON gauge_check (gauge_name) WHERE gauge_name IS NOT NULL",
            *_insert_only("gauge_check", "id"),
            "ALTER TABLE measurement ADD COLUMN gauge_name TEXT",
            "ALTER TABLE measurement ADD COLUMN gauge_note TEXT",
        ),
    ),
    Step(
        "0003_jobs",
        (
            """
            CREATE TABLE job (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                opened_at TEXT NOT NULL,
                version TEXT NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE job_entry (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                job_id TEXT NOT NULL REFERENCES job (id),
                at TEXT NOT NULL,
                who TEXT,
                kind TEXT NOT NULL,
                corner TEXT CHECK (corner IN ('LF', 'RF', 'LR', 'RR')),
                data TEXT NOT NULL CHECK (json_valid(data)),
                measurement_id TEXT REFERENCES measurement (id),
                corrects TEXT REFERENCES job_entry (id)
            ) STRICT
            """,
            "CREATE INDEX job_entry_job ON job_entry (job_id)",
            """
            CREATE INDEX job_entry_measurement ON job_entry (measurement_id)
            WHERE measurement_id IS NOT NULL
            """,
            *_insert_only("job", "id"),
            *_insert_only("job_entry", "id"),
            "ALTER TABLE measurement ADD COLUMN notes TEXT CHECK (notes IS NULL OR json_valid(notes))",
            "ALTER TABLE measurement ADD COLUMN origin TEXT",
        ),
    ),
    Step(
        "0004_stock",
        (
            """
            CREATE TABLE stock_move (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                at TEXT NOT NULL,
                who TEXT,
                bin TEXT NOT NULL,
                thickness_nm INTEGER NOT NULL CHECK (thickness_nm > 0),
                change INTEGER NOT NULL,
                why TEXT NOT NULL,
                counted INTEGER CHECK (counted IS NULL OR counted >= 0),
                note TEXT,
                job_entry_id TEXT REFERENCES job_entry (id)
            ) STRICT
            """,
            "CREATE INDEX stock_move_bin ON stock_move (bin, thickness_nm)",
            *_insert_only("stock_move", "id"),
        ),
    ),
    Step(
        "0005_reviews",
        (
            """
            CREATE TABLE review (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                measurement_id TEXT NOT NULL REFERENCES measurement (id),
                at TEXT NOT NULL,
                who TEXT,
                version TEXT NOT NULL,
                settings TEXT NOT NULL CHECK (json_valid(settings)),
                verdict TEXT,
                p_within REAL,
                end_play_mm REAL,
                u_mm REAL,
                expanded_mm REAL,
                analysis TEXT NOT NULL CHECK (json_valid(analysis)),
                accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
                why TEXT
            ) STRICT
            """,
            "CREATE INDEX review_measurement ON review (measurement_id)",
            *_insert_only("review", "id"),
            # all that a listing can be asked for, so that a search reads no whole rows
            """
            CREATE INDEX measurement_listing ON measurement
            (seq, at, corner, stage, state, verdict, vehicle, job, gauge_name, link)
            """,
        ),
    ),
    Step(
        "0006_studies",
        (
            """
            CREATE TABLE study (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                at TEXT NOT NULL,
                title TEXT NOT NULL,
                plan TEXT NOT NULL CHECK (json_valid(plan)),
                version TEXT NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE study_value (
                seq INTEGER PRIMARY KEY,
                id TEXT NOT NULL UNIQUE,
                study_id TEXT NOT NULL REFERENCES study (id),
                at TEXT NOT NULL,
                person TEXT NOT NULL,
                part TEXT NOT NULL,
                repeat INTEGER NOT NULL CHECK (repeat > 0),
                value_mm REAL NOT NULL,
                measurement_id TEXT REFERENCES measurement (id),
                corrects TEXT REFERENCES study_value (id)
            ) STRICT
            """,
            "CREATE INDEX study_value_study ON study_value (study_id)",
            *_insert_only("study", "id"),
            *_insert_only("study_value", "id"),
        ),
    ),
)


def steps_taken(connection: sqlite3.Connection, path: Path) -> tuple[str, ...]:
    """Which steps this log has; none for a file that is still empty. Only reads.

    Raises:
        NotALog: If the file holds another program's tables.
        LogTooNew: If it has steps that are not known here.
        sqlite3.Error: If it cannot be read.
    """
    if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return ()
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise NotALog(path, "an SQLite file of another program")
    rows = connection.execute(
        "SELECT name FROM _sqlite_migrations WHERE migration_set = ? ORDER BY id", (MIGRATION_SET,)
    )
    taken = tuple(name for (name,) in rows)
    known = {step.name for step in STEPS}
    if unknown := tuple(name for name in taken if name not in known):
        raise LogTooNew(path, unknown)
    return taken


def is_current(taken: tuple[str, ...]) -> bool:
    """Whether a log with these steps needs no more."""
    return len(taken) == len(STEPS)
