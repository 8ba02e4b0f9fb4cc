"""Look into a log without being able to change it, and without loading much: a listing should come at once.

Only the standard library is imported here. Writers are not disturbed: with write-ahead logging a reader sees
the last finished transaction, and a measurement that is being written does not hold it up.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from joblog.errors import AmbiguousId, NoSuchMeasurement
from joblog.schema import is_current, steps_taken
from joblog.trouble import check_place, speaking_of

BUSY_S = 5.0
"""How long to wait for another program that has the log locked, seconds."""

_MOST_NAMED = 4  # ids named in an error
_AFTER_ANY = "g"  # sorts after every character of a UUID


class Listed(NamedTuple):
    """A measurement as a listing shows it: lengths in millimetres, times UTC, as in ``records.Measurement``.

    ``readings`` is how many its trace has, ``reviews`` how many reviews of it were kept; ``end_play_mm`` and
    the like are None unless it was measured.
    """

    id: str
    at: str
    corner: str
    stage: str
    state: str
    verdict: str | None
    p_within: float | None
    end_play_mm: float | None
    u_mm: float | None
    expanded_mm: float | None
    hub_title: str
    unit: str
    least_mm: float
    most_mm: float
    fitted_mm: float | None
    vehicle: str | None
    job: str | None
    simulated: bool
    readings: int
    gauge_name: str | None = None
    origin: str | None = None
    reviews: int = 0


_SIMULATED = Listed._fields.index("simulated")


class Wanted(NamedTuple):
    """Which measurements are asked for; what is None does not matter.

    Attributes:
        corner: Exactly this; likewise stage, state, verdict and job.
        stage: See ``corner``.
        state: See ``corner``.
        verdict: See ``corner``.
        vehicle: A part of the vehicle's text, in capitals or not.
        job: See ``corner``.
        gauge: A part of what the shop calls the gauge, or of its link, in capitals or not.
        since: From this UTC time on, ISO 8601 or the beginning of one (``2026-03``).
        until: Before this UTC time.
        jobs: One of these jobs.
    """

    corner: str | None = None
    stage: str | None = None
    state: str | None = None
    verdict: str | None = None
    vehicle: str | None = None
    job: str | None = None
    gauge: str | None = None
    since: str | None = None
    until: str | None = None
    jobs: tuple[str, ...] | None = None


ANY = Wanted()
"""Every measurement."""


class Found(NamedTuple):
    """What a search gave.

    Attributes:
        total: How many measurements are as wanted.
        listed: The last ones of them, in the order of recording.
    """

    total: int
    listed: list[Listed]


_CONDITIONS = {
    "corner": "corner = :corner",
    "stage": "stage = :stage",
    "state": "state = :state",
    "verdict": "verdict = :verdict",
    "vehicle": "holds(vehicle, :vehicle)",
    "job": "job = :job",
    "gauge": "(holds(gauge_name, :gauge) OR holds(link, :gauge))",
    "since": "at >= :since",
    "until": "at < :until",
    "jobs": "job IN (SELECT value FROM json_each(:jobs))",
}

_ELSEWHERE = {
    "readings": "t.readings",
    "reviews": "(SELECT count(*) FROM review r WHERE r.measurement_id = m.id)",
}


def find_measurements(path: Path, wanted: Wanted = ANY, latest: int | None = None) -> Found:
    """Search the log.

    Args:
        path: The log.
        wanted: Which measurements.
        latest: List only so many of the last ones, at least 0; None for all.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    columns = ", ".join(_ELSEWHERE.get(name, f"m.{name}") for name in Listed._fields)
    chosen, values = _chosen(wanted)
    query = (
        f"SELECT {columns} FROM measurement m JOIN trace t ON t.measurement_id = m.id "  # noqa: S608  (our text)
        f"WHERE m.seq IN (SELECT seq {chosen} ORDER BY seq DESC LIMIT :latest) ORDER BY m.seq"
    )
    with reading(path) as log:
        if log is None:
            return Found(0, [])
        _teach(log)
        values["latest"] = -1 if latest is None else latest
        listed = [
            Listed(*row)._replace(simulated=bool(row[_SIMULATED])) for row in log.execute(query, values)
        ]
        if latest is None or len(listed) < latest:
            return Found(len(listed), listed)
        return Found(log.execute(f"SELECT count(*) {chosen}", values).fetchone()[0], listed)


def list_measurements(path: Path, wanted: Wanted = ANY) -> list[Listed]:
    """The measurements in the order in which they were recorded; see ``find_measurements``."""
    return find_measurements(path, wanted).listed


def ids_of(path: Path, wanted: Wanted = ANY, latest: int | None = None) -> list[str]:
    """The ids of measurements, in the order of recording; see ``find_measurements``."""
    chosen, values = _chosen(wanted)
    with reading(path) as log:
        if log is None:
            return []
        _teach(log)
        query = (
            f"SELECT id FROM measurement WHERE seq IN (SELECT seq {chosen} ORDER BY seq DESC LIMIT :latest)"  # noqa: S608
        )
        values["latest"] = -1 if latest is None else latest
        return [row[0] for row in log.execute(f"{query} ORDER BY seq", values)]


def _chosen(wanted: Wanted) -> tuple[str, dict[str, str | int]]:
    """The end of a query for these measurements, and what its names stand for.

    The index holds all that can be asked for, so that no whole row is read but of those that are shown.
    """
    given: dict[str, str | int] = {
        name: json.dumps(asked) if isinstance(asked, tuple) else asked
        for name, asked in wanted._asdict().items()
        if asked is not None
    }
    where = " AND ".join(_CONDITIONS[name] for name in given) or "TRUE"
    return f"FROM measurement INDEXED BY measurement_listing WHERE {where}", given


def _teach(log: sqlite3.Connection) -> None:
    """SQLite's own comparison knows capitals of the English alphabet alone."""

    def holds(text: str | None, part: str) -> bool:
        return text is not None and part.casefold() in text.casefold()

    log.create_function("holds", 2, holds, deterministic=True)


def ids_like(prefix: str) -> tuple[str, str]:
    """The first id that may begin like this, and the first beyond them; of an empty text there are none.

    >>> ids_like(" 9D6d ")
    ('9d6d', '9d6dg')

    Args:
        prefix: The first few characters of a UUID, as people type them.
    """
    begin = prefix.strip().lower()
    return begin, begin + _AFTER_ANY if begin else begin


def full_id(log: sqlite3.Connection, prefix: str) -> str:
    """The id that begins like this; people type the first few characters.

    Raises:
        NoSuchMeasurement: If none does.
        AmbiguousId: If several do.
    """
    query = "SELECT id FROM measurement WHERE id >= ? AND id < ? ORDER BY id LIMIT ?"
    found = [row[0] for row in log.execute(query, (*ids_like(prefix), _MOST_NAMED))]
    if not found:
        raise NoSuchMeasurement(prefix)
    if len(found) > 1:
        raise AmbiguousId(prefix, tuple(found))
    return str(found[0])


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection | None]:
    """A connection that can only read; None for a file that is empty still.

    A log of an older version is first brought up to date, after a backup copy, as opening it to write does.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    check_place(path, must_exist=True)
    with speaking_of(path), closing(connect_to_read(path)) as log:
        taken = steps_taken(log, path)
        if not taken or is_current(taken):
            yield log if taken else None
            return
    from joblog.store import Store  # noqa: PLC0415  (it loads sqlite-utils, slower than a listing)

    Store.open(path).close()
    with speaking_of(path), closing(connect_to_read(path)) as log:
        yield log


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A connection that can only read, also where the files beside the log cannot be made."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    log = sqlite3.connect(uri, uri=True, timeout=BUSY_S)
    try:
        log.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.DatabaseError as error:  # no database at all among them
        log.close()
        no_room = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY  # read-only folder
        no_room = no_room or error.sqlite_errorcode == sqlite3.SQLITE_IOERR_SHMSIZE  # full disk
        if not no_room or _has_unmerged(path):
            raise
        # There is no room for the files that readers and writers share, so nobody is writing either, unless
        # they may do more than we, and nothing waits beside the file: it can be read as it stands.
        return sqlite3.connect(f"{uri}&immutable=1", uri=True)
    return log


def _has_unmerged(path: Path) -> bool:
    """Whether measurements may stand in the write-ahead log alone."""
    beside = path.with_name(path.name + "-wal")
    return beside.exists() and beside.stat().st_size > 0
