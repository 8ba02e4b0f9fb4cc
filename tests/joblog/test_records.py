"""A measurement as a row and back, and what is refused before it gets that far."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.readings import Gauge
from joblog.errors import RecordError
from joblog.records import CORNERS, STAGES, Measurement, from_row, new_id, to_row, utc_now, utc_text

Make = Callable[..., Measurement]


def test_a_row_and_back(make: Make) -> None:
    measurement = make()
    assert from_row(dict(to_row(measurement)), measurement.trace) == measurement


def test_a_refused_measurement_without_the_optional_parts(make: Make) -> None:
    analysis = {"usable": False, "reasons": [{"code": "too_few_strokes", "text": "two"}], "end_play_mm": None}
    gone = dict.fromkeys(("verdict", "p_within", "fitted_mm", "shim", "vehicle", "job"))
    measurement = make(
        state="refused", analysis=analysis, gauge=Gauge(), unit=Unit.INCH, simulated=False, **gone
    )
    row = to_row(measurement)
    assert (row["end_play_mm"], row["verdict"], row["shim"], row["simulated"]) == (None, None, None, 0)
    assert from_row(dict(row), measurement.trace) == measurement


def test_what_is_filtered_on_has_a_column_of_its_own(make: Make) -> None:
    row = to_row(make())
    assert (row["end_play_mm"], row["u_mm"], row["expanded_mm"]) == (0.1 + 0.2, 0.0012345678901234567, 0.0025)


_NUMBERS = st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.none() | st.text()


@given(analysis=st.dictionaries(st.text(), _NUMBERS | st.lists(_NUMBERS)))
def test_an_analysis_comes_back_exactly_and_in_order(make: Make, analysis: dict[str, Any]) -> None:
    measurement = make(analysis=analysis)
    back = from_row(dict(to_row(measurement)), measurement.trace)
    assert repr(back.analysis) == repr(analysis)  # repr: 1 is not 1.0, -0.0 is not 0.0, and order counts


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1}, b"bytes"])
def test_what_json_cannot_hold_is_named(make: Make, value: object) -> None:
    with pytest.raises(RecordError, match="analysis: cannot be stored as JSON") as caught:
        to_row(make(analysis={"u_mm": value}))
    assert caught.value.field == "analysis"


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("corner", "XX", "use one of LF, RF, LR, RR"),
        ("stage", "as found", "use one of as-found, trial, as-left"),
        ("state", "done", "use one of measured, refused, unfinished"),
        ("id", "7", "not a UUID"),
        ("id", "D9B2D63D-A233-4123-847A-7090A8D6C6A1", "not a UUID in its usual form"),
        ("at", "yesterday", "not an ISO 8601 time"),
        ("at", "2026-03-02T08:30:05", "has no time zone"),
    ],
)
def test_a_wrong_part_is_named_with_what_to_write(make: Make, field: str, value: str, text: str) -> None:
    with pytest.raises(RecordError, match=text) as caught:
        make(**{field: value})
    assert caught.value.field == field


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("stage", STAGES)
def test_every_corner_and_stage(make: Make, corner: str, stage: str) -> None:
    assert make(corner=corner, stage=stage).corner == corner


def test_any_offset_is_kept_as_utc(make: Make) -> None:
    assert make(at="2026-03-02T09:30:05.250999+01:00").at == "2026-03-02T08:30:05.250Z"
    assert make(at="2026-12-31T23:30:00-01:00").at == "2027-01-01T00:30:00.000Z"


def test_now_is_utc() -> None:
    now = utc_now()
    assert now.endswith("Z")
    assert utc_text(datetime.fromisoformat(now)) == now


def test_ids_differ(make: Make) -> None:
    assert new_id() != new_id()
    assert make(id=(fresh := new_id())).id == fresh


def test_the_measure_object_has_the_analysis_first_then_its_own_keys(make: Make) -> None:
    measurement = make()
    keys = list(measurement.measure_object())
    own = ["measurement_id", "at", "corner", "stage", "verdict", "p_within"]
    assert keys == [*measurement.analysis, *own, "shim", "simulated"]
    bare = make(shim=None, simulated=False).measure_object()
    assert list(bare) == [*measurement.analysis, *own]
