"""Bad readings, noise, and where a motion turns round."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.arrays import Floats
from capture.motion import LEAST_STROKE_MM, bad_readings, extremes, motion_of, turning_points
from tests.capture.shapes import steps, strokes

STEP_MM = 0.001


@pytest.mark.parametrize("wrong", [-1.25, 12.5, 0.0, 3.777], ids=["sign", "factor ten", "zero", "random"])
@pytest.mark.parametrize("times", [1, 2])
def test_a_reading_that_stands_apart_is_bad_also_when_sent_twice(wrong: float, times: int) -> None:
    _, values = steps([1.0, 1.25, 1.0])
    values[20 : 20 + times] = wrong
    assert np.flatnonzero(bad_readings(values, STEP_MM)).tolist() == list(range(20, 20 + times))


def test_a_value_that_lasts_three_readings_is_the_hub_s() -> None:
    _, values = steps([1.0, 1.25, 1.0])
    values[20:23] = 1.2
    assert not bad_readings(values, STEP_MM).any()


def test_strokes_quick_and_slow_have_no_bad_readings() -> None:
    for move_s in (0.04, 0.2, 1.0):
        _, values = steps(strokes(1.0, 1.31, 6), move_s=move_s)
        assert not bad_readings(values, STEP_MM).any()


def test_so_few_readings_have_no_neighbours_to_stand_apart_from() -> None:
    assert not bad_readings(np.array([1.0, 9.0, 1.0, 1.0]), STEP_MM).any()


def test_a_motion_is_without_its_bad_readings_and_knows_where_the_others_stood() -> None:
    times, values = steps(strokes(1.0, 1.31, 6))
    good = values.copy()
    values[[30, 31, 32, 36, 100]] = (9.2, 16.5, 1.7, 4.3, 13.1)
    assert not bad_readings(values, STEP_MM)[32]  # it hides behind the others until they are gone
    motion = motion_of(times, values, STEP_MM)
    assert sorted(set(range(len(values))) - set(motion.kept.tolist())) == [30, 31, 32, 36, 100]
    assert np.array_equal(motion.values_mm, good[motion.kept])
    assert np.array_equal(motion.times_s, times[motion.kept])
    assert motion.lasted_s == times[-1] - times[0]


def test_noise_is_told_from_the_readings_at_rest() -> None:
    times, values = steps(strokes(1.0, 1.31, 6))
    noisy = values + np.random.default_rng(1).normal(0.0, 0.002, len(values))
    motion = motion_of(times, noisy, 1e-6)
    assert motion.noise_mm == pytest.approx(0.002, rel=0.25)
    assert motion.least_mm == pytest.approx(4 * motion.noise_mm)


def test_however_still_a_small_reversal_is_no_stroke() -> None:
    times, values = steps(strokes(1.0, 1.31, 6))
    assert motion_of(times, values, 1e-6).least_mm == LEAST_STROKE_MM
    assert motion_of(times, values, 0.0127).least_mm > 0.0127


VALUES = st.lists(st.integers(-20, 20), min_size=1, max_size=60).map(lambda v: np.array(v, dtype=np.float64))


@given(VALUES, st.integers(1, 15))
def test_turning_points_alternate_and_reverse_by_the_height(values: Floats, height: int) -> None:
    turns = turning_points(values, height, extremes(values))
    moves = np.diff(values[turns])
    assert (np.diff(turns) > 0).all()
    assert all(a * b < 0 for a, b in pairwise(moves))
    assert (np.abs(moves[1:-1]) >= height).all()


@given(VALUES, st.integers(1, 15), st.integers(0, 14))
def test_turning_points_may_be_chosen_from_those_of_a_smaller_height(
    values: Floats, height: int, less: int
) -> None:
    finer = turning_points(values, max(1, height - less), extremes(values))
    among_all, among_finer = (turning_points(values, height, among) for among in (extremes(values), finer))
    assert values[among_all].tolist() == values[among_finer].tolist()


def test_what_never_moves_has_one_turning_point() -> None:
    values = np.full(9, 1.2)
    assert turning_points(values, 0.1, extremes(values)).tolist() == [0]
