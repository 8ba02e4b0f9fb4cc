"""Job cards in a real log: entries in order, corrections in place, and what the log refuses."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from joblog.errors import RecordError
from joblog.jobs import (
    AmbiguousJob,
    EntryKind,
    JobEntry,
    NoSuchJob,
    Place,
    add_entries,
    list_jobs,
    load_job,
    new_entry,
    open_job,
)
from joblog.store import Store

HUB = (Path(__file__).parents[2] / "fixtures" / "hubs" / "heron-rear-inch.toml").read_text(encoding="utf-8")
JOB = "0f9e8d7c-0000-4000-8000-000000000001"
CAR = {"vehicle": "Heron GT", "registration": "LG 12", "odometer": 82500.0, "odometer_unit": "km"}


def entry(kind: EntryKind, data: dict[str, Any] | None = None, corrects: str | None = None) -> JobEntry:
    return new_entry(JOB, kind, None if kind in {"note", "car"} else "LR", data, "Ann", corrects=corrects)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.sqlite"
    with Store.open(path) as store:
        corner = {"hub_title": "Heron GT", "hub_text": HUB, "hub_path": "heron.toml", "variant": None}
        open_job(store, "1.0", [entry(EntryKind.CAR, CAR), entry(EntryKind.CORNER, corner)])
    return path


def put(log: Path, *entries: JobEntry) -> None:
    with Store.open(log) as store:
        add_entries(store, entries)


def test_a_job_comes_back_as_it_was_opened(log: Path) -> None:
    job = load_job(log, "0F9e")
    assert (job.id, job.vehicle, job.registration, job.mechanic) == (JOB, "Heron GT", "LG 12", "Ann")
    assert job.odometer is not None
    assert (job.odometer.value, job.odometer.unit) == (82500.0, "km")
    card = job.corners["LR"]
    assert (card.place, card.hub_file_text, card.fitted_mm) == (Place.AS_FOUND, HUB, None)
    assert job.is_open
    assert not job.done


def test_ids_that_fit_none_or_several(log: Path) -> None:
    with pytest.raises(NoSuchJob, match="job list"):
        load_job(log, "1234")
    with Store.open(log) as store:
        other = new_entry("0f9e8d7c-0000-4000-8000-000000000002", EntryKind.CAR, None, CAR)
        open_job(store, "1.0", [other])
    with pytest.raises(AmbiguousJob, match="more of the id"):
        load_job(log, "0f9e")


def test_a_correction_stands_in_place_of_what_it_corrects(log: Path) -> None:
    skipped = entry(EntryKind.SKIPPED, {"step": "measure", "why": "apart on arrival"})
    fitted = entry(EntryKind.FITTED, {"thicknesses_mm": [3.02], "trial": False})
    parts = entry(EntryKind.SKIPPED, {"step": "parts", "why": "new last week"})
    chosen = entry(EntryKind.CHOSEN, {"thicknesses_mm": [2.9], "why": "by hand"})
    put(log, skipped, entry(EntryKind.TORN_DOWN), parts, fitted, chosen)
    assert load_job(log, JOB).corners["LR"].place is Place.REASSEMBLE
    once = entry(EntryKind.FITTED, {"thicknesses_mm": [3.2], "trial": False}, fitted.id)
    twice = entry(EntryKind.FITTED, {"thicknesses_mm": [3.15, 0.05], "trial": False}, once.id)
    put(log, once, twice)
    job = load_job(log, JOB)
    card = job.corners["LR"]
    assert [step.id for step in card.steps if step.kind == "fitted"] == [twice.id]
    assert {fitted.id, once.id, twice.id} <= {one.id for one in job.entries}
    assert card.fitted_mm == pytest.approx(3.2)
    assert card.place is Place.CHOOSE  # the choice rested on the wrong figure
    assert "after the shim had been chosen" in str(card.standing.again)
    put(log, entry(EntryKind.CHOSEN, {"thicknesses_mm": [2.95], "why": "by hand"}))
    card = load_job(log, JOB).corners["LR"]
    assert (card.place, card.standing.again) == (Place.REASSEMBLE, None)
    assert card.chosen is not None
    assert card.chosen.thickness_mm == 2.95


def test_a_correction_from_before_the_last_reassembly_leaves_the_choice(log: Path) -> None:
    fitted = entry(EntryKind.FITTED, {"thicknesses_mm": [3.02], "trial": False})
    put(
        log,
        entry(EntryKind.SKIPPED, {"step": "measure", "why": "apart on arrival"}),
        entry(EntryKind.TORN_DOWN),
        entry(EntryKind.SKIPPED, {"step": "parts", "why": "new last week"}),
        fitted,
        entry(EntryKind.CHOSEN, {"thicknesses_mm": [2.9], "why": "by hand"}),
        entry(EntryKind.REASSEMBLED, {"thicknesses_mm": [2.9], "torque_nm": 135.0, "torque_text": "135 N·m"}),
        entry(EntryKind.TORN_DOWN),
        entry(EntryKind.CHOSEN, {"thicknesses_mm": [2.95], "why": "by hand"}),
        entry(EntryKind.FITTED, {"thicknesses_mm": [3.2], "trial": False}, fitted.id),
    )
    card = load_job(log, JOB).corners["LR"]
    assert (card.place, card.standing.again, card.fitted_mm) == (Place.REASSEMBLE, None, 2.9)


def test_open_closed_and_by_vehicle(log: Path) -> None:
    assert [job.id for job in list_jobs(log, open_only=True, vehicle="heron")] == [JOB]
    assert [job.id for job in list_jobs(log, vehicle="lg 1")] == [JOB]
    assert list_jobs(log, vehicle="Gannet") == []
    put(log, entry(EntryKind.NOTE, {"text": "odd noise"}))
    put(log, new_entry(JOB, EntryKind.CLOSED, None, {"why": "sold"}))
    assert list_jobs(log, open_only=True) == []
    assert load_job(log, JOB).closed_at is not None
    put(log, new_entry(JOB, EntryKind.REOPENED))
    assert load_job(log, JOB).is_open
    assert [note.data["text"] for note in load_job(log, JOB).notes] == ["odd noise"]


def test_entries_that_belong_together_go_in_together_or_not_at_all(log: Path) -> None:
    good, bad = entry(EntryKind.NOTE, {"text": "a"}), entry(EntryKind.NOTE, {"text": "b"}, "no-such-entry")
    with pytest.raises(RecordError):
        put(log, good, bad)
    assert load_job(log, JOB).notes == ()


def test_no_entry_is_ever_changed_or_removed(log: Path) -> None:
    with closing(sqlite3.connect(log)) as raw:
        for statement in ("UPDATE job_entry SET data = '{}'", "DELETE FROM job_entry", "DELETE FROM job"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                raw.execute(statement)
