"""JSON lines: one row a line, under a line that says what it is and above one that says that it is whole.

::

    {"shimwright": "export", "form": 1, "written_at": ..., "version": ..., "whole": ..., "counts": {...}}
    {"record": "measurement", "id": ..., ...}
    {"record": "trace", "measurement_id": ..., "unit": "mm", "decimals": 3, "times_s": [...], "counts": [...]}
    ...
    {"record": "end", "lines": 2, "sha256": ...}

A reading is its count divided by ten to the power of ``decimals``, in ``unit``. A time that no decimal can
write (not-a-number, infinite) is null, and its bits stand in ``times_bits``, by its place from 0. ``sha256``
is of all the lines before the last one.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from joblog.errors import ExportDamaged, ExportTooNew, NotAnExport
from joblog.formats.rows import (
    FORM,
    Head,
    Row,
    bits_of,
    from_bits,
    made_trace,
    plain_row,
    stored_row,
    trace_of,
    trace_row,
)
from joblog.selection import Selection
from joblog.tables import PORTABLE, Table

MARK = "shimwright"


def write(selection: Selection, head: Head, file: BinaryIO) -> None:
    """Write a selection.

    Args:
        selection: What to write.
        head: What to say of it.
        file: Open for bytes.

    Raises:
        LogError: If a trace cannot be read.
        OSError: If it cannot be written.
    """
    digest, lines = hashlib.sha256(), 0

    def put(item: dict[str, Any]) -> None:
        nonlocal lines
        line = json.dumps(item, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        digest.update(line)
        file.write(line)
        lines += 1

    put({MARK: "export", "form": FORM, **head._asdict()})
    for table in selection.tables:
        for row in selection.rows(table.name):
            put({"record": table.name, **(_trace(row) if table.name == "trace" else plain_row(table, row))})
    end = {"record": "end", "lines": lines - 1, "sha256": digest.hexdigest()}
    file.write(json.dumps(end).encode() + b"\n")


def looks_like(begin: bytes) -> bool:
    """Whether a file that begins like this is one of these."""
    return begin.startswith(b'{"shimwright": "export"')


def rows(path: Path, tables: dict[str, Table]) -> Iterator[tuple[str, Row]]:
    """Read the rows of a file, as SQLite is to hold them, each with its table's name.

    Only after the last one it is sure that the file is whole: keep nothing before.

    Raises:
        NotAnExport: If it is no such file.
        ExportTooNew: If it was written by a newer version.
        ExportDamaged: If it is not as it was written.
        OSError: If it cannot be read.
    """
    digest, number, end = hashlib.sha256(), 0, None
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            item = _parsed(path, number, line)
            if number == 1:
                _check_head(path, item)
            elif item.get("record") == "end":
                end = item
                break
            else:
                yield _row(path, number, item, tables)
            digest.update(line)
        more = file.read(1)
    if end is None:
        raise ExportDamaged(path, "its end is missing" if number else "it is empty")
    if more or end.get("lines") != number - 2 or end.get("sha256") != digest.hexdigest():
        raise ExportDamaged(path, "its checksum does not agree")


def _trace(row: Row) -> dict[str, Any]:
    trace = trace_of(row)
    times = trace.times_s.tolist()
    bits = {str(place): bits for place, time in enumerate(times) if (bits := bits_of(time)) is not None}
    return {
        "measurement_id": row["measurement_id"],
        "unit": trace.unit.value,
        "decimals": trace.decimals,
        "times_s": [None if str(place) in bits else time for place, time in enumerate(times)]
        if bits
        else times,
        "counts": trace.counts.tolist(),
        **({"times_bits": bits} if bits else {}),
    }


def _parsed(path: Path, number: int, line: bytes) -> dict[str, Any]:
    try:
        item = json.loads(line)
    except (ValueError, RecursionError):
        item = None
    if not isinstance(item, dict):
        raise ExportDamaged(path, f"line {number} is no JSON object")
    return item


def _check_head(path: Path, item: dict[str, Any]) -> None:
    if item.get(MARK) != "export" or not isinstance(item.get("form"), int):
        raise NotAnExport(path, "its first line is not that of an export")
    if item["form"] > FORM:
        raise ExportTooNew(path, f"form {item['form']}")


def _row(path: Path, number: int, item: dict[str, Any], tables: dict[str, Table]) -> tuple[str, Row]:
    name = item.pop("record", None)
    if name not in PORTABLE:
        raise ExportTooNew(path, f"line {number}: the record {name!r}")
    try:
        return name, _untraced(item) if name == "trace" else stored_row(tables[name], item)
    except KeyError as error:
        raise ExportTooNew(path, f"line {number}: the column {error.args[0]!r}") from error
    except (ValueError, TypeError, AttributeError) as error:
        raise ExportDamaged(path, f"line {number}: {error}") from error


def _untraced(item: dict[str, Any]) -> Row:
    if missing := {"measurement_id", "unit", "decimals", "times_s", "counts"} - set(item):
        raise ValueError(f"the trace has no {min(missing)}")
    times = item["times_s"]
    for place, bits in item.get("times_bits", {}).items():
        times[int(place)] = from_bits(bits)
    if not all(isinstance(time, float) for time in times) or not all(
        type(one) is int for one in item["counts"]
    ):
        raise ValueError("a time or a reading is no number")
    return trace_row(
        item["measurement_id"], made_trace(times, item["counts"], item["decimals"], item["unit"])
    )
