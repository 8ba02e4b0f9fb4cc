"""Which dwells rest on a stop, and the fit through them."""

from __future__ import annotations

import numpy as np
import pytest

from capture.arrays import Floats
from capture.strokes import Strokes, Tolerances, _least_squares, bend_of, match_strokes
from tests.capture.shapes import dwells_at

ALLOW = Tolerances(broad_mm=0.006, narrow_mm=0.0015, steady_count=12.0)


def levels(number: int = 12, *, end_play: float = 0.3) -> Floats:
    return np.where(np.arange(number) % 2, end_play, 0.0) + 1.0


def matched(level: Floats) -> Strokes:
    strokes = match_strokes(dwells_at(level.tolist()), ALLOW)
    assert strokes is not None
    return strokes


def test_strokes_that_repeat_give_the_distance_and_no_spread() -> None:
    strokes = matched(levels())
    assert strokes.end_play_mm == pytest.approx(0.3, abs=1e-12)
    assert (strokes.full, strokes.half, strokes.slip_mm) == (11, 0, 0.0)
    assert strokes.dof == 12 - 3  # base, end play, creep
    assert strokes.on_stop.all()
    assert strokes.end_play_u_mm == pytest.approx(0.0, abs=1e-12)


def test_dwells_short_of_the_stop_are_set_aside_and_counted() -> None:
    level = levels()
    level[[3, 8]] = (1.12, 1.2)
    strokes = matched(level)
    assert strokes.end_play_mm == pytest.approx(0.3, abs=1e-12)
    assert np.flatnonzero(~strokes.on_stop).tolist() == [3, 8]
    assert (strokes.full, strokes.half) == (
        7,
        4,
    )  # a dwell short of the stop spoils the strokes on both its sides


def test_steady_creep_is_taken_out() -> None:
    strokes = matched(levels() + 0.005 * 1.2 * np.arange(12))
    assert strokes.end_play_mm == pytest.approx(0.3, abs=1e-9)
    assert strokes.drift_mm_per_s == pytest.approx(0.005, abs=1e-9)


@pytest.mark.parametrize("slip", [0.15, -0.03])
def test_one_slip_of_the_base_is_taken_out(slip: float) -> None:
    strokes = matched(levels() + slip * (np.arange(12) >= 5))
    assert strokes.end_play_mm == pytest.approx(0.3, abs=1e-9)
    assert strokes.slip_mm == pytest.approx(slip, abs=1e-9)
    assert strokes.base.tolist() == [0] * 5 + [1] * 7
    assert strokes.dof == 12 - 4


def test_a_small_slip_in_noise_is_not_called_without_evidence() -> None:
    rng = np.random.default_rng(5)
    called = sum(matched(levels() + rng.normal(0.0, 0.002, 12)).slip_mm != 0 for _ in range(60))
    # each trace is allowed a chance of 0.0005 from the test, and some more from the votes
    assert called <= 1


def test_one_that_stopped_a_little_short_does_not_hide_in_the_spread() -> None:
    dropped = 0
    for seed in range(40):
        level = levels(14) + np.random.default_rng(seed).normal(0.0, 0.0008, 14)
        level[5] -= 0.004
        strokes = matched(level)
        dropped += not strokes.on_stop[5]
        assert strokes.end_play_mm == pytest.approx(0.3, abs=0.002)
    # five standard deviations, in a spread that it makes larger itself: seen in more than half of the traces
    assert dropped >= 20


def test_the_uncertainty_is_what_the_end_play_scatters_by() -> None:
    rng = np.random.default_rng(7)
    fits = [matched(levels() + rng.normal(0.0, 0.0012, 12)) for _ in range(200)]
    scatter = float(np.std([fit.end_play_mm for fit in fits], ddof=1))
    stated = float(np.sqrt(np.mean([fit.end_play_u_mm**2 for fit in fits])))
    # 200 draws tell a standard deviation to 5 %
    assert stated == pytest.approx(scatter, rel=0.15)


def test_creep_with_a_curvature_bends_the_end_play_and_steady_creep_does_not() -> None:
    at = 1.2 * np.arange(12)
    steady, curved = (dwells_at((levels() + bend).tolist()) for bend in (0.001 * at, 2e-5 * at * at))
    allow = Tolerances(broad_mm=0.02, narrow_mm=0.01, steady_count=12.0)
    straight, bent = (match_strokes(dwells, allow) for dwells in (steady, curved))
    assert straight is not None
    assert bent is not None
    assert bend_of(steady, straight, 12.0) == pytest.approx(0.0, abs=1e-9)
    # the two sides are visited at other times, so what a line leaves of the curve is a part of it
    assert bend_of(curved, bent, 12.0) == pytest.approx(0.3 - bent.end_play_mm, abs=1e-9)


def test_one_dwell_is_no_stroke() -> None:
    assert match_strokes(dwells_at([1.0]), ALLOW) is None


def test_least_squares_gives_the_thermometer_of_the_gum() -> None:
    # GUM H.3, table H.6 (from memory): corrections of a thermometer at its readings, reference 20 degrees
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000
    design = np.column_stack((np.ones(11), t - 20))
    fit, cover = _least_squares(design, b, np.ones(11))
    s = float(((b - design @ fit) ** 2).sum() / 9) ** 0.5
    u = s * np.sqrt(np.diag(cover))
    # and its results (from memory): y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930, s = 0.0035
    assert [round(float(fit[0]), 4), round(float(u[0]), 4)] == [-0.1712, 0.0029]
    assert [round(float(fit[1]), 5), round(float(u[1]), 5)] == [0.00218, 0.00067]
    assert round(float(cover[0, 1] / np.sqrt(cover[0, 0] * cover[1, 1])), 3) == -0.930
    assert round(s, 4) == 0.0035
