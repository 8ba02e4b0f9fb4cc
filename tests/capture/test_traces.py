"""Trace files come back to the last bit, and every mistake is named with its line."""

from __future__ import annotations

import io
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.errors import TraceFileError
from capture.readings import Trace
from capture.traces import parse_csv, read_csv, write_csv

rows = st.lists(st.tuples(st.floats(-1e9, 1e9), st.integers(-(10**4), 10**4)), min_size=1, max_size=30)


@given(rows=rows, decimals=st.integers(0, 9), unit=st.sampled_from(list(Unit)))
def test_a_trace_comes_back_to_the_last_bit(rows: list[tuple[float, int]], decimals: int, unit: Unit) -> None:
    times = np.array(sorted(time for time, _ in rows), dtype=np.float64)
    trace = Trace(times, np.array([count for _, count in rows], dtype=np.int64), decimals, unit)
    file = io.StringIO()
    write_csv(trace, file)
    assert parse_csv(io.StringIO(file.getvalue()), "x.csv") == trace


def read(text: str) -> Trace:
    return parse_csv(io.StringIO(text), "x.csv")


def test_what_is_written() -> None:
    file = io.StringIO()
    write_csv(Trace(np.array([0.0, 0.02]), np.array([310, -5]), 3, Unit.INCH), file)
    assert file.getvalue() == "time_s,reading_in\n0.0,0.310\n0.02,-0.005\n"


def test_readings_of_unlike_lengths_share_the_most_decimals() -> None:
    trace = read("time_s,reading_mm\n0,1\n1,+.25\n2,-0.5\n3,7.\n")
    assert (trace.decimals, trace.counts.tolist()) == (2, [100, 25, -50, 700])


@pytest.mark.parametrize(
    "text",
    [
        "\ufefftime_s,reading_mm\r\n0,0.5\r\n1e-1,0.6\r\n",
        'time_s, reading_mm\n\n"0", 0.5 \n0.1,0.6\n\n',
        "time_s,reading_mm\r0,0.5\r0.1,0.6",
    ],
)
def test_files_as_spreadsheets_and_editors_leave_them(text: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode())
    trace = read_csv(path)
    assert (trace.times_s.tolist(), trace.texts()) == ([0.0, 0.1], ["0.5", "0.6"])


HEAD = "time_s,reading_mm\n"


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        ("", None, "is empty"),
        ("\n\n", None, "is empty"),
        (HEAD, None, "no readings"),
        ("0.0,0.5\n", 1, "the header is"),
        ("time_s;reading_mm\n0;0,5\n", 1, "not semicolons"),
        ("time_s,reading_um\n", 1, "reading_mm or time_s,reading_in"),
        (HEAD + "0,0.5\n\n1,abc\n", 4, '"abc" is no decimal number'),
        (HEAD + "0,nan\n", 2, '"nan" is no decimal number'),
        (HEAD + "0,\n", 2, '"" is no decimal number'),
        (HEAD + "0,1e-3\n", 2, "no decimal number"),
        (HEAD + "0,0x12\n", 2, "no decimal number"),
        (HEAD + "0,٣\n", 2, "no decimal number"),
        (HEAD + "0,0,5\n", 2, "3 columns"),
        (HEAD + "0\n", 2, "1 columns"),
        (HEAD + "0,0.5,\n", 2, "3 columns"),
        (HEAD + "nan,0.5\n", 2, 'time "nan"'),
        (HEAD + "inf,0.5\n", 2, 'time "inf"'),
        (HEAD + "1e999,0.5\n", 2, "too large"),
        (HEAD + "1_0,0.5\n", 2, 'time "1_0"'),
        (HEAD + "2,0.5\n1.5,0.5\n", 3, "goes back from 2.0 s to 1.5 s"),
        (HEAD + "0,0.1234567891\n", 2, "more than 9 digits"),
        (HEAD + "0,10000.5\n", 2, "larger than any indicator's range"),
        (HEAD + "0," + "9" * 5000 + "\n", 2, "larger than any indicator's range"),
    ],
)
def test_a_mistake_is_named_with_its_line(text: str, line: int | None, why: str) -> None:
    with pytest.raises(TraceFileError) as caught:
        read(text)
    assert caught.value.line == line
    assert why in str(caught.value)
    assert str(caught.value).startswith("x.csv: " if line is None else f"x.csv, line {line}: ")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


def test_a_field_that_never_ends(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEAD + '0,"' + "1" * 200_000)
    with pytest.raises(TraceFileError, match="is no CSV: field larger"):
        read_csv(path)


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (lambda _: None, "No such file"),
        (lambda path: path.mkdir(), "Is a directory"),
        (lambda path: path.write_bytes(b"\xff\xfe\x00\x01" * 50), "is not text"),
    ],
)
def test_a_file_that_cannot_be_read_is_named(make: object, why: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    assert callable(make)
    make(path)
    with pytest.raises(TraceFileError, match=why) as caught:
        read_csv(path)
    assert caught.value.line is None
    assert caught.value.path == path


def test_equal_times_are_in_order() -> None:
    trace = read(HEAD + "1,0.5\n1,0.6\n")
    assert [Decimal(text) for text in trace.texts()] == [Decimal("0.5"), Decimal("0.6")]
