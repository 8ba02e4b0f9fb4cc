"""Look into a log without being able to change it, and without loading much: a listing should come at once.

Only the standard library is imported here. Writers are not disturbed: with write-ahead logging a reader sees
the last finished transaction, and a measurement that is being written does not hold it up.
"""

from __future__ import annotations

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

    ``readings`` is how many its trace has; ``end_play_mm`` and the like are None unless it was measured.
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


def list_measurements(
    path: Path,
    *,
    corner: str | None = None,
    stage: str | None = None,
    state: str | None = None,
    verdict: str | None = None,
    vehicle: str | None = None,
    job: str | None = None,
    since: str | None = None,
    until: str | None = None,
    latest: int | None = None,
) -> list[Listed]:
    """The measurements in the order in which they were recorded.

    Args:
        path: The log.
        corner: Only this corner; likewise stage, state, verdict, vehicle and job, each compared exactly.
        stage: See ``corner``.
        state: See ``corner``.
        verdict: See ``corner``.
        vehicle: See ``corner``.
        job: See ``corner``.
        since: Only from this UTC time on, ISO 8601 or the beginning of one (``2026-03``).
        until: Only before this UTC time.
        latest: Only so many of the last ones; at least 0.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    wanted: dict[str, str | int | None] = {
        "m.corner = ?": corner,
        "m.stage = ?": stage,
        "m.state = ?": state,
        "m.verdict = ?": verdict,
        "m.vehicle = ?": vehicle,
        "m.job = ?": job,
        "m.at >= ?": since,
        "m.at < ?": until,
    }
    given = {condition: value for condition, value in wanted.items() if value is not None}
    columns = ", ".join("t.readings" if name == "readings" else f"m.{name}" for name in Listed._fields)
    query = (
        f"SELECT {columns} FROM measurement m JOIN trace t ON t.measurement_id = m.id "  # noqa: S608  (our text)
        f"WHERE {' AND '.join(given) or 'TRUE'} ORDER BY m.seq DESC LIMIT ?"
    )
    with reading(path) as log:
        if log is None:
            return []
        rows = log.execute(query, (*given.values(), -1 if latest is None else latest)).fetchall()
    listed = [Listed(*row)._replace(simulated=bool(row[Listed._fields.index("simulated")])) for row in rows]
    return listed[::-1]


def full_id(log: sqlite3.Connection, prefix: str) -> str:
    """The id that begins like this; people type the first few characters.

    Raises:
        NoSuchMeasurement: If none does.
        AmbiguousId: If several do.
    """
    begin = prefix.strip().lower()
    query = "SELECT id FROM measurement WHERE id >= ? AND id < ? ORDER BY id LIMIT ?"
    found = [row[0] for row in log.execute(query, (begin, begin + _AFTER_ANY, _MOST_NAMED))] if begin else []
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
