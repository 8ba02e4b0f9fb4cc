"""Hand what the log holds to other programs: one trace as CSV, or everything but the traces as JSON lines."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, TextIO

from joblog.fetch import load_measurement
from joblog.reader import reading

_OBJECTS = frozenset({"shim", "gauge", "analysis", "notes"})  # kept as JSON text


def export_trace(path: Path, measurement_id: str, file: TextIO) -> int:
    """Write a measurement's trace as CSV: ``time_s,reading_mm`` or ``time_s,reading_in``, exact decimals.

    Args:
        path: The log.
        measurement_id: Its id, or enough of the beginning to tell it from others.
        file: Open for text, with ``newline=""``.

    Returns:
        How many readings were written.

    Raises:
        LogError: If the log or the measurement cannot be read; nothing is written then.
    """
    from capture.traces import write_csv  # noqa: PLC0415  (a JSON listing does not need it)

    trace = load_measurement(path, measurement_id).trace
    write_csv(trace, file)
    return len(trace)


def export_log(path: Path, file: TextIO) -> int:
    """Write every measurement as one JSON object a line, oldest first, all that is known of it but the trace.

    Keys are the columns of the table ``measurement`` (``docs/the-log.md``); ``id`` is called
    ``measurement_id``, as everywhere outside, and ``readings`` is how many the trace has.

    Args:
        path: The log.
        file: Open for text.

    Returns:
        How many measurements were written.

    Raises:
        LogError: If the log cannot be read.
    """
    written = 0
    with reading(path) as log:
        if log is None:
            return 0
        cursor = log.execute(
            "SELECT m.*, t.readings FROM measurement m JOIN trace t ON t.measurement_id = m.id ORDER BY m.seq"
        )
        names = [column[0] for column in cursor.description]
        for row in cursor:
            file.write(json.dumps(_as_object(dict(zip(names, row, strict=True))), ensure_ascii=False) + "\n")
            written += 1
    return written


def _as_object(row: dict[str, Any]) -> dict[str, Any]:
    values = {name: _value(name, value) for name, value in row.items() if name not in {"seq", "id"}}
    return {"measurement_id": row["id"], **values}


def _value(name: str, value: Any) -> Any:  # noqa: ANN401  (any column)
    if name in _OBJECTS and value is not None:
        return json.loads(value)
    return bool(value) if name == "simulated" else value
