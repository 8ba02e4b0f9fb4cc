"""The stock on a real log: what is on hand is the sum of what came and went."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from joblog.errors import LogMissing, RecordError
from joblog.stock import (
    StockShort,
    Why,
    bins,
    count_row,
    counts,
    fit_row,
    history,
    on_hand_mm,
    receive_row,
    return_row,
    scrap_row,
    short_after,
)
from joblog.store import Store

BIN = "Heron GT rear"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.sqlite"
    with Store.open(path) as store:
        store.add_rows("stock", receive_row(BIN, 2.95, 3, who="Ada"), receive_row(BIN, 3.0, 1))
    return path


def test_what_is_on_hand_is_the_sum_of_what_came_and_went(log: Path) -> None:
    with Store.open(log) as store:
        store.add_rows(
            "stock", fit_row(BIN, 2.95), return_row(BIN, 3.2), scrap_row(BIN, 3.0, 1, 1, note="bent")
        )
    assert counts(log, BIN) == {2.95: 2, 3.0: 0, 3.2: 1}
    assert on_hand_mm(counts(log, BIN)) == frozenset({2.95, 3.2})
    moves = history(log, BIN)
    assert [move.why for move in moves] == [
        Why.RECEIVED,
        Why.RECEIVED,
        Why.FITTED,
        Why.RETURNED,
        Why.SCRAPPED,
    ]
    assert [move.change for move in moves] == [3, 1, -1, 1, -1]
    assert (moves[0].who, moves[-1].note) == ("Ada", "bent")


def test_a_count_writes_the_difference(log: Path) -> None:
    with Store.open(log) as store:
        store.add_rows("stock", count_row(BIN, 2.95, 1, counts(log, BIN)[2.95]), count_row(BIN, 3.1, 0, 0))
    assert counts(log, BIN) == {2.95: 1, 3.0: 1, 3.1: 0}
    last = history(log, BIN, 2.95)[-1]
    assert (last.change, last.counted, last.why) == (-2, 1, Why.COUNTED)


def test_sizes_are_equal_to_the_nanometre_however_they_were_worked_out(log: Path) -> None:
    with Store.open(log) as store:
        store.add_rows("stock", fit_row(BIN, 2.85 + 0.1))  # 2.9500000000000002
    assert counts(log, BIN)[2.95] == 2


def test_bins_are_kept_apart_and_no_stock_is_no_count(log: Path) -> None:
    with Store.open(log) as store:
        store.add_rows("stock", count_row("other", 2.95, 0, 0))
    assert bins(log) == [BIN, "other"]
    assert counts(log, "other") == {2.95: 0}  # kept, and out of it
    assert on_hand_mm(counts(log, "other")) == frozenset()
    assert counts(log, "unknown") == {}
    assert on_hand_mm(counts(log, "unknown")) is None


def test_more_is_not_thrown_away_than_the_book_has() -> None:
    with pytest.raises(StockShort, match="the book says 1; count them first"):
        scrap_row(BIN, 3.0, 2, 1, note="bent")


def test_a_shim_that_was_fitted_was_there_whatever_the_book_says(log: Path) -> None:
    book = counts(log, BIN)
    assert short_after(book, 3.0) == []
    assert short_after(book, 3.0, 3.0, 3.3) == [3.0, 3.3]
    assert short_after({}, 3.0) == []
    with Store.open(log) as store:
        store.add_rows("stock", fit_row(BIN, 3.0), fit_row(BIN, 3.0))
    assert counts(log, BIN)[3.0] == -1
    assert 3.0 not in (on_hand_mm(counts(log, BIN)) or ())


def test_a_move_is_never_changed(log: Path) -> None:
    raw = sqlite3.connect(log)
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        raw.execute("UPDATE stock_move SET change = 5")
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        raw.execute("DELETE FROM stock_move")
    raw.close()


def test_a_move_of_a_job_that_is_not_there_is_refused_and_nothing_of_it_kept(log: Path) -> None:
    with Store.open(log) as store, pytest.raises(RecordError):
        store.add_rows("stock", receive_row(BIN, 2.9, 1), fit_row(BIN, 2.95, job_entry_id="none"))
    assert counts(log, BIN) == {2.95: 3, 3.0: 1}


def test_no_log_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(LogMissing):
        counts(tmp_path / "none.sqlite", BIN)
