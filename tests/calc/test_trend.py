"""The straight line against certified values and against NumPy; the crossing against what it must mean."""

from __future__ import annotations

import math
from pathlib import Path
from random import Random

import numpy as np
import pytest
import scipy.stats

from calc.trend import Point, TrendError, crossing, fit_line, from_kilometres, kilometres

NORRIS = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"


def norris() -> list[Point]:
    """NIST StRD Norris: y against x, 36 rows from line 61 on, equal weights."""
    if not NORRIS.is_file():
        pytest.skip("this SciPy comes without its tests' data: install SciPy from a wheel")
    rows = [line.split() for line in NORRIS.read_text(encoding="ascii").splitlines()[60:] if line.strip()]
    assert len(rows) == 36
    return [Point(float(x), float(y), 1.0) for y, x in rows]


def test_norris_gives_the_certified_line() -> None:
    # NIST Statistical Reference Datasets, Linear Regression, Norris: certified values in the file's header
    line = fit_line(norris())
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert math.sqrt(line.chi_squared / line.dof) == pytest.approx(0.884796396144373, rel=1e-11)
    by = 1.0 if line.inflated else math.sqrt(line.chi_squared / line.dof)  # they scale by the scatter
    assert by * line.u_intercept == pytest.approx(0.232818234301152, rel=1e-11)
    assert by * line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-11)


def test_norris_with_small_uncertainties_is_scaled_by_its_scatter() -> None:
    line = fit_line([Point(p.x, p.y, 0.01) for p in norris()])
    assert line.inflated
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert line.factor == pytest.approx(scipy.stats.t.ppf(0.975, 34), rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_weights_are_those_of_numpy(seed: int) -> None:
    random = Random(seed)
    points = []
    for _ in range(random.randint(4, 12)):
        x, u = random.uniform(0, 200_000), random.uniform(0.001, 0.02)
        points.append(Point(x, 0.05 + 5e-7 * x + random.gauss(0, u), u))
    line = fit_line(points)
    xs, ys, us = (np.array([getattr(p, name) for p in points]) for name in ("x", "y", "u"))
    (slope, at_middle), cov = np.polyfit(xs - line.middle, ys, 1, w=1 / us, cov="unscaled")
    by = math.sqrt(line.chi_squared / line.dof) if line.inflated else 1.0
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.at_middle == pytest.approx(at_middle, rel=1e-9)
    assert line.u_slope == pytest.approx(by * math.sqrt(cov[0, 0]), rel=1e-9)
    assert line.u_at_middle == pytest.approx(by * math.sqrt(cov[1, 1]), rel=1e-9)
    _, unscaled = np.polyfit(xs, ys, 1, w=1 / us, cov="unscaled")
    assert line.covariance == pytest.approx(by**2 * unscaled[0, 1], rel=1e-6)
    assert line.u_intercept == pytest.approx(by * math.sqrt(unscaled[1, 1]), rel=1e-6)


def test_at_the_ends_of_the_interval_the_limit_is_one_expanded_uncertainty_away() -> None:
    line = fit_line([Point(1e4 * i, 0.05 + 0.01 * i + 0.002 * (-1) ** i, 0.004) for i in range(6)])
    found = crossing(line, 0.20)
    assert found is not None
    assert line.height(found.x) == pytest.approx(0.20, rel=1e-12)
    for end in (found.low, found.high):
        assert abs(line.height(end) - 0.20) == pytest.approx(line.factor * line.u_height(end), rel=1e-9)
    assert found.low < found.x < found.high
    assert found.high - found.x > found.x - found.low  # further out the line is known less well


def test_the_interval_holds_the_true_crossing_in_95_of_100_cars() -> None:
    random = Random(7)
    held = told = 0
    for _ in range(4000):
        points = [Point(2e4 * i, 0.06 + 1e-6 * 2e4 * i + random.gauss(0, 0.006), 0.006) for i in range(5)]
        found = crossing(fit_line(points), 0.20)
        if found is not None:
            told += 1
            held += found.low <= 140_000 <= found.high
    assert told > 3900
    # 95 % give or take three standard deviations of 4000 draws, and a little for the scaled ones
    assert held / told == pytest.approx(0.95, abs=0.015)


def test_a_line_that_does_not_rise_by_more_than_chance_reaches_nothing() -> None:
    flat = fit_line([Point(0, 0.10, 0.01), Point(1e4, 0.105, 0.01), Point(2e4, 0.11, 0.01)])
    assert flat.slope > 0
    assert not flat.rises
    assert crossing(flat, 0.2) is None
    falling = fit_line([Point(1e4 * i, 0.2 - 0.03 * i, 0.001) for i in range(4)])
    assert crossing(falling, 0.2) is None


@pytest.mark.parametrize(
    "points",
    [
        [],
        [Point(0, 1, 1), Point(1, 1, 1)],
        [Point(0, 1, 1), Point(1, 1, 1), Point(1, 2, 1)],
        [Point(0, 1, 1), Point(1, 1, 1), Point(2, 2, 0)],
        [Point(0, 1, 1), Point(1, 1, 1), Point(2, math.nan, 1)],
    ],
)
def test_too_few_distances_or_no_uncertainty_is_an_error(points: list[Point]) -> None:
    with pytest.raises(TrendError):
        fit_line(points)


def test_miles_are_exact() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 mi = 1.609344 km exactly
    assert kilometres(1.0, "mi") == 1.609344
    assert kilometres(61_234.5, "mi") == 98547.375168  # by hand: 61234.5 times 1.609344
    assert from_kilometres(kilometres(88_421.0, "mi"), "mi") == pytest.approx(88_421.0, rel=1e-15)
    with pytest.raises(TrendError, match="km or mi"):
        kilometres(1.0, "m")
