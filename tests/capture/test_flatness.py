"""Whether the hub rests against its stops, or turns."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.arrays import Floats
from capture.end_play import EndPlay, analyse_trace
from capture.flatness import CREST, CREST_PARTS, Flatness
from capture.hub_model import HubModel
from capture.motion import motion_of
from capture.simulator import simulate
from capture.stops import Stops, find_stops
from tests.capture.shapes import steps, strokes

STEP_MM = 0.001


def stops_in(times: Floats, values: Floats) -> Stops:
    stops = find_stops(motion_of(times, np.round(values, 3), STEP_MM))
    assert stops is not None
    return stops


def turned(period_s: float = 3.0) -> tuple[Floats, Floats]:
    times = np.arange(0.0, 30.0, 0.02)
    return times, 0.15 * np.sin(2 * math.pi * times / period_s)


def test_strokes_that_rest_are_flat_and_not_round() -> None:
    flatness = stops_in(*steps(strokes(1.0, 1.3, 10))).flatness
    assert flatness.flat > 0.8
    assert flatness.share > 0.3
    assert abs(flatness.round) < 0.05
    assert flatness.rests
    assert not flatness.surely_round


@pytest.mark.parametrize("period_s", [1.5, 3.0, 5.0])
def test_a_hub_that_turns_steadily_is_round_and_not_flat(period_s: float) -> None:
    stops = stops_in(*turned(period_s))
    assert stops.flatness.flat == pytest.approx(0.0, abs=0.15)
    assert stops.flatness.round == pytest.approx(1.0, abs=0.2)
    assert stops.turned
    assert not stops.sound


def test_slow_strokes_with_short_rests_are_no_turning() -> None:
    stops = stops_in(*steps(strokes(1.0, 1.3, 10), dwell_s=0.7, move_s=1.0))
    assert not stops.turned
    assert stops.sound


def test_the_roundness_of_a_sine_s_crest_is_what_the_table_says() -> None:
    # the crest down to CREST of the height from peak to peak: cos(a) = 1 - 2 CREST; its mean over a part p of
    # the time is sin(p a) / (p a), and the sine is 2 high from peak to peak
    a = math.acos(1 - 2 * CREST)
    for small, large, size in CREST_PARTS:
        means = [math.sin(part * a) / (part * a) for part in (small, large)]
        assert (means[0] - means[1]) / 2 == pytest.approx(size, abs=5e-5)


@pytest.mark.parametrize(
    ("flat", "share", "rests"),
    [(0.9, 0.3, True), (0.2, 0.3, True), (0.05, 0.3, False), (0.2, 0.15, False), (0.9, 0.05, False)],
)
def test_long_rests_need_not_look_as_flat_as_short_ones(flat: float, share: float, *, rests: bool) -> None:
    assert Flatness(flat, share, 0.0, 1.0).rests is rests


def test_a_roundness_that_may_be_chance_is_none() -> None:
    assert Flatness(0.5, 0.2, 1.0, 0.1).surely_round
    assert not Flatness(0.5, 0.2, 1.0, 0.5).surely_round


@pytest.mark.parametrize("wait_s", [16.0, 60.0])
def test_a_hub_may_wait_before_and_after_the_strokes(wait_s: float) -> None:
    """The waiting is no part of the strokes: a recording of a minute may hold a few seconds of them."""
    for seed in range(4):
        made = simulate(HubModel(end_play_mm=0.2, strokes=12, dwell_s=0.6, rest_s=wait_s), seed)
        found = analyse_trace(made.trace)
        assert isinstance(found, EndPlay), found
        assert abs(found.end_play_mm - 0.2) < 0.008


@pytest.mark.parametrize("pause_s", [20.0, 60.0])
def test_a_hub_may_wait_once_between_the_strokes(pause_s: float) -> None:
    for seed in range(4):
        trace = simulate(HubModel(end_play_mm=0.2, strokes=12, dwell_s=0.6, rest_s=1.0), seed).trace
        n, counts = len(trace), trace.counts
        at = min(range(n // 3, 2 * n // 3), key=lambda i: int(np.ptp(counts[i - 8 : i + 8])))  # amid a rest
        noise = np.random.default_rng(seed).normal(0.0, 0.6, int(pause_s * 50))
        waiting = counts[at] + np.round(noise).astype(np.int64)
        while_s = trace.times_s[at] + 0.02 * np.arange(len(noise))
        longer = replace(
            trace,
            times_s=np.concatenate([trace.times_s[:at], while_s, trace.times_s[at:] + pause_s]),
            counts=np.concatenate([counts[:at], waiting, counts[at:]]),
        )
        found = analyse_trace(longer)
        assert isinstance(found, EndPlay), found
        assert abs(found.end_play_mm - 0.2) < 0.008
