"""Which readings rest before the hub turns round."""

from __future__ import annotations

import numpy as np
import pytest

from capture.arrays import Floats
from capture.dwells import Dwells, find_dwells
from capture.motion import extremes, turning_points
from tests.capture.shapes import steps, strokes

STEP_MM = 0.001


def dwells_of(times: Floats, values: Floats, *, height: float = 0.1, spread_mm: float = 0.0) -> Dwells:
    turns = turning_points(values, height, extremes(values))
    return find_dwells(times, values, turns, spread_mm=spread_mm, step_mm=STEP_MM)


def test_each_visit_to_a_stop_is_a_dwell_with_its_level_and_side() -> None:
    times, values = steps(strokes(1.0, 1.31, 5))
    dwells = dwells_of(times, values)
    assert len(dwells) == 6
    assert dwells.level_mm == pytest.approx([1.0, 1.31] * 3, abs=1e-12)
    assert dwells.side.tolist() == [-1, 1] * 3
    assert dwells.spread_mm == pytest.approx(0.0, abs=1e-12)


def test_what_comes_just_after_arrival_and_just_before_departure_is_left_out() -> None:
    times, values = steps(strokes(1.0, 1.31, 4))
    dwells = dwells_of(times, values)
    for number in range(1, len(dwells) - 1):
        arrived = number * 1.2
        assert times[dwells.start[number]] >= arrived + 0.12 - 1e-9
        assert times[dwells.stop[number] - 1] <= arrived + 1.0 - 0.04 + 1e-9
    # nobody arrived before the trace began
    assert dwells.start[0] == 0


def test_the_visits_share_all_readings_out() -> None:
    times, values = steps(strokes(1.0, 1.31, 4))
    dwells = dwells_of(times, values)
    assert dwells.edges[0] == 0
    assert dwells.edges[-1] == len(values)
    assert (np.diff(dwells.edges) > 0).all()
    assert np.array_equal(np.bincount(dwells.visits()), np.diff(dwells.edges))
    assert (dwells.start >= dwells.edges[:-1]).all()
    assert (dwells.stop <= dwells.edges[1:]).all()


def test_a_touch_without_rest_still_has_a_reading() -> None:
    times, values = steps(strokes(0.0, 1.0, 6), dwell_s=0.0001, move_s=0.5)
    dwells = dwells_of(times, values)
    assert len(dwells) == 7
    assert (dwells.count >= 1).all()


def test_a_bounce_beyond_the_stop_does_not_lift_the_level() -> None:
    times, values = steps(strokes(0.0, 0.5, 4))
    arrived = np.flatnonzero(times >= 1.2)[0]
    values[arrived : arrived + 3] = (0.58, 0.53, 0.56)
    assert dwells_of(times, values).level_mm[1] == pytest.approx(0.5, abs=1e-12)


def test_a_pause_on_the_way_is_not_the_dwell() -> None:
    # 0.3 s at four fifths of the way, then 1 s on the stop
    times, values = steps([0.0, 0.5, 0.0, 0.5, 0.0])
    arrived = np.flatnonzero(times >= 1.2)[0]
    values[arrived : arrived + 15] = 0.4
    assert dwells_of(times, values).level_mm[1] == pytest.approx(0.5, abs=1e-12)


def test_the_spread_is_that_of_the_readings_at_rest() -> None:
    times, values = steps(strokes(0.0, 0.5, 30))
    noisy = values + np.random.default_rng(3).normal(0.0, 0.003, len(values))
    dwells = dwells_of(times, noisy, spread_mm=0.003)
    assert dwells.spread_mm == pytest.approx(0.003, rel=0.15)
    # about 40 independent readings a dwell; the two halves of some thirty dwells tell it to some 20 %
    assert dwells.level_u_mm == pytest.approx(0.003 / 40**0.5, rel=0.5)


def test_noise_that_lasts_makes_a_level_less_sure_than_its_readings_say() -> None:
    times, values = steps(strokes(0.0, 0.5, 30))
    slow = np.repeat(np.random.default_rng(4).normal(0.0, 0.003, len(values) // 20 + 1), 20)[: len(values)]
    dwells = dwells_of(times, values + slow, spread_mm=0.003)
    assert dwells.level_u_mm > 2 * dwells.spread_mm / 40**0.5


def test_long_dwells_count_more_but_never_for_all() -> None:
    times, values = steps(strokes(0.0, 0.5, 4))
    dwells = dwells_of(times, values)
    weights = dwells.weights(steady_count=12.0)
    assert weights == pytest.approx(dwells.count / (dwells.count + 12.0))
    assert ((weights > 0) & (weights < 1)).all()
