"""The job cards of a running service: which car is on the station, what comes next, and commands about it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import msgspec

from bus.desk import Errand, NoDesk
from bus.errors import CommandRefused
from bus.payloads import Brief, Car, CornerStatus, OpenJob
from bus.results import brief_of
from cli.job_measuring import stage_on
from cli.job_words import next_words
from cli.todo import TO_MEASURE
from joblog.at_station import open_jobs, take_up
from joblog.course import Place
from joblog.errors import LogError, TraceDamaged
from joblog.fetch import load_measurement
from joblog.jobs import CornerCard, EntryKind, Job, JobEntry, add_entries, load_job, new_entry

if TYPE_CHECKING:
    from pathlib import Path

    from cli.keeping import Keeper
    from joblog.records import Measurement

MOST_JOBS = 50
"""So many open jobs are told at most, the newest."""

_T = TypeVar("_T")


class JobDesk(NoDesk):
    """Knows the car on a station: the open job that was opened, or taken up there, last.

    The log is looked at in a thread, and only when it changed; in between the card is as it was last seen.

    Args:
        keeper: The log.
        station: Shop and station, ``larkfield/bay-2``.
        changed: Called in the loop when the cards are other than they were.
    """

    def __init__(self, keeper: Keeper, station: str, changed: Callable[[], None] = lambda: None) -> None:
        self._keeper = keeper
        self._station = station
        self._changed = changed
        self._jobs: list[Job] = []
        self._job: Job | None = None
        self._briefs: dict[str, Brief] = {}
        self._seen: object = None
        self._moved: set[str] = set()
        self._reading = asyncio.Lock()

    async def refresh(self) -> None:
        """Look at the log, if it changed."""
        async with self._reading:
            log, seen, moved = self._keeper.path, self._seen, set(self._moved)
            before = (self._job, self._jobs)
            try:
                found = await _in_thread(lambda: self._look(log, seen))
            except LogError:
                return  # such as locked for long; the next look may find it
            if found is not None:
                self._seen, self._jobs, self._job = found
            self._moved -= moved  # those were in the log before this look
        if moved or before != (self._job, self._jobs):
            self._changed()

    async def select(self, job: str, corner: str | None) -> str:
        """Take up a job card."""
        found = await self._open_one(job)
        if corner is not None and corner not in found.corners:
            known = ", ".join(found.corners)
            raise CommandRefused(f"job {found.short_id} has not {corner} to do, but {known}")
        if self._job is None or self._job.id != found.id:
            await self._write(take_up(found, self._station))
        return f"job {found.short_id}, {found.vehicle}"

    async def note(self, text: str, corner: str | None, job: str | None) -> str:
        """Write a note on a job card, the station's own unless another is named."""
        card = self._job if job is None else await self._open_one(job)
        if card is None:
            return await super().note(text, corner, job)
        if corner is not None and corner not in card.corners:  # a note of the whole car then
            corner, text = None, f"{corner}: {text}"
        await self._write(new_entry(card.id, EntryKind.NOTE, corner, {"text": text}))
        return f"noted on job {card.short_id}"

    async def accept(self, corner: str, measurement: Measurement) -> str:
        """The card has the result with its entry; say what comes next."""
        await self.refresh()
        card = self._card(corner)
        if card is None:
            return await super().accept(corner, measurement)
        return f"the result of {corner} stands, in the log as {measurement.id[:8]}; next: {_next(card)}"

    def errand(self, corner: str) -> Errand:
        """What the card says is measured next; a corner that it has not is measured as found."""
        job, card = self._job, self._card(corner)
        if job is None or card is None:
            return Errand(vehicle=None if job is None else job.vehicle)
        return Errand(stage_on(card), card.fitted_mm, job.vehicle, job.id)

    def car(self) -> Car | None:
        """The car of the card."""
        job = self._job
        if job is None:
            return None
        corners = [self._status(card) for card in job.corners.values()]
        return Car(job=job.id, vehicle=job.vehicle, registration=job.registration, corners=corners)

    def jobs(self) -> list[OpenJob]:
        """The open job cards."""
        return [_open_job(job) for job in self._jobs[-MOST_JOBS:]]

    def kept(self, measurement: Measurement) -> None:
        """The card has moved on; where to is seen with the next look."""
        self._moved.add(measurement.corner)

    def _card(self, corner: str) -> CornerCard | None:
        return None if self._job is None else self._job.corners.get(corner)

    def _status(self, card: CornerCard) -> CornerStatus:
        limits = card.hub.limits
        found = {
            "corner": card.corner,
            "hub_title": card.hub.title,
            "least_mm": limits.least_mm,
            "most_mm": limits.most_mm,
            "unit": card.hub.unit.value,
            "stage": stage_on(card),
            "place": card.place.value,
            "todo": [] if card.corner in self._moved else _todo(card),
            "fitted_mm": card.fitted_mm,
        }
        latest = [self._briefs[one] for one in _newest(card) if one in self._briefs]
        return msgspec.structs.replace(msgspec.convert(found, CornerStatus), latest=latest)

    async def _open_one(self, prefix: str) -> Job:
        log = self._keeper.path
        try:
            found = await _in_thread(lambda: load_job(log, prefix))
        except LogError as error:
            raise CommandRefused(str(error)) from error
        if not found.is_open:
            raise CommandRefused(f"job {found.short_id} is closed: open it again with shimwright job reopen")
        return found

    async def _write(self, entry: JobEntry) -> None:
        try:
            await self._keeper.with_store(lambda store: add_entries(store, [entry]))
        except LogError as error:
            raise CommandRefused(str(error)) from error
        await self.refresh()

    def _look(self, log: Path, seen: object) -> tuple[object, list[Job], Job | None] | None:
        """What the log has now; None if it is as it was seen. In a thread."""
        now = (log, *map(_stamp, (log, log.with_name(log.name + "-wal"))))
        if now == seen:
            return None
        jobs, job = open_jobs(log, self._station)
        self._briefs = {} if job is None else self._briefs_of(log, job)
        return now, jobs, job

    def _briefs_of(self, log: Path, job: Job) -> dict[str, Brief]:
        """The newest measurement of each stage at each corner, in short; not one whose trace is damaged."""
        briefs: dict[str, Brief] = {}
        for one in (one for card in job.corners.values() for one in _newest(card)):
            with contextlib.suppress(TraceDamaged):  # `log check` tells of it; the card goes on
                briefs[one] = self._briefs.get(one) or brief_of(load_measurement(log, one))
        return briefs


async def _in_thread(work: Callable[[], _T]) -> _T:
    return await asyncio.get_running_loop().run_in_executor(None, work)


def _stamp(file: Path) -> tuple[int, int] | None:
    """What tells whether a file changed."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _newest(card: CornerCard) -> list[str]:
    """The newest measurement of each stage at a corner, the oldest of them first."""
    of_stage = {one.stage: one.id for one in card.measurements}
    return [one.id for one in card.measurements if of_stage[one.stage] == one.id]


def _next(card: CornerCard) -> str:
    return next_words(card)[0].partition(": ")[2]


def _todo(card: CornerCard) -> list[str]:
    do, mind = _next(card), next_words(card)[1]
    if card.place is Place.DONE:
        return [f"{do[:1].upper()}{do[1:]}", mind]
    return [f"{'Now' if card.place in TO_MEASURE else 'Next'}: {do}", mind]


def _open_job(job: Job) -> OpenJob:
    found: dict[str, Any] = {
        "job": job.id,
        "vehicle": job.vehicle,
        "registration": job.registration,
        "opened_at": job.opened_at,
        "corners": list(job.corners),
    }
    return msgspec.convert(found, OpenJob)
