"""Strokes by number: what became of each, how high it was, and how far its rest lies from the fit."""

from __future__ import annotations

import pytest

from calc.units import Unit
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.simulator import HubModel, simulate
from cli.stroke_list import fit_of, stroke_lines, strokes_of
from tests.capture.shapes import square, steps, strokes, trace_of_values


def test_every_full_stroke_of_a_square_trace_is_as_high_as_its_end_play() -> None:
    outcome = analyse_trace(square(1.0, 1.31, 8))
    found = strokes_of(outcome)
    assert [one.number for one in found] == list(range(9))
    assert [one.kind for one in found] == ["rest", *["full"] * 8]
    assert [one.direction for one in found[1:3]] == ["out", "in"]
    assert found[0].height_mm is None
    assert [one.height_mm for one in found[1:]] == pytest.approx([0.31] * 8, abs=1e-9)
    assert [one.off_mm for one in found] == pytest.approx([0.0] * 9, abs=1e-9)


def test_creep_and_slip_are_taken_off() -> None:
    simulated = simulate(HubModel(strokes=12, slip_mm=0.1, drift_mm_per_min=0.4), 2)
    outcome = analyse_trace(simulated.trace)
    assert isinstance(outcome, EndPlay)
    assert outcome.slip is not None
    full = [one for one in strokes_of(outcome) if one.kind == "full"]
    assert len(full) == outcome.strokes
    assert all(abs((one.height_mm or 0) - 0.31) < 0.006 for one in full)
    assert all(abs(one.off_mm or 0) < 0.006 for one in full)


def test_the_fit_goes_through_the_rests() -> None:
    outcome = analyse_trace(square(1.0, 1.31, 8))
    assert isinstance(outcome, EndPlay)
    fit = fit_of(outcome)
    assert fit.level_mm(1, 3.0, 0) == pytest.approx(1.31, abs=1e-9)
    assert fit.level_mm(-1, 9.0, 0) == pytest.approx(1.0, abs=1e-9)


def test_half_strokes_and_struck_ones_are_told_apart() -> None:
    levels = [0.15 if k == 4 else level for k, level in enumerate(strokes(0.0, 0.31, 13))]
    outcome = analyse_trace(trace_of_values(*steps(levels)))
    assert isinstance(outcome, EndPlay)
    kinds = {one.number: one.kind for one in strokes_of(outcome)}
    assert (kinds[4], kinds[5], kinds[6]) == ("half", "half", "full")
    marks = outcome.dwells
    again = analyse_trace(trace_of_values(*steps(levels)), struck=[(marks[9].from_s, marks[9].to_s)])
    kinds = {one.number: one.kind for one in strokes_of(again)}
    assert (kinds[8], kinds[9], kinds[10], kinds[11]) == ("full", "struck", "beside", "full")
    assert list(kinds.values()).count("full") == again.strokes
    assert list(kinds.values()).count("half") == again.half_strokes


def test_what_was_done_before_the_strokes_is_set_aside() -> None:
    outcome = analyse_trace(simulate(HubModel(setup_s=5.0, strokes=10), 3).trace)
    assert isinstance(outcome, EndPlay)
    kinds = [one.kind for one in strokes_of(outcome)]
    assert "aside" in kinds
    assert kinds.count("full") == outcome.strokes


def test_a_refused_trace_has_heights_and_no_fit() -> None:
    outcome = analyse_trace(square(0.0, 0.31, 3))
    assert isinstance(outcome, Refusal)
    found = strokes_of(outcome)
    assert found
    assert all(one.off_mm is None for one in found)
    assert strokes_of(Refusal(())) == ()


def test_the_table_is_in_the_unit_asked_for_and_counts_from_the_first_reading() -> None:
    times, values = steps(strokes(0.0, 0.01, 6))
    trace = trace_of_values(times + 100.0, values, decimals=4, unit=Unit.INCH)
    lines = stroke_lines(strokes_of(analyse_trace(trace)), Unit.INCH, 100.0)
    assert "LEVEL, in" in lines[0]
    assert lines[1].split()[:4] == ["0", "0.0", "-", "1.0"]
    assert "0.0100" in lines[2]
    assert "full stroke" in lines[2]
    assert len({line.index("full stroke") for line in lines[2:]}) == 1
    assert stroke_lines((), Unit.MM, 0.0) == []
    assert max(map(len, lines)) <= 80
