"""Job cards: a car, its corners and what was done to each, as entries that are added and never changed.

A correction is a new entry that names the one it stands in place of; the course of a corner is played again
from what then counts. Times are UTC, lengths millimetres.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calc.hub import Hub, parse_hub
from joblog.course import Happened, Move, Place, Standing, go_on
from joblog.errors import LogError
from joblog.reader import Listed, Wanted, find_measurements, ids_like, reading

if TYPE_CHECKING:
    from joblog.records import Measurement, Row
    from joblog.store import Store

__all__ = [
    "AmbiguousJob",
    "CornerCard",
    "EntryKind",
    "Job",
    "JobEntry",
    "NoSuchJob",
    "Odometer",
    "Place",
    "add_entries",
    "entry_row",
    "list_jobs",
    "load_job",
    "new_entry",
    "open_job",
    "rows_beside",
]

CORNERS = ("LF", "RF", "LR", "RR")
"""In the usual order."""

_UUID_LENGTH = 36


class NoSuchJob(LogError):  # noqa: N818 - as the others of the log
    """No job has that id."""

    def __init__(self, job_id: str) -> None:
        super().__init__(f"no job {job_id!r} in the log: see `shimwright job list` for those it holds")
        self.job_id = job_id


class AmbiguousJob(LogError):  # noqa: N818
    """Several jobs have ids that begin like that."""

    def __init__(self, prefix: str) -> None:
        super().__init__(f"{prefix!r} fits several jobs: give more of the id")
        self.prefix = prefix


class EntryKind(StrEnum):
    """What an entry of a job card says."""

    CAR = "car"
    CORNER = "corner"
    MEASURED = "measured"
    TORN_DOWN = "torn-down"
    PART = "part"
    FITTED = "fitted"
    CHOSEN = "chosen"
    REASSEMBLED = "reassembled"
    SKIPPED = "skipped"
    NOTE = "note"
    TAKEN_UP = "taken-up"
    CLOSED = "closed"
    REOPENED = "reopened"


STEPS = frozenset(EntryKind) - {
    EntryKind.CAR,
    EntryKind.CORNER,
    EntryKind.NOTE,
    EntryKind.TAKEN_UP,
    EntryKind.CLOSED,
    EntryKind.REOPENED,
}
"""Entries that are a step of a corner's course."""


@dataclass(frozen=True, slots=True)
class JobEntry:
    """One entry. It is written once; a correction is a new one that names it.

    Attributes:
        id: UUID.
        job_id: Its job.
        at: When it was written, UTC, ISO 8601.
        who: Who wrote it; None when not given.
        kind: What it says.
        corner: LF, RF, LR or RR; None when it is about the whole car.
        data: What it says in particular, by its kind; see docs/the-log.md.
        measurement_id: The measurement that it is about.
        corrects: Id of the entry that it stands in place of.
    """

    id: str
    job_id: str
    at: str
    who: str | None
    kind: EntryKind
    corner: str | None
    data: dict[str, Any]
    measurement_id: str | None = None
    corrects: str | None = None

    @property
    def thickness_mm(self) -> float | None:
        """Of the shims that it is about, in all, millimetres; None where it is about none."""
        sizes = self.data.get("thicknesses_mm")
        return sum(sizes) if sizes else None


@dataclass(frozen=True, slots=True)
class Odometer:
    """What the odometer showed.

    Attributes:
        value: The figure, 0 or more.
        unit: ``km`` or ``mi``.
    """

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class CornerCard:
    """One corner of a job.

    Attributes:
        corner: LF, RF, LR or RR.
        hub: Its hub, as the variant it is by now.
        hub_file_text: The hub file as it was when the job was opened, whole.
        steps: The steps that count, corrections in place of what they correct, in their order.
        standing: Where it stands, and what that rests on.
        measurements: Every measurement of this corner in this job, oldest first, refused ones too.
        chosen: The choice that is to be fitted; None if there is none.
    """

    corner: str
    hub: Hub
    hub_file_text: str
    steps: tuple[JobEntry, ...]
    standing: Standing
    measurements: tuple[Listed, ...]
    chosen: JobEntry | None

    @property
    def place(self) -> Place:
        """What is to be done next."""
        return self.standing.place

    @property
    def fitted_mm(self) -> float | None:
        """Thickness of the shims in the hub, or that came out of it, millimetres; None if not known."""
        return self.standing.fitted_mm

    @property
    def shimmed(self) -> bool:
        """Whether a shim sets the end play; the nut does otherwise."""
        return bool(self.hub.sizes_mm)

    @property
    def basis(self) -> Listed | None:
        """The measurement from which a shim is worked out; None if there is none to go by."""
        return next((one for one in self.measurements if one.id == self.standing.basis), None)

    @property
    def thicknesses_mm(self) -> tuple[float, ...]:
        """The shims in the hub, or that came out of it, millimetres; empty if not known."""
        for entry in reversed(self.steps):
            if entry.kind in {EntryKind.FITTED, EntryKind.REASSEMBLED} and entry.data.get("thicknesses_mm"):
                return tuple(entry.data["thicknesses_mm"])
        return ()

    def parts_left(self) -> tuple[str, ...]:
        """Names of the parts in the hub file that were not looked at yet; those hold once for a job."""
        return _parts_left(self.hub, self.steps)


@dataclass(frozen=True, slots=True)
class Job:
    """A job card.

    Attributes:
        id: UUID.
        opened_at: When, UTC, ISO 8601.
        vehicle: Which vehicle, free text.
        registration: Its registration; None when not given.
        odometer: What the odometer showed; None when not given.
        mechanic: Who works on it; None when not given.
        corners: The corners to do, in the usual order of corners.
        notes: The notes that count.
        closed_at: When it was closed; None while it is open.
        entries: Every entry ever written, corrected ones too, in their order.
    """

    id: str
    opened_at: str
    vehicle: str
    registration: str | None
    odometer: Odometer | None
    mechanic: str | None
    corners: dict[str, CornerCard]
    notes: tuple[JobEntry, ...]
    closed_at: str | None
    entries: tuple[JobEntry, ...]

    @property
    def short_id(self) -> str:
        """The first characters of its id, as people type it."""
        return self.id[:8]

    @property
    def is_open(self) -> bool:
        """Whether it is worked on."""
        return self.closed_at is None

    @property
    def done(self) -> bool:
        """Whether every corner is done."""
        return all(card.place is Place.DONE for card in self.corners.values())


def new_entry(  # noqa: PLR0917 - as the columns are
    job_id: str,
    kind: EntryKind,
    corner: str | None = None,
    data: Mapping[str, Any] | None = None,
    who: str | None = None,
    measurement_id: str | None = None,
    corrects: str | None = None,
) -> JobEntry:
    """A fresh entry, of now; it is not in the log yet."""
    from joblog.records import new_id, utc_now  # noqa: PLC0415  (a listing needs none of what it loads)

    return JobEntry(
        new_id(), job_id, utc_now(), who, kind, corner, dict(data or {}), measurement_id, corrects
    )


def entry_row(entry: JobEntry) -> tuple[str, Row]:
    """The entry as a row with its table, as ``Store.add_rows`` takes it."""
    return "job_entry", {
        "id": entry.id,
        "job_id": entry.job_id,
        "at": entry.at,
        "who": entry.who,
        "kind": str(entry.kind),
        "corner": entry.corner,
        "data": json.dumps(entry.data, ensure_ascii=False, allow_nan=False, separators=(",", ":")),
        "measurement_id": entry.measurement_id,
        "corrects": entry.corrects,
    }


def add_entries(store: Store, entries: Iterable[JobEntry], *more: tuple[str, Row]) -> None:
    """Put entries that belong together into the log, in one transaction; they are on the disk then.

    Args:
        store: The open log.
        entries: The entries.
        more: Other rows that belong to them, such as those of the stock, with their tables.

    Raises:
        RecordError: If one of them cannot be stored; then none is.
        LogFileError: If the log cannot be written.
    """
    store.add_rows("job card", *map(entry_row, entries), *more)


def open_job(store: Store, version: str, entries: Sequence[JobEntry]) -> None:
    """Put a new job into the log with its first entries, all or nothing.

    Args:
        store: The open log.
        version: Version of the program.
        entries: Its car and its corners; they name the job's id.

    Raises:
        RecordError: If it cannot be stored.
        LogFileError: If the log cannot be written.
    """
    first = entries[0]
    row: Row = {"id": first.job_id, "opened_at": first.at, "version": version}
    store.add_rows("job", ("job", row), *map(entry_row, entries))


def list_jobs(path: Path, *, open_only: bool = False, vehicle: str | None = None) -> list[Job]:
    """The jobs in the log, oldest first.

    Args:
        path: The log.
        open_only: Leave out those that are closed.
        vehicle: A part of the vehicle's text or registration, in capitals or not.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    found = _load(path, _IS_OPEN if open_only else "TRUE", ())
    if vehicle is not None:
        part = vehicle.casefold()
        found = [job for job in found if part in f"{job.vehicle} {job.registration or ''}".casefold()]
    return found


def load_job(path: Path, prefix: str) -> Job:
    """One job, whole.

    Args:
        path: The log.
        prefix: Its id, or enough of the beginning to tell it from others.

    Raises:
        NoSuchJob: If there is none.
        AmbiguousJob: If several ids begin like that.
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    found = _load(path, "id >= ? AND id < ?", ids_like(prefix))
    if not found:
        raise NoSuchJob(prefix)
    if len(found) > 1:
        raise AmbiguousJob(prefix)
    return found[0]


_IS_OPEN = """
coalesce((
    SELECT kind FROM job_entry
    WHERE job_id = job.id AND kind IN ('closed', 'reopened') ORDER BY seq DESC LIMIT 1
), 'opened') <> 'closed'
"""
"""Closing and opening again are never corrected: the last of them holds."""


def _load(path: Path, which: str, values: tuple[str, ...]) -> list[Job]:
    with reading(path) as log:
        if log is None:
            return []
        query = f"SELECT id, opened_at FROM job WHERE {which} ORDER BY seq"  # noqa: S608  (our text)
        heads = log.execute(query, values).fetchall()
        entries = {job_id: _entries(log, job_id) for job_id, _ in heads}
    listed: dict[str | None, list[Listed]] = {job_id: [] for job_id in entries}
    for one in find_measurements(path, Wanted(jobs=tuple(entries))).listed if heads else ():
        listed[one.job].append(one)
    return [_job(job_id, opened_at, entries[job_id], listed[job_id]) for job_id, opened_at in heads]


def _entries(log: sqlite3.Connection, job_id: str) -> tuple[JobEntry, ...]:
    query = (
        "SELECT id, job_id, at, who, kind, corner, data, measurement_id, corrects FROM job_entry "
        "WHERE job_id = ? ORDER BY seq"
    )
    return tuple(
        JobEntry(entry_id, job, at, who, EntryKind(kind), corner, json.loads(data), measurement_id, corrects)
        for entry_id, job, at, who, kind, corner, data, measurement_id, corrects in log.execute(
            query, (job_id,)
        )
    )


def in_place(entries: Iterable[JobEntry]) -> list[JobEntry]:
    """The entries that count: each correction where the entry stood that it corrects."""
    roots: dict[str, str] = {}
    counting: dict[str, JobEntry] = {}
    for entry in entries:
        root = entry.id if entry.corrects is None else roots.get(entry.corrects, entry.id)
        roots[entry.id] = root
        counting[root] = entry
    return list(counting.values())


def _job(job_id: str, opened_at: str, entries: tuple[JobEntry, ...], listed: list[Listed]) -> Job:
    counting = in_place(entries)
    car: dict[str, Any] = next((e.data for e in reversed(counting) if e.kind is EntryKind.CAR), {})
    closing = [e for e in counting if e.kind in {EntryKind.CLOSED, EntryKind.REOPENED}]
    closed = closing[-1] if closing and closing[-1].kind is EntryKind.CLOSED else None
    odometer = None
    if car.get("odometer") is not None:
        odometer = Odometer(float(car["odometer"]), str(car.get("odometer_unit", "km")))
    order = {entry.id: number for number, entry in enumerate(entries)}
    corners: dict[str, CornerCard] = {}
    for corner in CORNERS:
        mine = [entry for entry in counting if entry.corner == corner]
        if any(entry.kind is EntryKind.CORNER for entry in mine):
            corners[corner] = _card(corner, mine, order, [one for one in listed if one.corner == corner])
    return Job(
        id=job_id,
        opened_at=opened_at,
        vehicle=str(car.get("vehicle", "")),
        registration=car.get("registration"),
        odometer=odometer,
        mechanic=car.get("mechanic") or next((e.who for e in entries if e.who), None),
        corners=corners,
        notes=tuple(entry for entry in counting if entry.kind is EntryKind.NOTE),
        closed_at=None if closed is None else closed.at,
        entries=entries,
    )


def _card(corner: str, mine: list[JobEntry], order: dict[str, int], listed: list[Listed]) -> CornerCard:
    said: dict[str, Any] = {}
    for entry in mine:
        if entry.kind is EntryKind.CORNER:
            said |= entry.data
    text = str(said["hub_text"])
    hub = _hub(text, str(said.get("hub_path") or said.get("hub_title") or corner))
    if said.get("variant"):
        hub = hub.as_variant(said["variant"])
    steps = tuple(entry for entry in mine if entry.kind in STEPS)
    by_id = {one.id: one for one in listed}
    standing = Standing()
    for number, entry in enumerate(steps):
        happened = _happened(entry, steps[:number], order, by_id, hub)
        if happened is not None:
            parts_done = not _parts_left(hub, steps[: number + 1])
            standing = go_on(standing, happened, bool(hub.sizes_mm), parts_done)
    chosen = next((entry for entry in steps if entry.id == standing.chosen), None)
    return CornerCard(corner, hub, text, steps, standing, tuple(listed), chosen)


@lru_cache(maxsize=256)
def _hub(text: str, name: str) -> Hub:
    """Most cards of a shop have the same few hub files."""
    return parse_hub(text, name)


_MOVES = {
    EntryKind.TORN_DOWN: Move.TORN_DOWN,
    EntryKind.PART: Move.PART,
    EntryKind.FITTED: Move.FITTED,
    EntryKind.CHOSEN: Move.CHOSEN,
    EntryKind.REASSEMBLED: Move.REASSEMBLED,
    EntryKind.SKIPPED: Move.SKIPPED,
}


def _happened(
    entry: JobEntry, before: Sequence[JobEntry], order: dict[str, int], measured: dict[str, Listed], hub: Hub
) -> Happened | None:
    """What an entry means for the course; None if nothing, such as a refused measurement."""
    if entry.kind is EntryKind.MEASURED:
        found = measured.get(entry.measurement_id or "")
        if found is None or found.state != "measured":
            return None
        within = found.verdict == "within"
        move = {
            "as-found": Move.FOUND_WITHIN if within else Move.FOUND_OUTSIDE,
            "as-left": Move.LEFT_WITHIN if within else Move.LEFT_OUTSIDE,
        }.get(found.stage, Move.TRIAL_MEASURED)
        return Happened(move, entry.id, measurement=found.id)
    trial = bool(entry.data.get("trial"))
    if entry.kind is EntryKind.PART and entry.data.get("action") == "renewed":
        names = [str(entry.data.get("name")), *entry.data.get("with", ())]
        trial = any(part is not None and part.trial for part in map(hub.part, names))
    stale = None
    if entry.kind is EntryKind.CHOSEN:
        for one in reversed(before):
            if one.kind is EntryKind.REASSEMBLED:
                break  # what was before that is in the reading as left
            rests_on = one.kind in {EntryKind.FITTED, EntryKind.PART}
            if rests_on and one.corrects is not None and order[one.id] > order[entry.id]:
                stale = f"{one.kind} was put right after the shim had been chosen"
    return Happened(_MOVES[entry.kind], entry.id, entry.thickness_mm, trial, stale=stale)


def _parts_left(hub: Hub, steps: Sequence[JobEntry]) -> tuple[str, ...]:
    """Parts of the file that no step speaks of; ``any part`` where it lists none and none was seen."""
    seen = {
        name
        for entry in steps
        if entry.kind is EntryKind.PART
        for name in (entry.data.get("name"), *entry.data.get("with", ()))
    }
    skipped = any(entry.kind is EntryKind.SKIPPED and entry.data.get("step") == "parts" for entry in steps)
    if skipped:
        return ()
    if not hub.parts:
        return () if seen else ("any part",)
    return tuple(part.name for part in hub.parts if part.name not in seen)


def rows_beside(path: Path, measurement: Measurement) -> list[tuple[str, Row]]:
    """What goes into the log with a measurement: its entry on the job card that its job names.

    Args:
        path: The log.
        measurement: The measurement; a job that is no card's id brings nothing.

    Raises:
        LogFileError: If the log cannot be read.
    """
    if measurement.job is None or len(measurement.job) != _UUID_LENGTH:
        return []
    with reading(path) as log:
        query = "SELECT 1 FROM job WHERE id = ?"
        if log is None or log.execute(query, (measurement.job,)).fetchone() is None:
            return []
    entry = new_entry(
        measurement.job,
        EntryKind.MEASURED,
        measurement.corner,
        {"stage": measurement.stage},
        measurement_id=measurement.id,
    )
    return [entry_row(entry)]
