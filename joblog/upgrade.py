"""Bring a log up to today's schema: a copy is put aside, then all steps are taken in one transaction."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from joblog import schema


def upgrade(db: Database, path: Path) -> Path | None:
    """Take the steps that the log lacks, all or none.

    Two programs may do this at once: the second waits for the first and finds nothing left to do.

    Args:
        db: Open to write, in no transaction.
        path: Where it stands.

    Returns:
        The backup copy, if there was something to copy.

    Raises:
        sqlite3.Error: If it cannot be done; the log is then as it was.
    """
    copy = None
    db.execute("BEGIN IMMEDIATE")
    try:
        taken = schema.steps_taken(db.conn, path)  # once more, now that nobody else can change it
        if not schema.is_current(taken):
            if taken:
                copy = copy_log(path, _free_name(path, len(taken)))
            _migrations().apply(db)
            db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        db.commit()
    except BaseException:
        db.rollback()
        raise
    return copy


def copy_log(path: Path, target: Path) -> Path:
    """Copy a log as it is after its last finished transaction; others may go on using it.

    The copy has its final name only once it is whole and on the disk.

    Args:
        path: The log.
        target: The copy; a file of that name is replaced.

    Returns:
        ``target``.

    Raises:
        sqlite3.Error: If it cannot be read, or the copy not written.
    """
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with (
            closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(part)) as sink,
        ):
            source.backup(sink)
            sink.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    _sync_folder(target.parent)
    return target


def _migrations() -> Migrations:
    migrations = Migrations(schema.MIGRATION_SET)
    for step in schema.STEPS:

        def take(db: Database, statements: tuple[str, ...] = step.statements) -> None:
            for statement in statements:
                db.execute(statement)

        migrations(name=step.name)(take)
    return migrations


def _free_name(path: Path, steps: int) -> Path:
    """A name beside the log that no earlier copy has."""
    today = datetime.now(UTC).strftime("%Y%m%d")
    stem = f"{path.name}.schema-{steps}.{today}"
    number = 1
    while (name := path.with_name(f"{stem}.{number}.backup")).exists():
        number += 1
    return name


def _sync_folder(folder: Path) -> None:
    """Put the folder's list of names on the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
