"""What the formats share: JSON inside a row, numbers that JSON does not know, and traces taken apart."""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from calc.units import Unit
from capture.readings import Trace
from joblog.codec import decode_trace, encode_trace
from joblog.errors import TraceDamaged
from joblog.tables import Table

FORM = 1
"""Number of the way in which exports are laid out; a reader refuses a higher one."""

Row = dict[str, Any]

_DOUBLE = struct.Struct(">d")


class Head(NamedTuple):
    """What an export says of itself.

    Attributes:
        written_at: UTC.
        version: Of the program that wrote it.
        whole: Whether it is all that its log held.
        counts: Rows by table.
    """

    written_at: str
    version: str
    whole: bool
    counts: dict[str, int]


def plain_row(table: Table, row: Row) -> Row:
    """A row with JSON as objects and flags as true or false, for JSON and Parquet."""
    return {
        column.name: _plain(column.kind, row[column.name])
        for column in table.columns
        if column.kind != "bytes"
    }


def stored_row(table: Table, row: Mapping[str, Any], *, parsed: bool = True) -> Row:
    """The row as SQLite holds it; the opposite of ``plain_row``. Columns that it lacks are empty.

    Args:
        table: Its table.
        row: Columns and values.
        parsed: Whether JSON comes as what it stands for; else as text, which is then kept as it is.

    Raises:
        KeyError: If it has a column that is not known here.
        ValueError: If a value is not of its column's kind.
    """
    if unknown := sorted(set(row) - set(table.names())):
        raise KeyError(unknown[0])
    return {
        column.name: _stored(column.name, column.kind, row.get(column.name), parsed)
        for column in table.columns
    }


def compact(value: Any) -> str:  # noqa: ANN401  (any JSON)
    """JSON as the log keeps it: no blanks, floats to the last digit.

    Raises:
        ValueError: If it holds not-a-number or an infinite number.
    """
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def trace_of(row: Row) -> Trace:
    """The trace in a row of the table ``trace``.

    Raises:
        TraceDamaged: If it does not read back; it names the measurement.
        TraceTooNew: If its format is a later one.
    """
    try:
        return decode_trace(row["data"])
    except TraceDamaged as error:
        raise TraceDamaged(f"measurement {row['measurement_id']}, {error.what}") from error


def trace_row(measurement_id: str, trace: Trace) -> Row:
    """A row of the table ``trace``.

    Raises:
        ValueError: If the trace is ill formed.
    """
    return {"measurement_id": measurement_id, "readings": len(trace), "data": encode_trace(trace)}


def bits_of(number: float) -> str | None:
    """The bits of a number that no decimal can write, as 16 hexadecimal digits; None for a finite one.

    >>> bits_of(0.5), bits_of(float("inf"))
    (None, '7ff0000000000000')
    """
    return None if math.isfinite(number) else _DOUBLE.pack(number).hex()


def from_bits(text: str) -> float:
    """The number with these bits.

    Raises:
        ValueError: If they are not 16 hexadecimal digits.
    """
    packed = bytes.fromhex(text)
    if len(packed) != _DOUBLE.size:
        raise ValueError(f"{text!r} are not the bits of a number")
    return float(_DOUBLE.unpack(packed)[0])


def made_trace(times: list[float], counts: list[int], decimals: int, unit: str) -> Trace:
    """A trace of columns that were read from a file.

    Raises:
        ValueError: If they do not fit together, or a count is too large.
    """
    try:
        whole = np.array(counts, dtype=np.int64)
    except OverflowError as error:
        raise ValueError("a reading has too many digits") from error
    return Trace(np.array(times, dtype=np.float64), whole, decimals, Unit(unit))


def _plain(kind: str, value: Any) -> Any:  # noqa: ANN401  (any column)
    if value is None:
        return None
    if kind in {"object", "array"}:
        return json.loads(value)
    if kind == "flag":
        return bool(value)
    if kind == "real" and not math.isfinite(value):
        return repr(value)
    return value


def _stored(name: str, kind: str, value: Any, parsed: bool) -> Any:  # noqa: ANN401  (any column)
    if value is None:
        return None
    if kind in {"object", "array"} and parsed:
        return compact(value)
    if kind == "real" and isinstance(value, (int, float, str)) and not isinstance(value, bool):
        return float(value)
    fits = {
        "flag": isinstance(value, bool),
        "whole": isinstance(value, int) and not isinstance(value, bool),
        "bytes": isinstance(value, bytes),
    }
    if not fits.get(kind, isinstance(value, str)) or kind == "real":
        raise ValueError(f"{name} is {value!r}")
    return int(value) if kind == "flag" else value
