"""Take one whole measurement, trace included, out of a log."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from capture.readings import Trace
from joblog.codec import decode_trace, encode_trace
from joblog.errors import NoSuchMeasurement
from joblog.reader import full_id, reading
from joblog.records import Measurement, from_row


def load_measurement(path: Path, measurement_id: str) -> Measurement:
    """Read one measurement; the log is opened to read only.

    Args:
        path: The log.
        measurement_id: Its id, or enough of the beginning to tell it from others.

    Raises:
        NoSuchMeasurement: If the log has none with this id.
        AmbiguousId: If several ids begin like that.
        TraceDamaged: If its trace cannot be read back.
        LogFileError: If there is no log or it cannot be read.
    """
    with reading(path) as log:
        if log is None:
            raise NoSuchMeasurement(measurement_id)
        return fetch(log, full_id(log, measurement_id))


def fetch(log: sqlite3.Connection, measurement_id: str) -> Measurement:
    """The measurement with exactly this id.

    Raises:
        NoSuchMeasurement: If there is none.
        TraceDamaged: If its trace cannot be read back.
    """
    cursor = log.execute(
        "SELECT m.*, t.data FROM measurement m JOIN trace t ON t.measurement_id = m.id WHERE m.id = ?",
        (measurement_id,),
    )
    row = cursor.fetchone()
    if row is None:
        raise NoSuchMeasurement(measurement_id)
    named = dict(zip((column[0] for column in cursor.description), row, strict=True))
    return from_row(named, decode_trace(named["data"]))


def holders_of(path: Path, trace: Trace) -> list[str]:
    """The ids of the measurements that hold exactly these readings, in the order of recording.

    Args:
        path: The log.
        trace: The readings.

    Raises:
        LogFileError: If there is no log or it cannot be read.
    """
    query = (
        "SELECT m.id FROM trace t JOIN measurement m ON m.id = t.measurement_id "
        "WHERE t.readings = ? AND t.data = ? ORDER BY m.seq"
    )
    with reading(path) as log:
        if log is None:
            return []
        return [str(row[0]) for row in log.execute(query, (len(trace), encode_trace(trace)))]
