"""The two stops in a motion, whatever was done before and between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.arrays import Floats
from capture.motion import motion_of
from capture.stops import Stops, find_stops
from tests.capture.shapes import steps, strokes

STEP_MM = 0.001


def stops_in(times: Floats, values: Floats, step_mm: float = STEP_MM) -> Stops | None:
    return find_stops(motion_of(times, np.round(values / step_mm) * step_mm, step_mm))


def found(times: Floats, values: Floats, step_mm: float = STEP_MM) -> Stops:
    stops = stops_in(times, values, step_mm)
    assert stops is not None
    return stops


@pytest.mark.parametrize("end_play", [0.012, 0.03, 0.31, 1.6])
def test_the_size_of_the_strokes_is_found_by_itself(end_play: float) -> None:
    stops = found(*steps(strokes(1.0, 1.0 + end_play, 8)))
    assert stops.sound
    assert stops.strokes.end_play_mm == pytest.approx(end_play, abs=1e-9)


def test_excursions_before_the_strokes_are_left_aside() -> None:
    set_up = [0.0, 2.1, -1.3, 0.7, 3.0]
    stops = found(*steps([*set_up, *strokes(1.0, 1.25, 8)]))
    assert stops.sound
    assert stops.strokes.end_play_mm == pytest.approx(0.25, abs=1e-6)
    assert stops.strokes.full == 8


def test_drift_is_taken_out_whichever_way_it_goes() -> None:
    times, values = steps(strokes(1.0, 1.25, 10))
    for creep in (0.4 / 60, -0.4 / 60):
        stops = found(times, values + creep * times)
        assert stops.sound
        assert stops.strokes.end_play_mm == pytest.approx(0.25, abs=0.0005)
        assert stops.drift_mm_per_s == pytest.approx(creep, abs=5e-5)


def test_where_zero_is_and_which_way_is_up_change_nothing() -> None:
    times, values = steps([1.0, 1.25, 1.0, 1.18, 1.0, *strokes(1.0, 1.25, 7)])
    values += np.random.default_rng(2).normal(0.0, 0.001, len(values))
    one = found(times, values)
    for other in (found(times, -values), found(times + 1000.0, values), found(times, values - 7.0)):
        assert other.strokes.end_play_mm == pytest.approx(one.strokes.end_play_mm, abs=1e-9)
        assert other.strokes.full == one.strokes.full
        assert other.strokes.half == one.strokes.half


def test_too_few_strokes_are_found_and_not_sound() -> None:
    stops = found(*steps(strokes(1.0, 1.25, 3)))
    assert stops.strokes.full == 3
    assert not stops.enough
    assert not stops.sound


def test_more_half_strokes_than_three_for_two_full_ones_are_not_sound() -> None:
    sound = found(*steps(strokes(1.0, 1.25, 8)))
    assert sound.sound
    for half, mostly in ((12, False), (13, True)):
        stops = replace(sound, strokes=replace(sound.strokes, half=half))
        assert stops.mostly_half is mostly
        assert stops.sound is not mostly


def test_dwells_outside_the_stops_do_not_agree() -> None:
    beyond = [1.25 if k % 2 == 0 else (1.0 if k % 4 == 1 else 0.8) for k in range(12)]
    stops = found(*steps(beyond))
    assert not stops.sound


def test_levels_that_scatter_are_not_tight() -> None:
    sound = found(*steps(strokes(1.0, 1.25, 8)))
    assert sound.tight
    between = replace(sound, strokes=replace(sound.strokes, spread_mm=0.02))
    within = replace(sound, dwells=replace(sound.dwells, spread_mm=0.03))
    for loose in (between, within):
        assert not loose.tight
        assert not loose.sound


def test_a_coarse_indicator_may_scatter_by_its_rounding() -> None:
    # 0.0005 in: every reading is rounded by up to half a step
    stops = found(*steps(strokes(1.0, 1.2137, 10)), step_mm=0.0127)
    assert stops.sound
    assert stops.strokes.end_play_mm == pytest.approx(0.2137, abs=0.0127)


def test_noise_is_never_called_end_play() -> None:
    times = np.arange(0.0, 30.0, 0.02)
    for seed in range(5):
        stops = stops_in(times, 1.0 + np.random.default_rng(seed).normal(0.0, 0.0012, len(times)))
        assert stops is None or not stops.sound


def test_five_readings_are_needed_to_look_at_all() -> None:
    assert stops_in(np.arange(4.0), np.array([0.0, 1.0, 0.0, 1.0])) is None
