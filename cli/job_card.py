"""Which job and which corner a command is about, whether a step may be taken there, and writing it down."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from cli.arguments import corner_of
from cli.errors import CliError, MisuseError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from joblog.course import Move
    from joblog.jobs import CornerCard, EntryKind, Job, JobEntry
    from joblog.store import Store


class At(NamedTuple):
    """A corner of an open job, and the log to write into.

    Attributes:
        store: The open log.
        job: The job.
        card: The corner.
        instead: The entry that is put right; None for a new step.
    """

    store: Store
    job: Job
    card: CornerCard
    instead: JobEntry | None


def the_job(log: Path, prefix: str | None) -> Job:
    """The job that is meant: the one named, else the only one that is open.

    Args:
        log: The log.
        prefix: Its id, or the beginning of it; None if none was named.

    Raises:
        CliError: If none was named and there is not exactly one open.
        LogError: If the one named is not there, or the log cannot be read.
    """
    from joblog.jobs import list_jobs, load_job  # noqa: PLC0415

    if prefix is not None:
        return load_job(log, prefix)
    jobs = list_jobs(log, open_only=True)
    if not jobs:
        raise CliError(
            "no job is open: open one with shimwright job open, or name a closed one by its id (job list)"
        )
    if len(jobs) > 1:
        named = ", ".join(f"{job.short_id} {job.vehicle}" for job in jobs[-4:])
        raise CliError(f"{len(jobs)} jobs are open ({named}): name one by its id")
    return jobs[0]


def the_corner(job: Job, corner: str | None) -> CornerCard:
    """The corner that is meant: the one named, else the only one of the job.

    Raises:
        MisuseError: If it is not one of the job's, or none was named and there are several.
    """
    there = ", ".join(job.corners)
    if corner is None:
        if len(job.corners) == 1:
            return next(iter(job.corners.values()))
        raise MisuseError("--corner", f"missing: job {job.short_id} has {there}")
    card = job.corners.get(corner_of(corner))
    if card is None:
        raise MisuseError(
            "--corner", f"{corner_of(corner)} is no corner of job {job.short_id}: it has {there}"
        )
    return card


@contextmanager
def step_at(  # noqa: PLR0917 - what is meant, in order
    log: Path, job_id: str | None, corner: str | None, kind: EntryKind, move: Move, instead: str | None
) -> Iterator[At]:
    """The corner of an open job at which a step may be taken.

    Args:
        log: The log.
        job_id: As ``the_job`` takes it.
        corner: As ``the_corner`` takes it.
        kind: What is to be written down.
        move: What it is to the course.
        instead: Id of the entry that it puts right; None for a new step.

    Raises:
        CliError: If it may not be taken there; nothing was written.
    """
    from joblog.course import may_come  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    job = open_one(log, job_id)
    card = the_corner(job, corner)
    entry = None if instead is None else entry_of(job, instead, kind, card.corner)
    if entry is None and move not in may_come(card.place, card.shimmed):
        from cli.job_words import where_it_stands  # noqa: PLC0415

        raise CliError(f"{move} cannot come now: {where_it_stands(job, card)}")
    with Store.open(log) as store:
        yield At(store, job, card, entry)


def open_one(log: Path, job_id: str | None) -> Job:
    """The job that is meant, which must be open.

    Raises:
        CliError: If it is closed.
    """
    job = the_job(log, job_id)
    if not job.is_open:
        raise CliError(
            f"job {job.short_id} is closed: open it again first (shimwright job reopen {job.short_id})"
        )
    return job


def entry_of(job: Job, prefix: str, kind: EntryKind, corner: str | None) -> JobEntry:
    """An entry of the job that is to be put right.

    Args:
        job: The job.
        prefix: Its id, or the beginning of it.
        kind: What it must be.
        corner: Of which corner it must be; None for whichever.

    Raises:
        MisuseError: If there is none, there are several, or it is another kind of entry.
    """
    begin = prefix.strip().lower()
    found = [entry for entry in job.entries if begin and entry.id.startswith(begin)]
    if len(found) != 1:
        many = "fits several entries: give more of it" if found else "is no entry: see job show"
        raise MisuseError("--instead", f'"{prefix}" {many}')
    entry = found[0]
    if entry.kind is not kind or (corner is not None and entry.corner != corner):
        where = f" of {entry.corner}" if entry.corner else ""
        raise MisuseError(
            "--instead", f"{entry.id[:8]} is {entry.kind}{where}: put that right with its own command"
        )
    if any(other.corrects == entry.id for other in job.entries):
        raise MisuseError("--instead", f"{entry.id[:8]} was put right already: name the newer one (job show)")
    return entry


def id_and(words: list[str] | None, what: str, needed: bool = True) -> tuple[str | None, str | None]:
    """Tell ``[ID] WHAT`` apart: of two words the first is the job's id, a single one is what is asked for.

    Args:
        words: As typed.
        what: What the other word is called, for the message.
        needed: Whether it must be there; if not, a single word that could be an id is one.

    Raises:
        MisuseError: If there are too few or too many.
    """
    given = words or []
    if len(given) > 2:
        raise MisuseError(given[2], f"one word too many: give [ID] {what} (quotes round several words)")
    if not given:
        if needed:
            raise MisuseError(what, "missing")
        return None, None
    if len(given) == 2:
        return given[0], given[1]
    if not needed and _like_an_id(given[0]):
        return given[0], None
    return None, given[0]


def _like_an_id(text: str) -> bool:
    return len(text) >= 4 and not set(text.lower()) - set("0123456789abcdef-")
