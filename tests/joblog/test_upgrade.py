"""Logs of other versions: older ones are brought up to date with a copy put aside, newer ones are refused."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import pytest

from capture.traces import read_csv
from joblog import schema
from joblog.checks import list_checks
from joblog.errors import LogFailed, LogFull, LogTooNew
from joblog.export import export_log
from joblog.fetch import load_measurement
from joblog.jobs import load_job
from joblog.reader import list_measurements
from joblog.records import Measurement
from joblog.reviews import list_reviews
from joblog.schema import Step
from joblog.stock import counts
from joblog.store import Store
from joblog.studies import load_study
from joblog.upgrade import copy_log

Make = Callable[..., Measurement]

GOLDEN = Path(__file__).parents[2] / "fixtures" / "logs"

NEXT = Step("9999_notes", ("CREATE TABLE note (text TEXT) STRICT", "INSERT INTO note VALUES ('upgraded')"))
BROKEN = Step("9999_notes", ("CREATE TABLE note (text TEXT) STRICT", "INSERT INTO nowhere VALUES (1)"))


@pytest.fixture
def log(tmp_path: Path, make: Make) -> Path:
    path = tmp_path / "log.sqlite"
    with Store.open(path) as store:
        store.add(make())
    return path


def tables(path: Path) -> set[str]:
    with closing(sqlite3.connect(path)) as log:
        return {row[0] for row in log.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def backups(path: Path) -> list[Path]:
    return sorted(path.parent.glob(f"{path.name}.*backup*"))


@pytest.mark.parametrize(
    "version", [1, 2, 6]
)  # a later version adds its own golden log here, and keeps these
def test_a_golden_log_is_read_by_today_s_program(tmp_path: Path, version: int) -> None:
    path = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / f"version-{version}.db", path)
    expected = [json.loads(line) for line in (GOLDEN / f"version-{version}.jsonl").read_text().splitlines()]
    with Store.open(path) as store:
        assert (store.backup is None) == (version == len(schema.STEPS))
        assert [row.measurement_id for row in store.unsent()] == [expected[-1]["measurement_id"]]
    out = tmp_path / "out.jsonl"
    with out.open("w") as file:
        assert export_log(path, file) == len(expected)
    for line, was in zip(out.read_text().splitlines(), expected, strict=True):
        now = json.loads(line)
        assert {key: now[key] for key in was} == was  # later versions may add to it
        trace = load_measurement(path, was["measurement_id"]).trace
        if was["readings"]:
            assert trace == read_csv(GOLDEN / f"version-{version}.{was['measurement_id'][:8]}.csv")
        assert len(trace) == was["readings"]


def test_the_checks_of_a_golden_log_are_read(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-2.db", path)
    expected = [json.loads(line) for line in (GOLDEN / "version-2.checks.jsonl").read_text().splitlines()]
    for check, was in zip(list_checks(path), expected, strict=True):
        now = asdict(check)
        assert {key: now[key] for key in was} == was


def test_jobs_stock_reviews_and_studies_of_a_golden_log_are_read(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-6.db", path)
    Store.open(path).close()
    expected = [json.loads(line) for line in (GOLDEN / "version-6.rows.jsonl").read_text().splitlines()]
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        for was in expected:
            row = db.execute(f"SELECT * FROM {was.pop('table')} WHERE id = ?", (was["id"],)).fetchone()
            assert {name: row[name] for name in was} == was  # later versions may add to it
    job = load_job(path, "6666")
    assert (job.vehicle, job.registration, job.is_open) == ("Heron GT", "LG 1234", True)
    assert job.odometer is not None
    assert job.odometer.value == 83_500  # as it was put right
    assert [note.data["text"] for note in job.notes] == ["seal lips dry"]
    assert [step.kind for step in job.corners["LF"].steps] == ["measured"]
    assert counts(path, "Heron GT rear shim") == {2.95: 1}
    (review,) = list_reviews(path)
    assert (review.accepted, review.why, review.settings) == (True, "stroke 3 was short", {"without": [3]})
    assert review.analysis["end_play_mm"] == 0.1 + 0.2
    study = load_study(path, "7777")
    assert [value.value_mm for value in study.values] == [0.31, 1 / 3]
    assert study.plan.people == ("Ada",)
    measurement = load_measurement(path, "1111")
    assert (measurement.notes, measurement.origin) == (("the base slipped once",), "old trace.csv")


def test_a_log_from_before_the_checks_has_none(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-1.db", path)
    assert list_checks(path) == []
    measurement = load_measurement(path, "1111")
    assert (measurement.gauge_name, measurement.gauge_note) == (None, None)


def test_an_older_log_is_upgraded_after_a_copy(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = list_measurements(log)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
    with Store.open(log) as store:
        copy = store.backup
    assert copy is not None
    assert [copy] == backups(log)
    assert "note" in tables(log)
    assert list_measurements(log) == before
    assert "note" not in tables(copy)
    with Store.open(log) as store:
        assert store.backup is None  # done once
    monkeypatch.undo()
    assert list_measurements(copy) == before  # the older program reads the copy


def test_a_second_copy_does_not_replace_the_first(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(log, kept := log.with_name("kept.sqlite"))
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
    Store.open(log).close()
    first = backups(log)[0].read_bytes()
    shutil.copy(kept, log)
    Store.open(log).close()
    assert len(backups(log)) == 2
    assert backups(log)[0].read_bytes() == first


def test_reading_an_older_log_upgrades_it_too(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = list_measurements(log)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
    assert list_measurements(log) == before
    assert len(backups(log)) == 1
    assert load_measurement(log, before[0].id).id == before[0].id


def test_an_upgrade_that_fails_leaves_the_log_as_it_was(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = list_measurements(log)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, BROKEN))
    with pytest.raises(LogFailed, match="nowhere"):
        Store.open(log)
    monkeypatch.undo()
    assert "note" not in tables(log)
    assert list_measurements(log) == before


def test_no_upgrade_without_room_for_the_copy(
    tiny_disk: Path, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tiny_disk / "log.sqlite"
    with Store.open(path) as store:
        store.add(make())
    before = list_measurements(path)
    ballast = tiny_disk / "ballast"
    ballast.write_bytes(bytes(shutil.disk_usage(tiny_disk).free - 32 * 1024))
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
    with pytest.raises(LogFull):
        Store.open(path)
    assert "note" not in tables(path)
    assert backups(path) == []
    ballast.unlink()
    assert list_measurements(path) == before
    assert "note" in tables(path)
    assert len(backups(path)) == 1


def test_a_newer_log_is_refused_and_left_alone(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as newer:
        newer.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
        Store.open(log).close()
    before = log.read_bytes()
    for use in (Store.open, list_measurements):
        with pytest.raises(LogTooNew, match=r"9999_notes is unknown\): update shimwright") as caught:
            use(log)
        assert caught.value.unknown == ("9999_notes",)
        assert "\n" not in str(caught.value)
    assert log.read_bytes() == before


def test_two_that_upgrade_at_once_make_one_copy(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, NEXT))
    gate = threading.Barrier(4)
    failures: list[BaseException] = []

    def use() -> None:
        gate.wait()
        try:
            Store.open(log, busy_s=20).close()
        except BaseException as error:  # noqa: BLE001  (whatever it is, the test wants to see it)
            failures.append(error)

    threads = [threading.Thread(target=use) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(backups(log)) == 1
    with closing(sqlite3.connect(log)) as after:
        assert after.execute("SELECT count(*) FROM note").fetchone() == (1,)


def test_a_copy_of_a_log_in_use_is_whole_and_one_file(log: Path, tmp_path: Path, make: Make) -> None:
    target = tmp_path / "copies" / "monday.sqlite"
    target.parent.mkdir()
    target.write_bytes(b"last week's")
    with Store.open(log) as store:
        store.add(second := make())  # still only in the write-ahead log
        assert copy_log(log, target) == target
    assert [p.name for p in target.parent.iterdir()] == [target.name]
    assert list_measurements(target) == list_measurements(log)
    assert load_measurement(target, second.id) == second


def test_steps_are_numbered_and_in_order() -> None:
    names = [step.name for step in schema.STEPS]
    assert [int(name.partition("_")[0]) for name in names] == list(range(1, len(names) + 1))
