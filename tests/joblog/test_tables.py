"""The tables that are handed on are the log's own, and described whole."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from joblog.store import Store
from joblog.tables import ARRAYS, FLAGS, MEANINGS, OBJECTS, PORTABLE, tables_of


@pytest.fixture
def log(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    path = tmp_path / "log.sqlite"
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as log:
        yield log


def test_every_table_but_the_outbox_is_portable(log: sqlite3.Connection) -> None:
    found = {row[0] for row in log.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    ours = {name for name in found if not name.startswith(("sqlite_", "_sqlite_"))}
    assert ours - set(PORTABLE) == {"outbox"}


def test_what_a_row_refers_to_comes_before_it(log: sqlite3.Connection) -> None:
    for place, table in enumerate(tables_of(log)):
        for column in table.columns:
            assert column.refers is None or PORTABLE.index(column.refers) <= place


def test_json_and_flags_are_those_that_the_schema_checks(log: sqlite3.Connection) -> None:
    made = " ".join(
        row[0]
        for row in log.execute("SELECT sql FROM sqlite_master WHERE type = 'table' AND sql IS NOT NULL")
    )
    assert set(re.findall(r"json_valid\((\w+)\)", made)) == OBJECTS | ARRAYS
    assert set(re.findall(r"CHECK \((\w+) IN \(0, 1\)\)", made)) == FLAGS


def test_every_column_has_its_meaning_and_no_meaning_is_left_over(log: sqlite3.Connection) -> None:
    apart = {"data", "readings"}  # of a trace: the formats describe it themselves
    used = {name for table in tables_of(log) if table.name != "trace" for name in table.names()}
    assert used == set(MEANINGS)
    assert {
        name for table in tables_of(log) if table.name == "trace" for name in table.names()
    } - used <= apart
