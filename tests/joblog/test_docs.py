"""The page about the log names what the log has."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from joblog import errors
from joblog.errors import LogFileError
from joblog.schema import STEPS
from joblog.store import Store

PAGE = (Path(__file__).parents[2] / "docs" / "the-log.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "table",
    [
        "measurement",
        "trace",
        "outbox",
        "gauge_check",
        "job",
        "job_entry",
        "stock_move",
        "review",
        "study",
        "study_value",
    ],
)
def test_every_column_is_described_under_its_table(tmp_path: Path, table: str) -> None:
    section = PAGE.partition(f"### `{table}`\n")[2].partition("\n##")[0]
    with Store.open(tmp_path / "log.sqlite") as store:
        columns = [row[1] for row in store._db.execute(f"PRAGMA table_info({table})")]
    assert columns
    assert [column for column in columns if f"`{column}`" not in section] == []


def test_every_error_of_the_file_is_in_the_table() -> None:
    kinds = [
        name for name, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, LogFileError)
    ]
    assert [name for name in kinds if name != "LogFileError" and f"`{name}`" not in PAGE] == []


def test_every_step_is_described() -> None:
    assert [step.name for step in STEPS if f"`{step.name}`" not in PAGE] == []
