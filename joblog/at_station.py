"""Which job card a station works on: the one that was opened, or taken up there, last."""

from __future__ import annotations

from typing import TYPE_CHECKING

from joblog.jobs import EntryKind, Job, JobEntry, list_jobs, new_entry

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def take_up(job: Job, station: str) -> JobEntry:
    """The entry that says that a station works on a job card from now on; it is not in the log yet.

    Args:
        job: The job.
        station: Shop and station, ``larkfield/bay-2``.
    """
    return new_entry(job.id, EntryKind.TAKEN_UP, None, {"station": station})


def job_at(jobs: Sequence[Job], station: str) -> Job | None:
    """The open job that a station works on; None if none is open.

    It is in the log and not in a service's memory, so that it is the same one after a power cut.

    Args:
        jobs: Jobs, the oldest first, closed ones too or not.
        station: Shop and station, ``larkfield/bay-2``.
    """
    here = [(_since(job, station), number, job) for number, job in enumerate(jobs) if job.is_open]
    return max(here)[2] if here else None


def open_jobs(path: Path, station: str) -> tuple[list[Job], Job | None]:
    """The open jobs, the oldest first, and the one among them that a station works on.

    Args:
        path: The log.
        station: Shop and station, ``larkfield/bay-2``.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    jobs = list_jobs(path, open_only=True)
    return jobs, job_at(jobs, station)


def _since(job: Job, station: str) -> str:
    """When it became this station's: opened, or taken up there last."""
    taken = (
        entry.at
        for entry in job.entries
        if entry.kind is EntryKind.TAKEN_UP and entry.data.get("station") == station
    )
    return max(taken, default=job.opened_at)
