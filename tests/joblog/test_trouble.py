"""Each way in which a log cannot be used has its own error, one line, and leaves the file as it was."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest

from calc.units import Unit
from capture.readings import Trace
from joblog.errors import (
    LogDamaged,
    LogFailed,
    LogFileError,
    LogFolderMissing,
    LogFull,
    LogIsFolder,
    LogLocked,
    LogMissing,
    LogNotPermitted,
    LogReadOnly,
    NotALog,
)
from joblog.fetch import load_measurement
from joblog.reader import list_measurements
from joblog.records import Measurement
from joblog.store import Store
from joblog.trouble import speaking_of

Make = Callable[..., Measurement]

NOBODY = 65534


@pytest.fixture
def log(tmp_path: Path, make: Make) -> Path:
    """A log with one measurement."""
    path = tmp_path / "log.sqlite"
    with Store.open(path) as store:
        store.add(make())
    return path


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user can reach, as pytest's own cannot be."""
    folder = Path(tempfile.mkdtemp(prefix="shimwright-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@contextmanager
def plain_user() -> Iterator[None]:
    """Root may write everything: become somebody else for a moment."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def big(make: Make) -> Measurement:
    """A measurement of about 800 kB: its times do not compress."""
    n = 80_000
    noise = np.random.default_rng(5).random(n)
    return make(trace=Trace(noise, (noise * 1e6).astype(np.int64), 6, Unit.MM))


def one_line(error: LogFileError, path: Path) -> None:
    text = str(error)
    assert "\n" not in text
    assert str(path) in text
    assert error.path == path
    assert ": " in text, "what to do comes after a colon"


def test_a_folder_in_place_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(LogIsFolder, match="name a file in it") as caught:
        Store.open(tmp_path)
    one_line(caught.value, tmp_path)
    with pytest.raises(LogIsFolder):
        list_measurements(tmp_path)


def test_no_folder_to_put_it_in(tmp_path: Path) -> None:
    path = tmp_path / "typo" / "log.sqlite"
    with pytest.raises(LogFolderMissing, match="does not exist: make it") as caught:
        Store.open(path)
    assert str(path.parent) in str(caught.value)
    assert not path.parent.exists()


def test_reading_a_log_that_is_not_there_does_not_make_one(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    for read in (list_measurements, lambda path: load_measurement(path, "a")):
        with pytest.raises(LogMissing, match="measure first") as caught:
            read(path)
        one_line(caught.value, path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "content", [b"time_s,reading_mm\n0.00,0.310\n" * 200, b"x", bytes(5000), b"SQLite format 3\0"]
)
def test_a_file_that_is_no_database(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(content)
    for use in (Store.open, list_measurements):
        with pytest.raises(NotALog, match="no SQLite file") as caught:
            use(path)
        one_line(caught.value, path)
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


def test_another_program_s_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE customers (name TEXT)")
    before = path.read_bytes()
    for use in (Store.open, list_measurements):
        with pytest.raises(NotALog, match="another program") as caught:
            use(path)
        one_line(caught.value, path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_an_empty_file_becomes_a_log(tmp_path: Path, make: Make) -> None:
    path = tmp_path / "log.sqlite"
    path.touch()
    with Store.open(path) as store:
        assert store.backup is None  # nothing to save
        store.add(make())
    assert len(list_measurements(path)) == 1


@pytest.mark.skipif(os.name != "posix", reason="file permissions are POSIX ones: run it on Linux")
class TestPermissions:
    def log(self, folder: Path, make: Make) -> Path:
        path = folder / "log.sqlite"
        with Store.open(path) as store:
            store.add(make())
        return path

    def test_a_read_only_file(self, open_folder: Path, make: Make) -> None:
        path = self.log(open_folder, make)
        path.chmod(0o444)
        open_folder.chmod(0o777)
        with plain_user():
            with pytest.raises(LogReadOnly, match="allow writing") as caught:
                Store.open(path)
            assert len(list_measurements(path)) == 1
        one_line(caught.value, path)

    def test_a_read_only_folder(self, open_folder: Path, make: Make) -> None:
        path = self.log(open_folder, make)
        path.chmod(0o666)
        open_folder.chmod(0o555)
        with plain_user():
            with pytest.raises(LogReadOnly, match="and to its folder"):
                Store.open(path)
            row = list_measurements(path)[0]
            assert load_measurement(path, row.id).id == row.id
        assert [p.name for p in open_folder.iterdir()] == [path.name]

    def test_a_read_only_folder_with_measurements_beside_the_file(
        self, open_folder: Path, make: Make
    ) -> None:
        # As after a crash: the newest is in the write-ahead log alone, and leaving it out would be a lie.
        (open_folder / "live").mkdir()
        with Store.open(open_folder / "live" / "log.sqlite") as store:
            store.add(make())
            for file in (open_folder / "live").glob("*.sqlite*"):
                if not file.name.endswith("-shm"):
                    shutil.copy(file, open_folder)
        path = open_folder / "log.sqlite"
        open_folder.chmod(0o555)
        with plain_user(), pytest.raises(LogReadOnly):
            list_measurements(path)
        open_folder.chmod(0o755)
        assert len(list_measurements(path)) == 1

    def test_a_new_log_in_a_read_only_folder(self, open_folder: Path) -> None:
        open_folder.chmod(0o555)
        with plain_user(), pytest.raises(LogReadOnly):
            Store.open(open_folder / "log.sqlite")

    def test_a_file_that_is_somebody_else_s(self, open_folder: Path, make: Make) -> None:
        path = self.log(open_folder, make)
        path.chmod(0o000)
        for use in (Store.open, list_measurements):
            with plain_user(), pytest.raises(LogNotPermitted, match="no permission") as caught:
                use(path)
            one_line(caught.value, path)

    def test_a_folder_that_is_somebody_else_s(self, open_folder: Path, make: Make) -> None:
        path = self.log(open_folder, make)
        open_folder.chmod(0o000)
        for use in (Store.open, list_measurements):
            with plain_user(), pytest.raises(LogNotPermitted):
                use(path)


def test_a_full_log_loses_nothing_and_goes_on_when_there_is_room(log: Path, make: Make) -> None:
    large = big(make)
    with Store.open(log) as store:
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages + 3}")
        with pytest.raises(LogFull, match="free some space") as caught:
            store.add(large)
        one_line(caught.value, log)
        assert len(list_measurements(log)) == 1
        assert len(store.unsent()) == 1
        store._db.execute("PRAGMA max_page_count = 1000000")
        store.add(large)
        assert store.get(large.id) == large


def test_a_full_disk_loses_nothing_and_goes_on_when_there_is_room(tiny_disk: Path, make: Make) -> None:
    path, ballast = tiny_disk / "log.sqlite", tiny_disk / "ballast"
    ballast.write_bytes(bytes(20_000))
    small, large = make(), big(make)
    with Store.open(path) as store:
        store.add(small)
        with pytest.raises(LogFull, match="free some space"):
            store.add(large)
        assert store.get(small.id) == small
        assert [row.id for row in list_measurements(path)] == [small.id]
        ballast.unlink()
        store.add(second := make())
    with Store.open(path) as store:
        assert [store.get(m.id) for m in (small, second)] == [small, second]


@pytest.mark.parametrize("free_kb", [0, 8, 20, 36])  # it fails at another file each time
def test_no_room_even_for_an_empty_log(tiny_disk: Path, free_kb: int) -> None:
    (tiny_disk / "ballast").write_bytes(bytes((768 - free_kb) * 1024))
    with pytest.raises(LogFull):
        Store.open(tiny_disk / "log.sqlite")


def test_a_full_disk_can_still_be_read(tiny_disk: Path, make: Make) -> None:
    path = tiny_disk / "log.sqlite"
    with Store.open(path) as store:
        store.add(measurement := make())
    (tiny_disk / "ballast").write_bytes(bytes(shutil.disk_usage(tiny_disk).free))
    assert [row.id for row in list_measurements(path)] == [measurement.id]
    assert load_measurement(path, measurement.id) == measurement


def test_a_log_that_another_program_holds(log: Path, make: Make) -> None:
    with Store.open(log, busy_s=0.05) as store, closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogLocked, match="close that program") as caught:
            store.add(make())
        one_line(caught.value, log)
        with pytest.raises(LogLocked):
            Store.open(log, busy_s=0.05)
        assert len(list_measurements(log)) == 1  # reading goes on
        other.execute("ROLLBACK")
        store.add(make())
    assert len(list_measurements(log)) == 2


def test_a_full_disk_with_measurements_beside_the_file(tiny_disk: Path, tmp_path: Path, make: Make) -> None:
    path = tiny_disk / "log.sqlite"
    with Store.open(tmp_path / "log.sqlite") as store:
        store.add(make())
        for file in (tmp_path / "log.sqlite", tmp_path / "log.sqlite-wal"):  # as a crash leaves them
            shutil.copy(file, tiny_disk)
    ballast = tiny_disk / "ballast"
    ballast.write_bytes(bytes(shutil.disk_usage(tiny_disk).free))
    with pytest.raises(LogFull):
        list_measurements(path)  # rather than leave the newest out
    ballast.unlink()
    assert len(list_measurements(path)) == 1


def test_making_a_log_waits_for_another_that_is_just_doing_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogLocked):
            Store.open(path, busy_s=0.03)
        monkeypatch.setattr("joblog.store.time.sleep", lambda _: other.execute("ROLLBACK"))
        with Store.open(path) as store:
            assert store.unsent() == []


def test_a_log_that_was_cut_off(log: Path, make: Make) -> None:
    with Store.open(log) as store:
        for _ in range(20):
            store.add(make())
    with log.open("r+b") as file:
        file.truncate(log.stat().st_size // 2)
    with pytest.raises(LogDamaged, match="put a backup copy in its place") as caught:
        list_measurements(log)
    one_line(caught.value, log)
    with pytest.raises(LogDamaged), Store.open(log) as store:
        store.add(make())


def test_an_impossible_path() -> None:
    path = Path("/" + "long" * 100)
    for use in (Store.open, list_measurements):
        with pytest.raises(LogFailed, match="too long") as caught:
            use(path)
        one_line(caught.value, path)


def test_an_error_of_the_disk_is_told_with_sqlite_s_word_for_it(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode, error.sqlite_errorname = sqlite3.SQLITE_IOERR_READ, "SQLITE_IOERR_READ"
    with (
        pytest.raises(LogFailed, match=r"disk I/O error, SQLITE_IOERR_READ\): check its disk") as caught,
        speaking_of(path),
    ):
        raise error
    one_line(caught.value, path)
