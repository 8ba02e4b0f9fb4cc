"""The readings of a measurement so far."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.recording import Recording

VALUES = st.lists(
    st.builds(
        lambda count, places: Decimal(count).scaleb(-places), st.integers(-99999, 99999), st.integers(0, 6)
    ),
    min_size=1,
)


@given(VALUES)
def test_every_reading_is_kept_exactly_whatever_digits_the_others_have(values: list[Decimal]) -> None:
    recording = Recording()
    for number, value in enumerate(values):
        recording.append(0.02 * number, value)
    trace = recording.trace(Unit.MM)
    assert [Decimal(text) for text in trace.texts()] == values
    assert trace.times_s.tolist() == [0.02 * number for number in range(len(values))]
    assert recording.last_s == trace.times_s[-1]
    assert recording.last_digit == Decimal(1).scaleb(-trace.decimals)


def test_the_oldest_go_first() -> None:
    recording = Recording()
    for number in range(10):
        recording.append(float(number), Decimal(number))
    recording.drop_oldest(4)
    assert len(recording) == 6
    assert recording.trace(Unit.MM).counts.tolist() == [4, 5, 6, 7, 8, 9]


def test_a_trace_does_not_change_when_more_comes() -> None:
    recording = Recording()
    recording.append(0.0, Decimal("0.1"))
    trace = recording.trace(Unit.INCH)
    recording.append(1.0, Decimal("0.25"))
    assert trace.counts.tolist() == [1]
    assert trace.unit is Unit.INCH


def test_an_empty_one_is_a_trace_without_readings() -> None:
    trace = Recording().trace(Unit.MM)
    assert len(trace) == 0
    assert trace.times_s.dtype == np.float64
    assert trace.counts.dtype == np.int64
