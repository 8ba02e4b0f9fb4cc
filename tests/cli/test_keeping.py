"""The log of a service: whatever becomes of it, no measurement is lost and none is there twice."""

from __future__ import annotations

import asyncio
import io
import json
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from calc.hub import parse_hub
from calc.units import Unit
from capture.end_play import analyse_trace
from capture.listening import Outcome, Setup
from capture.profiles import LINE
from capture.session import Ended
from capture.simulator import HubModel, simulate
from capture.traces import read_csv
from cli import keeping
from cli.journal import Journal
from cli.keeping import Keeper
from cli.serving import order_of
from joblog.errors import LogFull
from joblog.reader import list_measurements
from joblog.records import Measurement
from joblog.store import Store

HUB = parse_hub('title = "Heron GT"\nunit = "mm"\n[end_play]\nleast = 0.03\nmost = 0.20\n', "heron.toml")
TRACE = simulate(HubModel(end_play_mm=0.12), 3).trace
OUTCOME = Outcome(
    Setup("one", "serial:x", LINE, HUB, Unit.MM, "LR", 60.0),
    LINE,
    "LR",
    Ended(1.0, analyse_trace(TRACE), TRACE),
    False,
    True,
)


class Kept:
    """A keeper with what it said and kept."""

    def __init__(self, path: Path) -> None:
        self.out = io.StringIO()
        self.journal = Journal(self.out, as_json=True)
        self.measurements: list[Measurement] = []
        self.keeper = Keeper(path, self.journal, lambda o: order_of(o, path), self.measurements.append)

    def events(self) -> list[dict[str, Any]]:
        self.journal.close()
        return [json.loads(line) for line in self.out.getvalue().splitlines()]

    async def until(self, ready: Callable[[], bool]) -> None:
        async with asyncio.timeout(20):
            while not ready():  # noqa: ASYNC110 - what is waited for is not ours
                await asyncio.sleep(0.01)


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept(tmp_path / "log.sqlite")


@pytest.fixture
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr(keeping, "MOST_PAUSE_S", 0.1)


def test_settling_waits_for_what_was_given_and_no_longer_than_its_patience(kept: Kept) -> None:
    async def run() -> None:
        await kept.keeper.open()
        await kept.keeper.settle(5)  # nothing to wait for
        for _ in range(3):
            kept.keeper.keep(OUTCOME)
        await kept.keeper.settle(20)
        assert len(kept.measurements) == 3
        kept.keeper.keep(OUTCOME)
        await kept.keeper.settle(0)
        await kept.keeper.close(20)

    asyncio.run(run())
    assert len(kept.measurements) == 4


def test_all_that_was_given_before_the_end_is_in_the_log(kept: Kept) -> None:
    async def run() -> None:
        await kept.keeper.open()
        for _ in range(50):
            kept.keeper.keep(OUTCOME)
        await kept.keeper.close(20)
        await kept.keeper.close(20)  # a second time does nothing

    asyncio.run(run())
    rows = list_measurements(kept.keeper.path)
    assert len(rows) == kept.keeper.kept == 50
    assert [row.id for row in rows] == [measurement.id for measurement in kept.measurements]


@pytest.mark.usefixtures("_quick")
def test_tried_again_until_the_log_takes_it(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log refuses the first five writes, as it does when it is full; then there is room."""
    real, refused = Store.add, 0

    def add(store: Store, measurement: Measurement) -> None:
        nonlocal refused
        if refused < 5:
            refused += 1
            raise LogFull(store.path)
        real(store, measurement)

    monkeypatch.setattr(Store, "add", add)

    async def run() -> None:
        await kept.keeper.open()
        kept.keeper.keep(OUTCOME)
        kept.keeper.keep(OUTCOME)
        await kept.until(lambda: len(kept.measurements) == 2)
        await kept.keeper.close(5)

    asyncio.run(run())
    assert len(list_measurements(kept.keeper.path)) == 2
    assert len({measurement.id for measurement in kept.measurements}) == 2
    assert list(tmp_path.glob("*.csv")) == []
    events = [event["event"] for event in kept.events()]
    assert events == ["log-failed", "log-failed", "measured", "measured"]


@pytest.mark.usefixtures("_quick")
def test_a_log_that_says_no_but_had_taken_it(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    real, times = Store.add, 0

    def add(store: Store, measurement: Measurement) -> None:
        nonlocal times
        times += 1
        real(store, measurement)
        if times == 1:
            raise LogFull(store.path)

    monkeypatch.setattr(Store, "add", add)

    async def run() -> None:
        await kept.keeper.open()
        kept.keeper.keep(OUTCOME)
        await kept.until(lambda: len(kept.measurements) == 1)
        await kept.keeper.close(5)

    asyncio.run(run())
    assert len(list_measurements(kept.keeper.path)) == 1


def test_a_log_that_never_takes_it_leaves_the_trace_as_a_file(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def add(store: Store, measurement: Measurement) -> None:
        del measurement
        raise LogFull(store.path)

    monkeypatch.setattr(Store, "add", add)

    async def run() -> None:
        await kept.keeper.open()
        kept.keeper.keep(OUTCOME)
        await kept.keeper.close(5)

    asyncio.run(run())
    (file,) = tmp_path.glob("shimwright-LR-*.csv")
    assert read_csv(file) == TRACE
    said = kept.events()
    assert [event["event"] for event in said] == ["log-failed", "not-logged"]
    assert said[0]["file"] == str(file)
    assert "no space left for the log" in said[0]["text"]


def test_too_many_at_once_are_saved_as_files(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "MOST_QUEUED", 3)

    async def run() -> None:
        await kept.keeper.open()
        for _ in range(3):
            kept.keeper.keep(OUTCOME)
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(None, _keep_elsewhere, kept.keeper)
        await kept.keeper.close(20)

    def _keep_elsewhere(keeper: Keeper) -> None:
        # out of the loop's thread, where writing a file is no blocking call; the queue is full all the same
        monkeypatch.setattr(keeper._queue, "qsize", lambda: 3)
        keeper.keep(OUTCOME)
        monkeypatch.undo()

    asyncio.run(run())
    assert len(list_measurements(kept.keeper.path)) == 3
    assert len(list(tmp_path.glob("shimwright-LR-*.csv"))) == 1
    assert "log-overflow" in [event["event"] for event in kept.events()]


def test_a_fault_with_one_loses_no_other(kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, times = Store.add, 0

    def add(store: Store, measurement: Measurement) -> None:
        nonlocal times
        times += 1
        if times == 1:
            raise RuntimeError("a mistake")
        real(store, measurement)

    monkeypatch.setattr(Store, "add", add)

    async def run() -> None:
        await kept.keeper.open()
        kept.keeper.keep(OUTCOME)
        kept.keeper.keep(OUTCOME)
        await kept.keeper.close(20)

    asyncio.run(run())
    assert len(list_measurements(kept.keeper.path)) == 1
    assert len(list(tmp_path.glob("shimwright-LR-*.csv"))) == 1
    fault = kept.events()[0]
    assert fault["event"] == "fault"
    assert "a mistake" in fault["text"]


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with a quarter of a megabyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a tiny disk needs the right to mount one: run the tests as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.usefixtures("_quick")
def test_a_disk_that_is_full_until_somebody_makes_room(tiny_disk: Path) -> None:
    kept = Kept(tiny_disk / "log.sqlite")
    ballast = tiny_disk / "ballast"

    async def run() -> None:
        await kept.keeper.open()
        await asyncio.to_thread(_fill, tiny_disk, ballast)
        kept.keeper.keep(OUTCOME)
        await kept.until(lambda: bool(kept.keeper._waiting))
        assert kept.measurements == []
        await asyncio.to_thread(ballast.unlink)
        await kept.until(lambda: len(kept.measurements) == 1)
        await kept.keeper.close(5)

    asyncio.run(run())
    assert len(list_measurements(kept.keeper.path)) == 1
    events = kept.events()
    assert [event["event"] for event in events] == ["log-failed", "measured"]
    assert not Path(events[0]["file"]).exists()


def _fill(disk: Path, ballast: Path) -> None:
    ballast.write_bytes(bytes(shutil.disk_usage(disk).free))
