"""The result message: the measure object whole, and a trace that a page can draw."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.payloads import Result, decode
from bus.results import MOST_POINTS, brief_of, encode_result, points_of, result_object
from calc.units import Unit
from capture.readings import Trace
from joblog.records import Measurement

Make = Callable[..., Measurement]


def trace_of(counts: list[int], unit: Unit = Unit.MM) -> Trace:
    times = np.arange(len(counts), dtype=np.float64) * np.float64(0.01)
    return Trace(times_s=times, counts=np.array(counts, dtype=np.int64), decimals=3, unit=unit)


def test_nothing_of_the_measure_object_is_removed_or_changed(make: Make) -> None:
    one = make()
    sent = json.loads(encode_result(one, ["Next: fit the shim."]))
    whole = json.loads(json.dumps(one.measure_object()))
    assert {key: sent[key] for key in whole} == whole
    assert list(sent)[: len(whole)] == list(whole)
    assert sent["todo"] == ["Next: fit the shim."]


def test_it_is_read_back_as_the_type_says(make: Make) -> None:
    one = make()
    found = decode(encode_result(one), Result)
    assert found.measurement_id == one.id
    assert found.end_play_mm == one.analysis["end_play_mm"]
    assert found.shim is not None
    assert found.shim.choice is not None
    assert (found.state, found.verdict, found.unit) == ("measured", "loose", "mm")
    assert found.gauge_name == "left rear"
    assert found.trace is not None
    assert len(found.trace.time_s) <= MOST_POINTS


def test_every_key_of_the_message_is_one_of_the_type(make: Make) -> None:
    assert set(result_object(make())) <= set(Result.__struct_fields__)


def test_a_measurement_in_short(make: Make) -> None:
    one = make()
    brief = brief_of(one)
    assert (brief.verdict, brief.stage, brief.end_play_mm) == (
        "loose",
        "as-found",
        one.analysis["end_play_mm"],
    )
    assert one.shim is not None
    assert brief.fit_mm == one.shim["choice"]["thickness_mm"]


def test_an_empty_trace_has_no_points() -> None:
    assert points_of(trace_of([])) is None


def test_a_short_trace_is_whole() -> None:
    assert points_of(trace_of([1, 5, 2])) == {
        "time_s": [0.0, 0.01, 0.02],
        "reading_mm": [0.001, 0.005, 0.002],
    }


@pytest.mark.parametrize("spike", [0, 777, 11_999])
def test_one_reading_that_stands_out_is_not_lost(spike: int) -> None:
    counts = [100] * 12_000
    counts[spike] = 900
    points = points_of(trace_of(counts))
    assert points is not None
    assert max(points["reading_mm"]) == 0.9
    assert points["time_s"][points["reading_mm"].index(0.9)] == round(spike * 0.01, 3)


@given(st.lists(st.integers(-5000, 5000), min_size=1, max_size=2000))
def test_points_are_few_in_order_and_reach_both_ends(counts: list[int]) -> None:
    points = points_of(trace_of(counts))
    assert points is not None
    times, values = points["time_s"], points["reading_mm"]
    assert len(times) == len(values) <= MOST_POINTS
    assert times == sorted(times)
    assert (times[0], times[-1]) == (0.0, round((len(counts) - 1) * 0.01, 3))
    assert (min(values), max(values)) == (min(counts) / 1000, max(counts) / 1000)


def test_inches_become_millimetres() -> None:
    points = points_of(trace_of([12], Unit.INCH))
    assert points is not None
    assert points["reading_mm"] == [pytest.approx(0.3048)]
