"""Strokes that a person struck out: the rest of them must be as right as if those had never been made."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.dwells import struck_among
from capture.end_play import DwellMark, EndPlay, Refusal, analyse_trace
from capture.readings import Gauge, Trace
from capture.refusals import ReasonCode
from capture.session import strokes_among
from capture.simulator import HubModel, simulate
from capture.spots import LEAST_PRESSES
from capture.votes import vote_drift
from tests.capture.shapes import square, steps, strokes, trace_of_values

MODEL = HubModel(strokes=10)


def marks_of(trace: Trace, gauge: Gauge | None = None) -> tuple[DwellMark, ...]:
    return analyse_trace(trace, gauge or Gauge()).dwells


def spans(marks: tuple[DwellMark, ...], *numbers: int) -> list[tuple[float, float]]:
    return [(marks[number].from_s, marks[number].to_s) for number in numbers]


def spoiled(trace: Trace, marks: tuple[DwellMark, ...], *short: tuple[int, float]) -> Trace:
    """The trace with some of its rests so many millimetres short of their stop, as if held there."""
    times, values = trace.times_s, trace.readings_mm.copy()
    for number, by_mm in short:
        before, mark = marks[number - 1], marks[number]
        after_s = marks[number + 1].from_s if number + 1 < len(marks) else math.inf
        middle = 0.5 * (before.level_mm + mark.level_mm)
        visit = (times >= before.to_s) & (times <= after_s) & ((values - middle) * mark.side > 0)
        values[visit] = middle + (values[visit] - middle) * (1 - by_mm / abs(mark.level_mm - middle))
    return replace(trace, counts=np.rint(values * 10**trace.decimals).astype(np.int64))


@pytest.mark.parametrize("extra", [{}, {"drift_mm_per_min": 0.3}, {"slip_mm": 0.08}], ids=str)
def test_without_a_bad_stroke_the_interval_holds_the_truth_as_often_as_it_says(
    extra: dict[str, float],
) -> None:
    """95 % of 200, less three standard deviations of that share; the simulated hub is simulated."""
    held = 0
    for seed in range(200):
        sound = simulate(replace(MODEL, **extra), seed)  # type: ignore[arg-type]
        number = 2 + seed % 7
        marks = marks_of(sound.trace)
        trace = spoiled(sound.trace, marks, (number, 0.012))
        found = analyse_trace(trace, struck=spans(marks, number))
        assert isinstance(found, EndPlay)
        assert found.dwells[number].struck
        assert not found.dwells[number].on_stop
        assert sound.truth_mm is not None
        held += abs(found.end_play_mm - sound.truth_mm) <= found.expanded_mm
    assert held >= 200 * (0.95 - 3 * math.sqrt(0.95 * 0.05 / 200))


def test_a_refused_trace_is_a_measurement_once_its_bad_strokes_are_out() -> None:
    sound = simulate(HubModel(strokes=14), 3)
    bad = ((3, 0.05), (5, 0.08), (6, 0.03), (8, 0.12), (9, 0.07))
    marks = marks_of(sound.trace)
    trace = spoiled(sound.trace, marks, *bad)
    before = analyse_trace(trace)
    found = analyse_trace(trace, struck=spans(marks, *(number for number, _ in bad)))
    assert isinstance(before, Refusal) or before.half_strokes > 0
    assert isinstance(found, EndPlay)
    assert (found.strokes, found.half_strokes) == (6, 0)  # 1, 2, then 11 to 14
    assert abs(found.end_play_mm - 0.31) <= found.expanded_mm


def test_the_slip_and_the_creep_are_still_seen() -> None:
    sound = simulate(HubModel(strokes=12, slip_mm=0.1, drift_mm_per_min=0.3), 5)
    marks = marks_of(sound.trace)
    found = analyse_trace(sound.trace, struck=spans(marks, 3))
    assert isinstance(found, EndPlay)
    assert found.slip is not None
    assert found.slip.size_mm == pytest.approx(0.1, abs=0.005)
    assert found.drift_mm_per_s == pytest.approx(0.3 / 60, abs=0.0005)


def test_a_stroke_struck_out_is_no_half_stroke_and_those_beside_it_do_not_count() -> None:
    trace = square(0.0, 0.31, 10)
    plain = analyse_trace(trace)
    found = analyse_trace(trace, struck=spans(plain.dwells, 4))
    assert isinstance(plain, EndPlay)
    assert isinstance(found, EndPlay)
    assert (plain.strokes, plain.half_strokes) == (10, 0)
    assert (found.strokes, found.half_strokes) == (8, 0)
    assert len(list(strokes_among(found.dwells))) == 8
    assert found.end_play_mm == pytest.approx(plain.end_play_mm, abs=1e-9)


def test_the_last_strokes_and_the_rest_before_the_first_can_go_too() -> None:
    trace = square(0.0, 0.31, 10)
    found = analyse_trace(trace, struck=spans(marks_of(trace), 0, 10))
    assert found.strokes == 8


def test_with_too_many_out_it_says_how_many_are_left() -> None:
    trace = square(0.0, 0.31, 6)
    found = analyse_trace(trace, struck=spans(marks_of(trace), 2, 4))
    assert isinstance(found, Refusal)
    assert found.reasons[0].code is ReasonCode.TOO_FEW_STROKES
    assert found.reasons[0].text.startswith("2 full strokes are left")
    everything = analyse_trace(trace, struck=spans(marks_of(trace), *range(7)))
    assert isinstance(everything, Refusal)
    assert everything.reasons[0].code is ReasonCode.TOO_FEW_STROKES
    presses = trace_of_values(2.0 * np.arange(7, dtype=np.float64), np.array(strokes(0.0, 0.31, 6)))
    gauge = Gauge(single=True)
    found = analyse_trace(presses, gauge, spans(marks_of(presses, gauge), 2, 4))
    assert isinstance(found, Refusal)
    assert "are left" in found.reasons[0].text


def test_one_far_off_that_was_struck_out_does_not_count_as_the_plunger_off_its_face() -> None:
    # every third pull goes beyond the stop, as when the plunger leaves the face
    levels = [0.4 if k in {3, 7, 9} else level for k, level in enumerate(strokes(0.0, 0.31, 12))]
    trace = trace_of_values(*steps(levels))
    before = analyse_trace(trace)
    assert isinstance(before, Refusal)
    found = analyse_trace(trace, struck=spans(before.dwells, 3, 7, 9))
    assert isinstance(found, EndPlay)
    assert found.end_play_mm == pytest.approx(0.31, abs=1e-9)


def test_how_long_a_struck_out_rest_lasted_does_not_matter() -> None:
    # the hub was left half way for two minutes: of all that time it rested against its stops for little
    lasts = [120.0 if k == 5 else 1.0 for k in range(13)]
    levels = [0.15 if k == 5 else level for k, level in enumerate(strokes(0.0, 0.31, 12))]
    begins = np.cumsum([0.0, *(last + 0.2 for last in lasts[:-1])])
    corners = np.ravel(np.column_stack((begins, begins + lasts)))
    times = np.asarray(np.round(np.arange(0.0, float(corners[-1]), 0.02), 6), dtype=np.float64)
    trace = trace_of_values(times, np.interp(times, corners, np.repeat(levels, 2)))
    before = analyse_trace(trace)
    assert isinstance(before, Refusal)
    assert "does not rest against its stops" in before.reasons[0].text
    number = next(i for i, mark in enumerate(before.dwells) if mark.to_s - mark.from_s > 100)
    found = analyse_trace(trace, struck=spans(before.dwells, number))
    assert isinstance(found, EndPlay)
    assert found.end_play_mm == pytest.approx(0.31, abs=1e-9)


def test_what_was_struck_out_has_no_vote() -> None:
    at = np.arange(16, dtype=np.float64)
    creeping = np.arange(16) % 4 != 0  # most of them, and these lie level along a creep
    level = np.where(np.arange(16) % 2, 0.31, 0.0) + np.where(creeping, 0.005 * at, 0.3)
    assert vote_drift(at, level, 0.005, (4, 8)) == pytest.approx(0.005, abs=1e-4)
    assert vote_drift(at, level, 0.005, (4, 8), ~creeping) == pytest.approx(0.0, abs=1e-6)
    assert vote_drift(at, level, 0.005, (4, 8), np.zeros(16, dtype=np.bool_)) == 0.0


def test_a_press_can_be_struck_out() -> None:
    levels = strokes(0.0, 0.31, 10)
    levels[4] = 0.012
    trace = trace_of_values(
        2.0 * np.arange(len(levels), dtype=np.float64), np.array(levels, dtype=np.float64)
    )
    gauge = Gauge(single=True)
    marks = marks_of(trace, gauge)
    assert len(marks) == len(levels) >= LEAST_PRESSES
    found = analyse_trace(trace, gauge, spans(marks, 4))
    assert isinstance(found, EndPlay)
    assert found.dwells[4].struck
    assert found.end_play_mm == pytest.approx(0.31, abs=1e-9)
    assert (found.strokes, found.half_strokes) == (8, 0)
    assert not any("away from the stops" in note for note in found.notes)


def test_nothing_struck_out_changes_nothing() -> None:
    trace = simulate(HubModel(slip_mm=0.05, half_share=0.2, strokes=14), 7).trace
    assert analyse_trace(trace, struck=()) == analyse_trace(trace)
    elsewhere = analyse_trace(trace, struck=[(-9.0, -8.0)])  # before the first reading
    assert elsewhere == analyse_trace(trace)


def test_a_span_strikes_what_it_shares_a_moment_with() -> None:
    begin, end = np.array([0.0, 2.0, 4.0]), np.array([1.0, 3.0, 5.0])
    assert struck_among(begin, end, []) is None
    struck = struck_among(begin, end, [(3.0, 3.5), (5.5, 9.0)])
    assert struck is not None
    assert struck.tolist() == [False, True, False]
