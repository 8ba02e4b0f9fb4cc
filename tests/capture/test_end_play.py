"""From a trace to one number with its budget, or to a refusal; and what programs read of it."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from calc.uncertainty import Budget, Component
from calc.units import Unit
from capture.end_play import EndPlay, Refusal, analyse_trace, analysis_object, resolution_of
from capture.readings import Gauge, Trace
from capture.refusals import ReasonCode
from tests.capture.shapes import square, steps, strokes, trace_of_values


def measured(trace: Trace, gauge: Gauge | None = None) -> EndPlay:
    outcome = analyse_trace(trace, gauge or Gauge())
    assert isinstance(outcome, EndPlay), outcome
    return outcome


def rows(outcome: EndPlay) -> dict[str, Component]:
    return {row.source: row for row in outcome.budget.components}


# the number


def test_of_a_noise_free_trace_the_end_play_is_its_largest_reading_less_its_smallest() -> None:
    # TM 10-3930-664-24, page 3-41: readings of 0.000, +0.003, -0.002 and +0.003 in are a total indicator
    # reading of 0.005 in, largest less smallest; here the hub goes to and fro between the two
    readings = (0.000, 0.003, -0.002, 0.003)
    trace = square(min(readings), max(readings), decimals=4, unit=Unit.INCH)
    outcome = measured(trace)
    assert outcome.end_play_mm == pytest.approx(0.005 * 25.4, abs=1e-9)
    assert outcome.end_play_mm == pytest.approx(float(np.ptp(trace.readings_mm)), abs=1e-9)


def test_millimetres_and_inches_of_the_same_hub_agree() -> None:
    mm, inch = measured(square(0.0, 0.254)), measured(square(0.0, 0.010, decimals=4, unit=Unit.INCH))
    assert mm.end_play_mm == pytest.approx(inch.end_play_mm, abs=1e-9)


def test_strokes_half_strokes_and_dwells_are_all_told_of() -> None:
    levels = [1.0, 1.3, 1.0, 1.15, *strokes(1.0, 1.3, 6)]
    outcome = measured(trace_of_values(*steps(levels)))
    assert (outcome.strokes, outcome.half_strokes) == (8, 2)
    assert len(outcome.dwells) == len(levels)
    assert [mark.level_mm for mark in outcome.dwells] == pytest.approx(levels, abs=1e-9)
    assert [mark.side for mark in outcome.dwells] == [-1, 1] * 5 + [-1]
    assert [number for number, mark in enumerate(outcome.dwells) if not mark.on_stop] == [3]
    assert all(mark.from_s < mark.to_s for mark in outcome.dwells)


def test_the_marks_lie_where_the_readings_are_though_the_drift_is_taken_out() -> None:
    times, values = steps(strokes(1.0, 1.3, 10))
    creeping = values + 0.005 * times
    outcome = measured(trace_of_values(times, creeping))
    assert outcome.drift_mm_per_s == pytest.approx(0.005, abs=5e-5)
    for mark in outcome.dwells:
        here = (times >= mark.from_s) & (times <= mark.to_s)
        assert mark.level_mm == pytest.approx(float(creeping[here].mean()), abs=0.0005)


def test_a_slip_is_told_with_its_size_and_when_it_happened() -> None:
    times, values = steps(strokes(1.0, 1.3, 10))
    outcome = measured(trace_of_values(times, values + 0.12 * (times >= 6.1)))
    assert outcome.end_play_mm == pytest.approx(0.3, abs=0.001)
    assert outcome.slip is not None
    assert outcome.slip.size_mm == pytest.approx(0.12, abs=0.001)
    assert outcome.slip.after_s <= 6.1 <= outcome.slip.before_s
    assert outcome.notes == ("the base slipped once by +0.120 mm; the fit takes it out",)


@pytest.mark.parametrize(("bad", "text"), [(1, "1 single bad reading "), (3, "3 single bad readings ")])
def test_bad_readings_are_left_out_and_counted(bad: int, text: str) -> None:
    trace = square(1.0, 1.3)
    trace.counts[40 : 40 + 60 * bad : 60] *= 10
    outcome = measured(trace)
    assert outcome.end_play_mm == pytest.approx(0.3, abs=1e-9)
    assert outcome.notes == (text + "left out",)


# the budget


def test_the_budget_has_its_rows_each_with_its_kind() -> None:
    plain = rows(measured(square(1.0, 1.3)))
    assert {source: row.kind for source, row in plain.items()} == {
        "repeatability between strokes": "A",
        "resolution of two readings": "B",
        "drift not steady": "B",
    }
    assert plain["repeatability between strokes"].dof == 9 - 3  # dwells less base, end play and creep
    assert plain["resolution of two readings"].dof == math.inf


def test_the_resolution_of_two_readings_is_a_triangle_of_one_step() -> None:
    # GUM F.2.2.1 for each reading: step / sqrt(12); two of them: step / sqrt(6)
    row = rows(measured(square(1.0, 1.3)))["resolution of two readings"]
    assert row.u_mm == pytest.approx(0.001 / math.sqrt(6), rel=1e-12)


def test_a_gauge_that_shows_the_same_digits_at_every_rest_is_no_perfect_gauge() -> None:
    outcome = measured(square(1.0, 1.3, decimals=2))
    assert outcome.resolution_mm == pytest.approx(0.01)
    assert outcome.u_mm >= 0.01 / math.sqrt(6)
    # strokes that repeat exactly do not make a row of nothing
    assert rows(outcome)["repeatability between strokes"].u_mm >= 1e-6
    # 95 % of a triangle of half width one step: 0.776 of it; the normal factor makes it 0.80
    assert 0.77 * 0.01 <= outcome.expanded_mm <= 0.85 * 0.01


def test_a_permissible_error_is_a_rectangle_and_missing_when_nobody_states_it() -> None:
    # GUM 4.3.7
    stated = rows(measured(square(1.0, 1.3), Gauge(permissible_error_mm=0.004)))
    assert stated["indicator's permissible error"].u_mm == pytest.approx(0.004 / math.sqrt(3), rel=1e-12)
    assert "indicator's permissible error" not in rows(measured(square(1.0, 1.3)))


def test_a_stated_tilt_grows_with_the_end_play() -> None:
    name = "indicator not square to the axis"
    small, large = (
        rows(measured(square(1.0, 1.0 + end_play), Gauge(misalignment_deg=5.0)))[name].u_mm
        for end_play in (0.1, 0.4)
    )
    assert large == pytest.approx(4 * small, rel=1e-6)
    # all of the cosine error of 5 degrees as a bound: 0.0038 of the length
    assert 0.4 * (1 - math.cos(math.radians(5))) * 0.5 <= large <= 0.4 * (1 - math.cos(math.radians(5)))


def test_creep_that_bends_has_a_row_that_says_so() -> None:
    times, values = steps(strokes(1.0, 1.3, 10))
    straight = rows(measured(trace_of_values(times, values + 0.002 * times)))["drift not steady"]
    bent = rows(measured(trace_of_values(times, values + 0.0003 * times * times)))["drift not steady"]
    assert bent.u_mm > straight.u_mm


def test_the_whole_is_the_root_sum_square_and_the_interval_follows_student() -> None:
    outcome = measured(square(1.0, 1.3), Gauge(permissible_error_mm=0.004))
    parts = [row.u_mm for row in outcome.budget.components]
    assert outcome.u_mm == pytest.approx(math.sqrt(sum(u * u for u in parts)), rel=1e-12)
    assert outcome.expanded_mm == outcome.coverage_factor * outcome.u_mm
    assert outcome.dof == outcome.budget.dof
    assert 1.95 < outcome.coverage_factor < 2.0


# the resolution


@pytest.mark.parametrize(
    ("unit", "decimals", "counts", "step_mm"),
    [
        (Unit.MM, 3, 1, 0.001),
        (Unit.MM, 2, 1, 0.01),
        (Unit.MM, 3, 2, 0.002),
        (Unit.MM, 3, 5, 0.005),
        (Unit.INCH, 4, 5, 0.0127),
        (Unit.INCH, 5, 5, 0.00127),
        (Unit.INCH, 4, 1, 0.00254),
    ],
)
def test_the_step_is_told_from_the_readings(unit: Unit, decimals: int, counts: int, step_mm: float) -> None:
    rng = np.random.default_rng(1)
    walk = np.cumsum(rng.integers(-2, 3, 400)) * counts
    trace = Trace(np.linspace(0.0, 8.0, 400), walk.astype(np.int64), decimals, unit)
    assert resolution_of(trace) == pytest.approx(step_mm, rel=1e-12)


def test_a_few_bad_readings_do_not_make_the_step_finer() -> None:
    walk = np.cumsum(np.random.default_rng(1).integers(-2, 3, 400)) * 5
    walk[[50, 200, 333]] += 3
    assert resolution_of(
        Trace(np.linspace(0.0, 8.0, 400), walk.astype(np.int64), 4, Unit.INCH)
    ) == pytest.approx(0.0127)


def test_a_hub_at_rest_on_two_levels_shows_no_coarser_step_than_its_last_digit() -> None:
    assert resolution_of(square(1.0, 1.3)) == pytest.approx(0.001)


def test_a_stated_resolution_goes_before_what_the_readings_show() -> None:
    outcome = measured(square(1.0, 1.3), Gauge(resolution_mm=0.01))
    assert outcome.resolution_mm == 0.01
    assert rows(outcome)["resolution of two readings"].u_mm == pytest.approx(0.01 / math.sqrt(6))


# what programs read

KEYS = [
    "usable",
    "reasons",
    "end_play_mm",
    "u_mm",
    "expanded_mm",
    "coverage_factor",
    "dof",
    "strokes",
    "half_strokes",
    "resolution_mm",
    "drift_mm_per_s",
    "budget",
]


def test_the_object_of_an_end_play_has_its_keys_in_order_and_the_largest_row_first() -> None:
    outcome = measured(square(1.0, 1.3), Gauge(permissible_error_mm=0.004))
    found = analysis_object(outcome)
    assert list(found) == KEYS
    assert found["usable"] is True
    assert found["reasons"] == []
    assert found["end_play_mm"] == outcome.end_play_mm
    assert found["expanded_mm"] == outcome.expanded_mm
    assert found["strokes"] == 8
    assert list(found["budget"][0]) == ["source", "kind", "u_mm", "dof"]
    sizes = [row["u_mm"] for row in found["budget"]]
    assert sizes == sorted(sizes, reverse=True)
    assert found["budget"][0]["source"] == "indicator's permissible error"
    assert found["budget"][0]["dof"] is None  # infinite
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_the_object_of_a_refusal_has_the_same_keys_and_no_numbers() -> None:
    outcome = analyse_trace(square(1.0, 1.3, 2))
    assert isinstance(outcome, Refusal)
    found = analysis_object(outcome)
    assert list(found) == KEYS
    assert found["usable"] is False
    assert found["reasons"] == [{"code": "too-few-strokes", "text": outcome.reasons[0].text}]
    assert {found[key] for key in KEYS[2:-1]} == {None}
    assert found["budget"] == []


def test_degrees_of_freedom_without_end_are_null() -> None:
    certain = EndPlay(0.3, Budget((Component("resolution", "B", 0.001),)), 8, 0, 0.001, 0.0)
    assert certain.dof == math.inf
    assert analysis_object(certain)["dof"] is None


def test_no_readings_at_all_are_a_refusal_without_a_resolution() -> None:
    empty = Trace(np.empty(0), np.empty(0, dtype=np.int64), 3, Unit.MM)
    outcome = analyse_trace(empty)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code is ReasonCode.TOO_FEW_READINGS
    assert outcome.resolution_mm is None
