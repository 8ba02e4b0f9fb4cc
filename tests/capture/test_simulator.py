"""The simulated hub: seeded, true to its model, and as its physics says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calc.units import Unit
from capture.arrays import Floats
from capture.simulator import HubModel, Motion, SimulatedTrace, oracle_mm, simulate

PLAIN = HubModel()
STILL_HAND = replace(PLAIN, wobble_mm=0.0, seat_mm=0.0, noise_mm=0.0, bounce_s=0.0, dwell_s=1.2)


def rests(simulated: SimulatedTrace, side: int) -> Floats:
    return np.asarray(simulated.trace.readings_mm[simulated.side == side])


def test_the_same_model_and_seed_make_the_same_trace_and_another_seed_does_not() -> None:
    one, again, other = simulate(PLAIN, 7), simulate(PLAIN, 7), simulate(PLAIN, 8)
    assert one.trace == again.trace
    assert np.array_equal(one.side, again.side)
    assert one.trace != other.trace


@pytest.mark.parametrize(
    "model",
    [
        PLAIN,
        replace(PLAIN, unit=Unit.INCH, decimals=4, step=5),
        replace(PLAIN, drift_mm_per_min=0.4),
        replace(PLAIN, slip_mm=0.15, strokes=12),
        replace(PLAIN, half_share=0.33),
        replace(PLAIN, setup_s=5.0, zeroed=True),
        replace(PLAIN, inverted=True),
        replace(PLAIN, bad_share=0.02, repeat_share=0.1, gaps=1),
    ],
    ids=["plain", "half thou", "drift", "slip", "half strokes", "set up", "inverted", "bad readings"],
)
def test_the_truth_is_what_the_oracle_finds_within_the_noise(model: HubModel) -> None:
    simulated = simulate(model, 3)
    assert simulated.truth_mm == model.end_play_mm
    # wobble, seats and rounding of some ten dwells: well below 2 um, and half a step where there is no dither
    assert oracle_mm(simulated) == pytest.approx(model.end_play_mm, abs=max(0.002, 0.5 * model.resolution_mm))


@pytest.mark.parametrize("motion", [motion for motion in Motion if motion is not Motion.STROKES])
def test_what_is_no_push_and_pull_has_no_truth(motion: Motion) -> None:
    simulated = simulate(replace(PLAIN, motion=motion), 1)
    assert simulated.truth_mm is None
    assert not simulated.side.any()
    with pytest.raises(ValueError, match="no end play to find"):
        oracle_mm(simulated)


def test_every_reading_lies_on_the_grid_of_the_indicator() -> None:
    simulated = simulate(replace(PLAIN, unit=Unit.INCH, decimals=4, step=5), 1)
    assert (simulated.trace.counts % 5 == 0).all()
    assert len(np.unique(simulated.trace.counts)) > 10


def test_readings_come_at_the_rate() -> None:
    times = simulate(replace(PLAIN, rate_hz=20.0), 1).trace.times_s
    assert float(np.median(np.diff(times))) == pytest.approx(0.05, rel=0.01)
    assert (np.diff(times) >= 0).all()


def test_a_hub_pushed_and_pulled_rests_on_its_two_stops() -> None:
    simulated = simulate(STILL_HAND, 1)
    step = STILL_HAND.resolution_mm
    assert np.ptp(rests(simulated, -1)) <= step
    assert np.ptp(rests(simulated, 1)) <= step
    assert float(np.median(rests(simulated, 1)) - np.median(rests(simulated, -1))) == pytest.approx(
        0.31, abs=step
    )


def test_the_base_creeps_at_the_stated_rate() -> None:
    simulated = simulate(replace(STILL_HAND, drift_mm_per_min=0.4, strokes=12), 1)
    pushed = simulated.side == -1
    slope, _ = np.polyfit(simulated.trace.times_s[pushed], simulated.trace.readings_mm[pushed], 1)
    assert 60 * slope == pytest.approx(0.4, rel=0.02)


def test_the_base_slips_once_by_the_stated_size_at_the_stated_time() -> None:
    simulated = simulate(replace(STILL_HAND, slip_mm=0.15, strokes=12), 1)
    assert simulated.slip_at_s is not None
    pushed = simulated.side == -1
    after = simulated.trace.times_s >= simulated.slip_at_s
    readings = simulated.trace.readings_mm
    jump = readings[pushed & after].mean() - readings[pushed & ~after].mean()
    assert float(jump) == pytest.approx(0.15, abs=0.001)
    assert simulate(STILL_HAND, 1).slip_at_s is None


def test_a_pull_makes_an_inverted_indicator_go_down() -> None:
    simulated = simulate(replace(STILL_HAND, inverted=True), 1)
    assert rests(simulated, 1).mean() < rests(simulated, -1).mean()


def test_the_plunger_overshoots_the_stop_when_it_bounces() -> None:
    calm, bouncing = (simulate(replace(STILL_HAND, bounce_s=b), 1).trace.readings_mm for b in (0.0, 0.01))
    # a swing of at most 15 % of the end play, most of which the plunger's lag takes
    assert calm.max() + 0.004 < bouncing.max() <= calm.max() + 0.15 * STILL_HAND.end_play_mm


def test_half_strokes_turn_back_between_the_stops() -> None:
    model = replace(STILL_HAND, half_share=0.33, strokes=12)
    simulated = simulate(model, 1)
    assert simulated.half_strokes >= 2
    between = (simulated.trace.readings_mm - model.offset_mm) / model.end_play_mm
    # some readings rest well away from both stops, and none of them is called settled on one
    assert not simulated.side[(between > 0.2) & (between < 0.8)].any()


def test_bad_readings_repeats_and_gaps_are_as_many_as_asked_for() -> None:
    plain = simulate(STILL_HAND, 1).trace
    bad = simulate(replace(STILL_HAND, bad_share=0.02), 1).trace
    outside = np.count_nonzero((bad.readings_mm < 1.1) | (bad.readings_mm > 1.6))
    assert 0.005 * len(bad) <= outside <= 0.03 * len(bad)
    repeated = simulate(replace(STILL_HAND, repeat_share=0.2), 1).trace
    assert len(repeated) == pytest.approx(1.2 * len(plain), rel=0.05)
    gappy = simulate(replace(STILL_HAND, gaps=2, strokes=12), 1).trace
    # two gaps of a second each; the jitter never makes half a second
    assert 1 <= np.count_nonzero(np.diff(gappy.times_s) > 0.9) <= 2


def test_setting_up_goes_far_and_zeroing_ends_near_zero() -> None:
    simulated = simulate(replace(PLAIN, setup_s=6.0, zeroed=True), 1)
    readings, times = simulated.trace.readings_mm, simulated.trace.times_s
    assert np.ptp(readings[times < 5.0]) > 1.0
    assert abs(float(np.median(rests(simulated, -1)))) < 0.02
