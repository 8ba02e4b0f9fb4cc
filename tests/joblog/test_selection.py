"""What belongs to a measurement goes along, and nothing else does."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from joblog.errors import LogEmpty, LogMissing
from joblog.records import Measurement
from joblog.selection import current_log, selected
from joblog.store import Store

GOLDEN = Path(__file__).parents[2] / "fixtures" / "logs"
Make = Callable[..., Measurement]


def ids_in(log: Path) -> list[str]:
    with closing(sqlite3.connect(log)) as opened:
        return [row[0] for row in opened.execute("SELECT id FROM measurement ORDER BY seq")]


def rows(log: Path, ids: list[str] | None, table: str) -> list[dict[str, Any]]:
    with selected(log, ids) as selection:
        found = list(selection.rows(table))
        assert selection.count(table) == len(found)
        return found


def test_everything_without_a_choice(full_log: Path) -> None:
    with selected(full_log) as selection:
        assert selection.whole
        assert selection.left_out() == 0
        assert set(selection.counts()) == {table.name for table in selection.tables}


def test_all_chosen_is_everything_but_the_shop_s_stock_and_other_gauges(full_log: Path) -> None:
    with selected(full_log) as whole:
        everything = whole.counts()
    with selected(full_log, ids_in(full_log)) as selection:
        expected = everything | {"gauge_check": 1}
        del expected["stock_move"]
        assert selection.counts() == expected
        assert selection.left_out() == 0


def test_one_takes_its_job_without_what_is_about_others(full_log: Path) -> None:
    first, second, *_ = ids_in(full_log)
    entries = rows(full_log, [first], "job_entry")
    assert [entry["measurement_id"] for entry in entries] == [None, first, None]
    assert [entry["kind"] for entry in entries] == ["opened", "measured", "measured"]
    assert len({entry["job_id"] for entry in entries}) == len(rows(full_log, [first], "job")) == 1
    assert second not in str(entries)
    with selected(full_log, [first]) as selection:
        # An entry and its correction; a value and its correction, about the second.
        assert selection.left_out() == 4
        assert selection.count("review") == 1


def test_a_study_goes_along_with_its_values(full_log: Path) -> None:
    first, _, third, _ = ids_in(full_log)
    assert [value["measurement_id"] for value in rows(full_log, [first], "study_value")] == [
        first,
        None,
        None,
        None,
    ]
    assert rows(full_log, [third], "study") == []


def test_every_row_refers_to_a_row_that_goes_along(full_log: Path) -> None:
    for chosen in ([one] for one in ids_in(full_log)):
        with selected(full_log, chosen) as selection:
            keys = {
                table.name: {row[table.key] for row in selection.rows(table.name)}
                for table in selection.tables
            }
            for table in selection.tables:
                for column in table.columns:
                    if column.refers is not None:
                        found = {row[column.name] for row in selection.rows(table.name)} - {None}
                        assert found <= keys[column.refers]


def test_checks_are_those_of_the_gauge(full_log: Path, make: Make) -> None:
    by_place = make(link="simulated:?end_play=1mm")
    other = make(link="serial:/dev/ttyUSB0", gauge_name=None)
    with Store.open(full_log) as store:
        store.add(by_place)
        store.add(other)
    assert [one["gauge_name"] for one in rows(full_log, ids_in(full_log)[:1], "gauge_check")] == ["A-7"]
    # Without a name it is the gauge at that place, whatever name it had when it was checked.
    assert [one["gauge_name"] for one in rows(full_log, [by_place.id], "gauge_check")] == ["A-7", None]
    assert rows(full_log, [other.id], "gauge_check") == []


def test_a_job_without_entries_goes_along_with_its_measurements(full_log: Path, make: Make) -> None:
    with closing(sqlite3.connect(full_log)) as log, log:
        log.execute("INSERT INTO job (id, opened_at, version) VALUES ('a-job', '2026', '1')")
    one = make(job="a-job")
    with Store.open(full_log) as store:
        store.add(one)
    assert [job["id"] for job in rows(full_log, [one.id], "job")] == ["a-job"]


def test_an_id_that_is_not_there_selects_nothing(full_log: Path) -> None:
    with selected(full_log, ["nothing"]) as selection:
        assert selection.counts() == {}


def test_it_is_the_log_of_one_moment(full_log: Path, make: Make) -> None:
    with selected(full_log) as selection:
        before = selection.count("measurement")
        with Store.open(full_log) as store:
            store.add(make())
        assert selection.count("measurement") == len(list(selection.rows("trace"))) == before


def test_an_older_log_is_read_in_a_copy(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-1.db", log)
    was = log.read_bytes()
    with current_log(log) as current:
        assert current.execute("SELECT count(*) FROM job").fetchone() == (0,)
    assert log.read_bytes() == was
    assert not list(tmp_path.glob("*.backup"))


def test_no_log_and_an_empty_one(tmp_path: Path) -> None:
    with pytest.raises(LogMissing), selected(tmp_path / "none.sqlite"):
        pass
    (tmp_path / "empty.sqlite").touch()
    with pytest.raises(LogEmpty), selected(tmp_path / "empty.sqlite"):
        pass
