"""The job cards of a running service, with the log on disk and the thread that owns it."""

from __future__ import annotations

import asyncio
import io
import sqlite3
import threading
from collections.abc import Awaitable, Callable
from contextlib import closing
from pathlib import Path

import pytest

from bus.errors import CommandRefused
from cli.job_desk import JobDesk
from cli.journal import Journal
from cli.keeping import Keeper
from joblog.at_station import take_up
from joblog.course import Place
from joblog.jobs import EntryKind, add_entries, load_job, new_entry, open_job, rows_beside
from joblog.records import new_id
from joblog.store import Store
from tests.cli.conftest import HERON_REAR
from tests.joblog.conftest import make_measurement

BAY = "larkfield/bay-2"


def opened(log: Path, vehicle: str, *corners: str, hub_text: str = HERON_REAR) -> str:
    job = new_id()
    entries = [new_entry(job, EntryKind.CAR, None, {"vehicle": vehicle, "registration": "LG 1"})]
    entries += [new_entry(job, EntryKind.CORNER, one, {"hub_text": hub_text}) for one in corners]
    with Store.open(log) as store:
        open_job(store, "1", entries)
    return job


def put(log: Path, job: str, kind: EntryKind, corner: str | None = None, **data: object) -> None:
    with Store.open(log) as store:
        add_entries(store, [new_entry(job, kind, corner, data)])


class Scene:
    """A desk at a log."""

    def __init__(self, log: Path) -> None:
        self.log = log
        self.changes = 0
        self.desk: JobDesk

    def _changed(self) -> None:
        self.changes += 1

    def play(self, scenario: Callable[[JobDesk], Awaitable[None]]) -> None:
        journal = Journal(io.StringIO(), as_json=True)

        async def all_of_it() -> None:
            keeper = Keeper(self.log, journal, lambda _: pytest.fail("nothing is kept"), lambda _: None)
            await keeper.open()
            try:
                self.desk = JobDesk(keeper, BAY, self._changed)
                await self.desk.refresh()
                await scenario(self.desk)
            finally:
                await keeper.close(1.0)

        asyncio.run(all_of_it())
        journal.close()


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path / "log.sqlite")


async def refused(asked: Awaitable[str]) -> str:
    with pytest.raises(CommandRefused) as error:
        await asked
    assert "\n" not in str(error.value)
    return str(error.value)


def test_without_a_job_it_is_as_if_there_were_no_cards(scene: Scene) -> None:
    async def scenario(desk: JobDesk) -> None:
        assert (desk.car(), desk.jobs(), desk.errand("LR").job) == (None, [], None)
        assert "no job card is open" in await refused(desk.note("worn", "LR", None))
        assert "no job" in await refused(desk.select("17", None))

    scene.play(scenario)


def test_the_card_says_car_corner_stage_shim_and_what_to_do(scene: Scene) -> None:
    job = opened(scene.log, "Heron GT", "LR", "RR")
    for kind in (EntryKind.TORN_DOWN, EntryKind.SKIPPED):
        put(scene.log, job, kind, "LR", step="parts", why="as new")
    put(scene.log, job, EntryKind.FITTED, "LR", thicknesses_mm=[3.2], trial=False)

    async def scenario(desk: JobDesk) -> None:
        car = desk.car()
        assert car is not None
        assert (car.job, car.vehicle, car.registration) == (job, "Heron GT", "LG 1")
        left, right = car.corners
        assert (left.corner, left.place, left.fitted_mm) == ("LR", Place.CHOOSE, 3.2)
        assert (left.least_mm, left.most_mm, left.unit) == (0.03, 0.2, "mm")
        assert (right.place, right.stage) == (Place.AS_FOUND, "as-found")
        assert right.todo[0].startswith("Now: measure as found; limits 0.03 mm to 0.20 mm")
        assert any("stands" in text for text in right.todo)
        assert (desk.errand("RR").job, desk.errand("RR").vehicle) == (job, "Heron GT")
        elsewhere = desk.errand("LF")
        assert (elsewhere.job, elsewhere.vehicle, elsewhere.stage) == (None, "Heron GT", "as-found")

    scene.play(scenario)


def test_it_looks_only_when_the_log_changed_and_says_so_only_when_the_cards_did(scene: Scene) -> None:
    job = opened(scene.log, "Heron GT", "LR")

    async def scenario(desk: JobDesk) -> None:
        assert scene.changes == 1
        before = desk.jobs()
        await desk.refresh()
        assert scene.changes == 1
        await asyncio.to_thread(put, scene.log, job, EntryKind.TORN_DOWN, "LR")
        await desk.refresh()
        assert scene.changes == 2
        car = desk.car()
        assert car is not None
        assert car.corners[0].todo[0].startswith("Next: look at the parts")
        assert desk.jobs() == before
        await asyncio.to_thread(lambda: Store.open(scene.log).close())
        await desk.refresh()
        assert scene.changes == 2

    scene.play(scenario)


def test_select_and_note_are_written_down(scene: Scene) -> None:
    first = opened(scene.log, "Heron GT, silver", "LR")
    second = opened(scene.log, "Heron GT, blue", "LR", "RR")

    async def scenario(desk: JobDesk) -> None:
        car = desk.car()
        assert car is not None
        assert car.job == second
        assert await desk.select(first[:8], "LR") == f"job {first[:8]}, Heron GT, silver"
        await desk.select(first[:8], None)
        car = desk.car()
        assert car is not None
        assert car.job == first
        assert await refused(desk.select(second, "LF")) == f"job {second[:8]} has not LF to do, but LR, RR"
        await desk.note("worn", "LR", None)
        await desk.note("noisy", "RR", None)  # this card has no right rear
        await desk.note("keys in the box", None, second[:8])
        await asyncio.to_thread(put, scene.log, second, EntryKind.CLOSED)
        assert "is closed: open it again" in await refused(desk.select(second, None))
        assert "is closed" in await refused(desk.note("late", None, second))

    scene.play(scenario)
    card = load_job(scene.log, first)
    assert [(note.corner, note.data["text"]) for note in card.notes] == [("LR", "worn"), (None, "RR: noisy")]
    taken = [entry.data for entry in card.entries if entry.kind is EntryKind.TAKEN_UP]
    assert taken == [{"station": BAY}], "once: it was there already the second time"
    assert [note.data["text"] for note in load_job(scene.log, second).notes] == ["keys in the box"]


def test_what_another_station_takes_up_is_not_taken_from_this_one(scene: Scene) -> None:
    first, second = opened(scene.log, "silver", "LR"), opened(scene.log, "blue", "LR")
    entry = take_up(load_job(scene.log, first), "larkfield/bay-1")
    with Store.open(scene.log) as store:
        add_entries(store, [entry])

    async def scenario(desk: JobDesk) -> None:
        assert desk.errand("LR").job == second

    scene.play(scenario)


def test_a_log_that_cannot_be_written_is_said_and_the_card_stays(scene: Scene) -> None:
    first = opened(scene.log, "silver", "LR")
    second = opened(scene.log, "blue", "LR")

    async def scenario(desk: JobDesk) -> None:
        begun, enough = asyncio.Event(), threading.Event()
        loop = asyncio.get_running_loop()

        def hold() -> None:
            with closing(sqlite3.connect(scene.log)) as log:
                log.execute("BEGIN IMMEDIATE")
                loop.call_soon_threadsafe(begun.set)
                enough.wait(20)

        holder = asyncio.create_task(asyncio.to_thread(hold))
        await begun.wait()
        said = await refused(desk.select(first, None))
        enough.set()
        await holder
        assert "log" in said
        assert desk.errand("LR").job == second

    scene.play(scenario)


def test_a_damaged_trace_takes_its_own_brief_away_and_no_more(scene: Scene) -> None:
    job = opened(scene.log, "Heron GT", "LR", "RR")
    with Store.open(scene.log) as store:
        for corner, name in (("LR", "0" * 8), ("RR", "1" * 8)):
            one = make_measurement(id=f"{name}-0000-4000-8000-000000000000", corner=corner, job=job)
            store.add(one, *rows_beside(scene.log, one))
    with closing(sqlite3.connect(scene.log)) as log:  # as a worn disk would, past what guards the rows
        for (trigger,) in log.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            log.execute(f"DROP TRIGGER {trigger}")
        log.execute("UPDATE trace SET data = x'00' WHERE measurement_id LIKE '0000%'")
        log.commit()

    async def scenario(desk: JobDesk) -> None:
        car = desk.car()
        assert car is not None
        assert [(one.corner, len(one.latest)) for one in car.corners] == [("LR", 0), ("RR", 1)]
        assert all(one.place is not Place.AS_FOUND for one in car.corners), "the course goes on all the same"

    scene.play(scenario)
