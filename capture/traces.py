"""Trace files: CSV headed ``time_s,reading_mm`` or ``time_s,reading_in``, every number exactly as given."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import TextIO

import numpy as np

from calc.units import Unit
from capture.errors import TraceFileError
from capture.readings import MOST_DECIMALS, MOST_VALUE, Trace

_UNIT_OF_HEADER = {f"time_s,reading_{unit}": unit for unit in Unit}

_HEADERS = " or ".join(_UNIT_OF_HEADER)

_READING = re.compile(r"[+-]?(?:[0-9]+(?:\.([0-9]*))?|\.([0-9]+))").fullmatch

_TIME = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?").fullmatch


def read_csv(path: str | Path) -> Trace:
    """Read a trace file.

    Args:
        path: The file, UTF-8.

    Raises:
        TraceFileError: If it cannot be read, holds no readings, or a line is wrong; it names the line.
    """
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as file:
            return parse_csv(file, path)
    except OSError as error:
        raise TraceFileError(path, None, f"cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise TraceFileError(path, None, f"is not text, so it is no trace file ({error.reason})") from error


def parse_csv(lines: Iterable[str], path: str | Path) -> Trace:
    r"""Make a trace of the lines of a CSV file.

    >>> parse_csv(["time_s,reading_mm\n", "0.00,0.310\n", "0.02,0.31\n"], "demo.csv").texts()
    ['0.310', '0.310']

    Args:
        lines: The lines, header first; blank ones are nothing.
        path: What to call the file in an error.

    Raises:
        TraceFileError: If there are no readings or a line is wrong; it names the line.
    """
    rows = csv.reader(lines)
    times: list[float] = []
    values: list[Decimal] = []
    decimals = 0
    unit: Unit | None = None
    last = -math.inf
    try:
        for row in rows:
            if not row or row == [""]:
                continue
            if unit is None:
                unit = _unit_of(row, path, rows.line_num)
                continue
            try:
                time_text, reading_text = row
            except ValueError:
                raise TraceFileError(
                    path, rows.line_num, f"{len(row)} columns, but a time and a reading make two"
                ) from None
            last = _time(time_text.strip(), last, path, rows.line_num)
            value, digits = _reading(reading_text.strip(), path, rows.line_num)
            decimals = max(decimals, digits)
            times.append(last)
            values.append(value)
    except csv.Error as error:
        raise TraceFileError(path, rows.line_num, f"is no CSV: {error}") from error
    if unit is None:
        raise TraceFileError(path, None, f"is empty; its first line must be {_HEADERS}")
    if not values:
        raise TraceFileError(path, None, "has no readings, only a header")
    return Trace(
        np.array(times, dtype=np.float64),
        np.array([int(value.scaleb(decimals)) for value in values], dtype=np.int64),
        decimals,
        unit,
    )


def write_csv(trace: Trace, file: TextIO) -> None:
    r"""Write a trace; ``read_csv`` gives the same trace back, to the last bit.

    Args:
        trace: The trace.
        file: Open for text, with ``newline=""``; lines end in LF.
    """
    file.write(f"time_s,reading_{trace.unit}\n")
    file.writelines(
        f"{time!r},{text}\n" for time, text in zip(trace.times_s.tolist(), trace.texts(), strict=True)
    )


def _unit_of(row: list[str], path: str | Path, line: int) -> Unit:
    unit = _UNIT_OF_HEADER.get(",".join(cell.strip() for cell in row))
    if unit is not None:
        return unit
    hint = "; columns are parted by commas, not semicolons" if ";" in row[0] else ""
    raise TraceFileError(path, line, f'the header is "{_short(",".join(row))}", not {_HEADERS}{hint}')


def _time(text: str, last: float, path: str | Path, line: int) -> float:
    if not _TIME(text):
        raise TraceFileError(path, line, f'the time "{_short(text)}" is no number of seconds')
    time = float(text)
    if not math.isfinite(time):
        raise TraceFileError(path, line, f'the time "{_short(text)}" is too large')
    if time < last:
        raise TraceFileError(path, line, f"the time goes back from {last!r} s to {time!r} s")
    return time


def _reading(text: str, path: str | Path, line: int) -> tuple[Decimal, int]:
    match = _READING(text)
    if match is None:
        raise TraceFileError(path, line, f'the reading "{_short(text)}" is no decimal number with a point')
    digits = len(match[1] or match[2] or "")
    if digits > MOST_DECIMALS:
        raise TraceFileError(
            path, line, f'the reading "{_short(text)}" has more than {MOST_DECIMALS} digits after the point'
        )
    value = Decimal(text)
    if abs(value) > MOST_VALUE:
        raise TraceFileError(
            path, line, f'the reading "{_short(text)}" is larger than any indicator\'s range ({MOST_VALUE})'
        )
    return value, digits


def _short(text: str) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= 40 else shown[:37] + "..."
