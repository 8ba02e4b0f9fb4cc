"""What goes into the log comes out of it, whole; what is in it stays."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from joblog.errors import AlreadyLogged, AmbiguousId, NoSuchMeasurement, RecordError, TraceDamaged
from joblog.reader import list_measurements
from joblog.records import Measurement
from joblog.store import Store

Make = Callable[..., Measurement]

REST = (
    "at, corner, stage, state, verdict, p_within, end_play_mm, u_mm, expanded_mm, hub_title, hub_text, unit, "
    "least_mm, most_mm, fitted_mm, shim, vehicle, job, link, profile, gauge, simulated, version, analysis"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "job log #1 50%?.sqlite"  # characters that mean something in a file URI


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as store:
        yield store


def count(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as log:
        return int(log.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_a_measurement_comes_back_whole(store: Store, make: Make) -> None:
    measurement = make()
    store.add(measurement)
    assert store.get(measurement.id) == measurement


def test_it_is_there_after_the_log_was_closed(path: Path, make: Make) -> None:
    measurement = make(vehicle=None, job=None)
    with Store.open(path) as store:
        store.add(measurement)
    with Store.open(path) as store:
        assert store.get(measurement.id) == measurement
        assert store.backup is None


def test_an_unfinished_measurement_with_no_reading_at_all(store: Store, make: Make) -> None:
    measurement = make(state="unfinished", verdict=None, analysis={}, trace=make().trace.cut(0, 0))
    store.add(measurement)
    assert store.get(measurement.id) == measurement


def test_the_connection_is_set_up_for_safety(store: Store) -> None:
    asked = {
        name: store._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "foreign_keys")
    }
    assert asked == {"journal_mode": "wal", "foreign_keys": 1}
    full = (
        2  # FULL syncs the write-ahead log at each commit: https://sqlite.org/pragma.html#pragma_synchronous
    )
    assert store._db.execute("PRAGMA synchronous").fetchone()[0] == full


def test_every_table_of_ours_is_strict(store: Store) -> None:
    strict = {name: bool(s) for _, name, _, _, _, s in store._db.execute("PRAGMA table_list")}
    assert [name for name in ("measurement", "trace", "outbox") if not strict[name]] == []


def test_an_id_may_be_cut_short_and_in_capitals(store: Store, make: Make) -> None:
    one, other = (
        make(id="aaaa1111-0000-4000-8000-000000000000"),
        make(id="aaaa2222-0000-4000-8000-000000000000"),
    )
    store.add(one)
    store.add(other)
    assert store.get("aaaa1") == one
    assert store.get(" AAAA2222-0000 ") == other
    with pytest.raises(AmbiguousId, match=r"aaaa1111-.*, aaaa2222-.*give more of the id") as caught:
        store.get("aaaa")
    assert caught.value.matches == (one.id, other.id)


@pytest.mark.parametrize(
    "wrong", ["", "  ", "b", "aaaa%", "_aaa", "aaaa1111-0000-4000-8000-0000000000001", "g"]
)
def test_an_id_that_is_not_there(store: Store, make: Make, wrong: str) -> None:
    store.add(make(id="aaaa1111-0000-4000-8000-000000000000"))
    with pytest.raises(NoSuchMeasurement, match="trace list"):
        store.get(wrong)


def test_an_id_is_used_once(store: Store, path: Path, make: Make) -> None:
    measurement = make()
    store.add(measurement)
    with pytest.raises(AlreadyLogged, match="stays as it is"):
        store.add(make(id=measurement.id, corner="RF"))
    assert store.get(measurement.id) == measurement
    assert count(path, "outbox") == 1


def test_what_the_tables_refuse_leaves_nothing_behind(store: Store, path: Path, make: Make) -> None:
    with pytest.raises(RecordError, match="NOT NULL"):
        store.add(make(link=None))
    assert [count(path, table) for table in ("measurement", "trace", "outbox")] == [0, 0, 0]
    store.add(make())  # and the log goes on
    assert [count(path, table) for table in ("measurement", "trace", "outbox")] == [1, 1, 1]


def test_a_failure_at_the_last_row_takes_the_first_ones_back(store: Store, path: Path, make: Make) -> None:
    store._db.execute("CREATE TRIGGER stop BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'stopped'); END")
    with pytest.raises(RecordError, match="stopped"):
        store.add(make())
    assert [count(path, table) for table in ("measurement", "trace", "outbox")] == [0, 0, 0]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE measurement SET verdict = 'within'",
        "DELETE FROM measurement",
        "INSERT OR REPLACE INTO measurement SELECT * FROM measurement",
        f"INSERT OR REPLACE INTO measurement (seq, id, {REST}) SELECT seq, 'other', {REST} FROM measurement",
        "UPDATE trace SET data = x'00'",
        "DELETE FROM trace",
        "REPLACE INTO trace SELECT measurement_id, 0, x'00' FROM trace",
        "UPDATE outbox SET measurement_id = 'x'",
        "UPDATE outbox SET queued_at = 'x'",
        "UPDATE outbox SET seq = 7",
        "DELETE FROM outbox",
        "UPDATE outbox SET sent_at = '2027' WHERE sent_at = '2026'",
    ],
)
def test_no_program_can_change_what_is_recorded(path: Path, store: Store, make: Make, sql: str) -> None:
    measurement = make()
    store.add(make())
    store._db.execute("UPDATE outbox SET sent_at = '2026'")
    store.add(measurement)
    with (
        closing(sqlite3.connect(path)) as other,
        pytest.raises(sqlite3.IntegrityError, match=r"never|only sent_at"),
    ):
        other.execute(sql)
    assert store.get(measurement.id) == measurement
    assert len(store.unsent()) == 1


def test_a_trace_belongs_to_a_measurement(store: Store) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        store._db.execute("INSERT INTO trace VALUES ('nobody', 0, x'00')")


def test_the_outbox_is_worked_off_in_order(store: Store, make: Make) -> None:
    measurements = [make() for _ in range(3)]
    for measurement in measurements:
        store.add(measurement)
    waiting = store.unsent()
    assert [row.measurement_id for row in waiting] == [m.id for m in measurements]
    store.mark_sent(waiting[1].seq)
    assert [row.measurement_id for row in store.unsent()] == [measurements[0].id, measurements[2].id]
    assert [row.measurement_id for row in store.unsent(1)] == [measurements[0].id]


def test_sent_twice_keeps_the_first_time(store: Store, make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    store.add(make())
    seq = store.unsent()[0].seq
    for now in ("2026-03-02T08:00:00.000Z", "2026-03-02T09:00:00.000Z"):
        monkeypatch.setattr("joblog.store.utc_now", lambda now=now: now)
        store.mark_sent(seq)
    assert store._db.execute("SELECT sent_at FROM outbox").fetchall() == [("2026-03-02T08:00:00.000Z",)]


def test_a_damaged_trace_is_told_and_the_rest_can_be_read(path: Path, make: Make) -> None:
    good, bad = make(), make()
    with Store.open(path) as store:
        store.add(good)
        store.add(bad)
    with closing(sqlite3.connect(path)) as rot:  # a bit turns over on the disk
        rot.execute("DROP TRIGGER trace_no_update")
        data = bytearray(
            rot.execute("SELECT data FROM trace WHERE measurement_id = ?", (bad.id,)).fetchone()[0]
        )
        data[len(data) // 2] ^= 4
        rot.execute("UPDATE trace SET data = ? WHERE measurement_id = ?", (bytes(data), bad.id))
        rot.commit()
    with Store.open(path) as store:
        assert store.get(good.id) == good
        with pytest.raises(TraceDamaged, match="checksum"):
            store.get(bad.id)
    assert len(list_measurements(path)) == 2


def test_a_log_belongs_to_the_thread_that_opened_it(store: Store, make: Make) -> None:
    caught: list[BaseException] = []

    def use() -> None:
        try:
            store.add(make())
        except sqlite3.ProgrammingError as error:
            caught.append(error)

    thread = threading.Thread(target=use)
    thread.start()
    thread.join()
    assert [type(error) for error in caught] == [sqlite3.ProgrammingError]
    assert store.unsent() == []


def test_a_closed_log_is_a_mistake_in_the_program(store: Store) -> None:
    store.close()
    store.close()
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        store.unsent()


def test_closing_leaves_one_file(path: Path, make: Make) -> None:
    with Store.open(path) as store:
        store.add(make())
    assert [p.name for p in path.parent.iterdir()] == [path.name]
