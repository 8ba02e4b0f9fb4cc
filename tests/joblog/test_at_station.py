"""Which job card a station works on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from joblog.at_station import job_at, open_jobs, take_up
from joblog.jobs import EntryKind, JobEntry, add_entries, list_jobs, new_entry, open_job
from joblog.records import new_id
from joblog.store import Store

BAY, OTHER = "larkfield/bay-2", "larkfield/bay-1"
ROOT = Path(__file__).parents[2]
HUB_TEXT = (ROOT / "fixtures" / "hubs" / "heron-rear.toml").read_text(encoding="utf-8")


class Shop:
    """A log with jobs, each opened a minute after the one before."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.minute = 0

    def later(self, entry: JobEntry) -> JobEntry:
        self.minute += 1
        return replace(entry, at=f"2026-03-02T08:{self.minute:02d}:00.000Z")

    def open(self, vehicle: str, hub_text: str = HUB_TEXT) -> str:
        job = new_id()
        car = self.later(new_entry(job, EntryKind.CAR, None, {"vehicle": vehicle}))
        hub = {"hub_text": hub_text, "hub_path": "heron-rear.toml", "variant": "late"}
        with Store.open(self.path) as store:
            open_job(store, "1", [car, replace(new_entry(job, EntryKind.CORNER, "LR", hub), at=car.at)])
        return job

    def put(self, entry: JobEntry) -> None:
        with Store.open(self.path) as store:
            add_entries(store, [self.later(entry)])

    def take_up(self, job: str, station: str = BAY) -> None:
        found = next(one for one in list_jobs(self.path) if one.id == job)
        self.put(take_up(found, station))

    def at(self, station: str = BAY) -> str | None:
        job = open_jobs(self.path, station)[1]
        return None if job is None else job.vehicle


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path / "log.sqlite")


def test_the_job_that_was_opened_last_is_on_the_station(shop: Shop) -> None:
    with Store.open(shop.path):
        assert open_jobs(shop.path, BAY) == ([], None)
    shop.open("first")
    shop.open("second")
    jobs, _ = open_jobs(shop.path, BAY)
    assert ([job.vehicle for job in jobs], shop.at()) == (["first", "second"], "second")


def test_one_that_is_taken_up_is_there_until_another_is_opened_or_taken_up(shop: Shop) -> None:
    first, second = shop.open("first"), shop.open("second")
    shop.take_up(first)
    assert (shop.at(), shop.at(OTHER)) == ("first", "second"), "each station has its own"
    shop.put(new_entry(second, EntryKind.NOTE, None, {"text": "waits for parts"}))
    assert shop.at() == "first", "a note takes nothing up"
    shop.take_up(second)
    shop.take_up(first, OTHER)
    assert (shop.at(), shop.at(OTHER)) == ("second", "first")
    shop.open("third")
    assert shop.at() == "third"


def test_a_closed_job_leaves_the_station(shop: Shop) -> None:
    first, second = shop.open("first"), shop.open("second")
    shop.put(new_entry(second, EntryKind.CLOSED))
    assert shop.at() == "first"
    assert job_at(list_jobs(shop.path), BAY) == job_at(open_jobs(shop.path, BAY)[0], BAY)
    shop.put(new_entry(second, EntryKind.REOPENED))
    assert shop.at() == "second"
    shop.put(new_entry(second, EntryKind.CLOSED))
    shop.put(new_entry(first, EntryKind.CLOSED))
    assert shop.at() is None


def test_jobs_closed_long_ago_are_not_even_read(shop: Shop) -> None:
    """A shop's log has thousands of them, and the service asks after each measurement."""
    old = shop.open("old", hub_text="this is no hub file")
    shop.put(new_entry(old, EntryKind.CLOSED))
    shop.open("new")
    assert shop.at() == "new"
