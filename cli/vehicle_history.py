"""Every reading of a vehicle over the years: which vehicle, which readings, and the trend of each corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from calc.limits import Limits
from calc.trend import LEAST_DISTANCES, Crossing, Line, Point, crossing, fit_line, kilometres
from joblog.jobs import EntryKind, list_jobs
from joblog.reader import list_measurements
from joblog.records import CORNERS

if TYPE_CHECKING:
    from joblog.jobs import Job, Odometer
    from joblog.reader import Listed

BEGINS_ANEW = (EntryKind.TORN_DOWN, EntryKind.CHOSEN, EntryKind.REASSEMBLED)
"""What is done to a corner with these ends the line of its wear: another begins with the next as left."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one corner.

    Attributes:
        listed: The measurement.
        odometer: What its job card says; None without one.
        line: Number of the line of wear that it belongs to, 1 for the first; None for a trial.
    """

    listed: Listed
    odometer: Odometer | None
    line: int | None

    @property
    def km(self) -> float | None:
        """The odometer in kilometres; None without one."""
        return None if self.odometer is None else kilometres(self.odometer.value, self.odometer.unit)


@dataclass(frozen=True, slots=True)
class Corner:
    """All readings of one corner.

    Attributes:
        readings: Oldest first; those with an end play only.
        line: Number of the line of wear that it is on now; no reading may be on it yet.
    """

    readings: tuple[Reading, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Trend:
    """How a corner wears since it was last worked on.

    Attributes:
        readings: How many readings it rests on.
        distances: At how many different odometers they were taken.
        line: End play in millimetres over kilometres; None where there are too few.
        reaches: Where the line reaches the upper limit, kilometres; None where it does not rise by more than
            chance.
        limits: The end play allowed, as of the last reading.
    """

    readings: int
    distances: int
    line: Line | None
    reaches: Crossing | None
    limits: Limits


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle of the log, and everything that is known of its corners.

    Attributes:
        text: What it is called, as of the last time.
        registration: Its registration as last written; None for a vehicle known by its text alone.
        jobs: Its job cards, oldest first.
        corners: Those that have a reading, in the usual order.
        refused: How many measurements gave none.
    """

    text: str
    registration: str | None
    jobs: tuple[Job, ...]
    corners: dict[str, Corner] = field(default_factory=dict)
    refused: int = 0

    @property
    def name(self) -> str:
        """Text and registration."""
        return f"{self.text}, {self.registration}" if self.registration else self.text

    @property
    def last_at(self) -> str:
        """When it was last in the log, UTC."""
        times = [one.listed.at for some in self.corners.values() for one in some.readings]
        return max([*times, *(job.opened_at for job in self.jobs)], default="")

    @property
    def simulated(self) -> bool:
        """Whether any reading is of no real hub."""
        return any(one.listed.simulated for some in self.corners.values() for one in some.readings)


def vehicles_of(path: Path) -> list[Vehicle]:
    """The vehicles in the log, by registration first, else by text, in the order in which they came.

    Capitals and blanks make no other vehicle. A vehicle that was written down without its registration is
    kept apart from those with one, even if the text is the same: it may be another car.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    jobs: dict[tuple[str, str], list[Job]] = {}
    key_of_job: dict[str, tuple[str, str]] = {}
    by_id: dict[str, Job] = {}
    for job in list_jobs(path):
        key = _key(job.vehicle, job.registration)
        jobs.setdefault(key, []).append(job)
        key_of_job[job.id], by_id[job.id] = key, job
    measured: dict[tuple[str, str], list[Listed]] = {key: [] for key in jobs}
    for one in list_measurements(path):
        known = key_of_job.get(one.job or "")
        if known is None and one.vehicle:
            known = _key(one.vehicle, None)
        if known is not None:
            measured.setdefault(known, []).append(one)
    return [_vehicle(key, jobs.get(key, []), some, by_id) for key, some in measured.items()]


def matching(vehicles: Sequence[Vehicle], text: str) -> list[Vehicle]:
    """Those that a text means: with exactly this registration, else exactly this name, else holding it."""
    asked = _plain(text)
    by_registration = [v for v in vehicles if v.registration and _plain(v.registration) == asked]
    if by_registration:
        return by_registration
    by_name = [v for v in vehicles if asked in {_plain(v.text), _plain(v.name)}]
    return by_name or [v for v in vehicles if asked and asked in _plain(v.name)]


def trend_of(corner: Corner) -> Trend:
    """The trend of a corner since it was last worked on."""
    last = corner.readings[-1].listed
    limits = Limits(last.least_mm, last.most_mm)
    points = [
        Point(one.km, one.listed.end_play_mm, one.listed.u_mm)
        for one in corner.readings
        if one.line == corner.line
        and one.km is not None
        and one.listed.end_play_mm is not None
        and one.listed.u_mm
    ]
    distances = len({point.x for point in points})
    if distances < LEAST_DISTANCES:
        return Trend(len(points), distances, None, None, limits)
    line = fit_line(points)
    return Trend(len(points), distances, line, crossing(line, limits.most_mm), limits)


def _plain(text: str) -> str:
    return "".join(text.casefold().split())


def _key(text: str, registration: str | None) -> tuple[str, str]:
    return ("registration", _plain(registration)) if registration else ("text", _plain(text))


def _vehicle(key: tuple[str, str], jobs: list[Job], listed: list[Listed], by_id: dict[str, Job]) -> Vehicle:
    texts = [job.vehicle for job in jobs] or [one.vehicle or "" for one in listed]
    registration = jobs[-1].registration if jobs and key[0] == "registration" else None
    corners: dict[str, Corner] = {
        name: _in_lines(mine, jobs, by_id)
        for name in CORNERS
        if (mine := [one for one in listed if one.corner == name and one.state == "measured"])
    }
    return Vehicle(
        text=texts[-1],
        registration=registration,
        jobs=tuple(jobs),
        corners=corners,
        refused=sum(1 for one in listed if one.state != "measured"),
    )


def _in_lines(listed: list[Listed], jobs: list[Job], by_id: dict[str, Job]) -> Corner:
    """The readings of one corner, each with the number of its line of wear.

    A line ends when the corner is taken apart, given other parts or another shim, or put together again. An
    as left that no job card speaks of begins one too: something was done, and nothing says what.
    """
    changes = sorted(at for job in jobs for at in _changes(job, listed[0].corner))
    number, done = 1, 0
    readings: list[Reading] = []
    for one in sorted(listed, key=lambda m: m.at):
        job = by_id.get(one.job or "")
        new = sum(1 for at in changes[done:] if at <= one.at)
        done += new
        if new or (one.stage == "as-left" and job is None):
            number += 1
        readings.append(Reading(one, job.odometer if job else None, None if one.stage == "trial" else number))
    return Corner(tuple(readings), number + (len(changes) > done))


def _changes(job: Job, corner: str) -> list[str]:
    """When this job changed what wears at a corner; a correction counts as of what it corrects."""
    card = job.corners.get(corner)
    if card is None:
        return []
    by_id = {entry.id: entry for entry in job.entries}
    times = []
    for entry in card.steps:
        if entry.kind in BEGINS_ANEW or (
            entry.kind is EntryKind.PART and entry.data.get("action") == "renewed"
        ):
            first = entry
            while first.corrects in by_id:
                first = by_id[first.corrects]
            times.append(first.at)
    return times
