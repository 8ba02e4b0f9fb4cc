"""Differences against SciPy, the GUM's formulae, GTC and published numbers."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from scipy import stats

from calc.difference import CHANCE, difference_of
from calc.uncertainty import Budget, Component, TypeA, rectangular, type_a


def of_mean(found: TypeA, n: int) -> Budget:
    return Budget((Component("strokes", "A", found.s_mean, float(n - 1)),))


@pytest.mark.parametrize("seed", range(5))
def test_pure_type_a_is_welch_s_test(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n1, n2 = int(rng.integers(2, 12)), int(rng.integers(2, 30))
    one = rng.normal(0.31, 0.004, n1).tolist()
    two = rng.normal(0.312, 0.001 + 0.004 * seed, n2).tolist()
    first, second = type_a(one), type_a(two)
    found = difference_of(first.mean, of_mean(first, n1), second.mean, of_mean(second, n2))
    oracle = stats.ttest_ind_from_stats(second.mean, second.s, n2, first.mean, first.s, n1, equal_var=False)
    assert found.difference_mm / found.budget.u_mm == pytest.approx(oracle.statistic, rel=1e-12)
    assert found.p == pytest.approx(oracle.pvalue, rel=1e-9)
    assert found.budget.dof == pytest.approx(stats.ttest_ind(two, one, equal_var=False).df, rel=1e-12)


def test_the_handbook_s_cars() -> None:
    """Two samples of unlike spread: t = -12.94627 with 136.8750 degrees of freedom.

    NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3, data set AUTO83B; from memory. The means and
    standard deviations have seven digits there.
    """
    first = Budget((Component("sample 1", "A", 6.414700 / math.sqrt(249), 248.0),))
    second = Budget((Component("sample 2", "A", 6.107710 / math.sqrt(79), 78.0),))
    found = difference_of(30.48101, second, 20.14458, first)
    assert found.difference_mm / found.budget.u_mm == pytest.approx(-12.94627, abs=1e-4)
    assert found.budget.dof == pytest.approx(136.8750, abs=1e-3)
    assert found.more_than_chance


def test_gtc_finds_the_same_uncertainty_and_degrees_of_freedom() -> None:
    """The GUM's own method, G.4.1, by another program: two end plays with rows of both kinds."""
    rows1 = (Component("strokes", "A", 0.0021, 6.0), Component("resolution", "B", 0.0008))
    rows2 = (Component("strokes", "A", 0.0009, 9.0), Component("permissible", "B", rectangular(0.003)))
    one = sum((GTC.ureal(0.0, row.u_mm, row.dof) for row in rows1), GTC.ureal(0.310, 0.0))
    two = sum((GTC.ureal(0.0, row.u_mm, row.dof) for row in rows2), GTC.ureal(0.304, 0.0))
    oracle = two - one
    found = difference_of(0.310, Budget(rows1), 0.304, Budget(rows2))
    assert found.difference_mm == pytest.approx(GTC.value(oracle), rel=1e-12)
    assert found.budget.u_mm == pytest.approx(GTC.uncertainty(oracle), rel=1e-12)
    assert found.budget.dof == pytest.approx(GTC.dof(oracle), rel=1e-12)


def test_the_gum_s_end_gauge_degrees_of_freedom() -> None:
    """JCGM 100:2008, table H.1 and H.1.6: 31.7 nm, 16.7 degrees of freedom (printed as 32 and 16).

    The difference of two lengths with those rows, two each, is the same sum.
    """
    first = Budget((Component("standard", "B", 25.0, 18.0), Component("difference", "A", 9.7, 25.6)))
    second = Budget((Component("expansion", "B", 2.9, 50.0), Component("temperature", "B", 16.6, 2.0)))
    found = difference_of(0.0, first, 215.0, second)
    assert found.budget.u_mm == pytest.approx(31.7, abs=0.05)
    assert found.budget.dof == pytest.approx(16.7, abs=0.1)


def test_what_is_in_both_alike_cancels() -> None:
    """JCGM 100:2008, 5.2.2, note 1: with correlation 1 the uncertainties of a difference subtract."""
    one = Budget((Component("strokes", "A", 0.003, 8.0), Component("indicator", "B", 0.002)))
    two = Budget((Component("strokes", "A", 0.004, 8.0), Component("indicator", "B", 0.0025)))
    apart = difference_of(0.3, one, 0.31, two)
    alike = difference_of(0.3, one, 0.31, two, alike=("indicator", "not there"))
    assert apart.budget.u_mm == pytest.approx(math.hypot(0.003, 0.004, 0.002, 0.0025), rel=1e-12)
    assert alike.budget.u_mm == pytest.approx(math.hypot(0.003, 0.004, 0.0005), rel=1e-12)
    assert alike.p < apart.p
    only_one = difference_of(0.3, one, 0.31, Budget(two.components[:1]), alike=("indicator",))
    assert only_one.budget.u_mm == pytest.approx(math.hypot(0.003, 0.004, 0.002), rel=1e-12)


@pytest.mark.parametrize("times_u", [0.97, 1.0 + 1e-9, 1.03])
def test_more_than_chance_is_more_than_the_expanded_uncertainty(times_u: float) -> None:
    one = Budget((Component("strokes", "A", 0.003, 5.0),))
    off = times_u * difference_of(0.3, one, 0.3, one).budget.expanded_mm
    assert difference_of(0.3, one, 0.3 + off, one).more_than_chance == (times_u > 1)
    assert difference_of(0.3, one, 0.3 - off, one).more_than_chance == (times_u > 1)


def test_chance_is_called_a_difference_in_one_of_twenty() -> None:
    rng = np.random.default_rng(1)
    called = 0
    for _ in range(4000):
        first, second = type_a(rng.normal(0, 1, 6).tolist()), type_a(rng.normal(0, 1, 9).tolist())
        called += difference_of(
            first.mean, of_mean(first, 6), second.mean, of_mean(second, 9)
        ).more_than_chance
    assert called / 4000 == pytest.approx(CHANCE, abs=3 * math.sqrt(CHANCE * (1 - CHANCE) / 4000))


def test_without_uncertainty_any_difference_is_one() -> None:
    sure = Budget(())
    assert difference_of(1.0, sure, 1.0, sure).p == 1.0
    assert difference_of(1.0, sure, 1.1, sure).p == 0.0
