"""F, chi-squared and the incomplete beta function, held against SciPy."""

from __future__ import annotations

import math
import random

import pytest
from scipy import special, stats

from calc.beta import beta_tails
from calc.f_distribution import chi_squared_cdf, chi_squared_quantile, f_tail


def test_f_against_scipy() -> None:
    rng = random.Random(1)
    for _ in range(500):
        a, b = rng.choice([1, 2, 3, 9, 18, 200]), rng.choice([1, 2, 4, 60, 78, 18_000])
        f = 10 ** rng.uniform(-3, 3)
        assert f_tail(f, a, b) == pytest.approx(stats.f.sf(f, a, b), rel=1e-10, abs=1e-290)


def test_chi_squared_against_scipy() -> None:
    for dof in (0.7, 1, 2, 5.92, 60, 1000):
        for p in (0.001, 0.025, 0.5, 0.975, 0.999):
            x = chi_squared_quantile(p, dof)
            assert x == pytest.approx(stats.chi2.ppf(p, dof), rel=1e-11)
            assert chi_squared_cdf(x, dof) == pytest.approx(p, rel=1e-12)


def test_beta_against_scipy() -> None:
    for x in (0.0, 1e-9, 0.2, 0.5, 0.99, 1.0):
        for a, b in ((0.5, 0.5), (2, 7), (60, 3)):
            assert beta_tails(x, a, b) == pytest.approx(
                (special.betainc(a, b, x), special.betaincc(a, b, x)), rel=1e-12, abs=1e-300
            )


def test_ends_and_mistakes() -> None:
    assert f_tail(0, 2, 3) == 1
    assert f_tail(math.inf, 2, 3) == 0
    for wrong in (lambda: f_tail(-1, 2, 3), lambda: f_tail(1, 0, 3), lambda: chi_squared_quantile(1, 3),
                  lambda: chi_squared_cdf(-1, 3), lambda: beta_tails(2, 1, 1)):  # fmt: skip
        with pytest.raises(ValueError, match=r"no |not defined"):
            wrong()
