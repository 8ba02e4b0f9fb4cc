"""The t and normal distributions against scipy and the printed tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from calc import student
from calc.student import normal_cdf, normal_quantile, t_cdf, t_quantile

DOFS = (0.5, 1.0, 1.5, 2.0, 3.7, 9.0, 16.75, 49.9, 50.1, 200.0, 1e4, 1e8, 1e13)

# NIST TN 1297, table B.1 (the same as GUM table G.2): t for 68.27, 90, 95, 95.45, 99 and 99.73 % two-sided.
TN_1297 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    9: (1.06, 1.83, 2.26, 2.32, 3.25, 4.09),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    19: (1.03, 1.73, 2.09, 2.14, 2.86, 3.45),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
}
# The levels that the table rounds in its head: 68.27, 95.45 and 99.73 % are 1, 2 and 3 standard deviations.
LEVELS = (0.6826895, 0.90, 0.95, 0.9544997, 0.99, 0.9973002)


@pytest.mark.parametrize("dof", TN_1297)
def test_the_t_table_of_tn_1297(dof: int) -> None:
    for level, printed in zip(LEVELS, TN_1297[dof], strict=True):
        assert t_quantile(0.5 + level / 2, dof) == pytest.approx(printed, abs=0.00501)


def test_the_last_row_of_tn_1297() -> None:
    for level, printed in zip(LEVELS, (1.000, 1.645, 1.960, 2.000, 2.576, 3.000), strict=True):
        assert t_quantile(0.5 + level / 2, math.inf) == pytest.approx(printed, abs=0.000501)


@pytest.mark.parametrize(
    ("dof", "row"),
    [
        # NIST/SEMATECH e-Handbook 1.3.6.7.2, upper tail .10 .05 .025 .01 .005 .001 (read in a copy).
        (4, (1.533, 2.132, 2.776, 3.747, 4.604, 7.173)),
        (9, (1.383, 1.833, 2.262, 2.821, 3.250, 4.296)),
        (19, (1.328, 1.729, 2.093, 2.539, 2.861, 3.579)),
    ],
)
def test_upper_tails_of_the_e_handbook(dof: int, row: tuple[float, ...]) -> None:
    for tail, printed in zip((0.10, 0.05, 0.025, 0.01, 0.005, 0.001), row, strict=True):
        assert t_quantile(1 - tail, dof) == pytest.approx(printed, abs=0.00151)


@pytest.mark.parametrize("dof", DOFS)
@pytest.mark.parametrize("x", [1e-12, 1e-3, 0.3, 1.0, 1.7, 1.8, 2.0, 3.0, 6.0, 12.0, 30.0])
def test_both_tails_agree_with_scipy(dof: float, x: float) -> None:
    assert t_cdf(-x, dof) == pytest.approx(special.stdtr(dof, -x), rel=1e-10)
    assert t_cdf(x, dof) == pytest.approx(special.stdtr(dof, x), rel=1e-10)


@pytest.mark.parametrize("dof", DOFS)
@pytest.mark.parametrize("p", [1e-9, 0.001, 0.025, 0.1, 0.249, 0.251, 0.4, 0.49999, 0.6, 0.975, 0.9995])
def test_quantiles_agree_with_scipy(dof: float, p: float) -> None:
    # scipy's inverse is itself good to about 1e-8 in places, so its forward function is the strict check.
    tail = min(p, 1 - p)
    ours = t_quantile(p, dof)
    assert special.stdtr(dof, -abs(ours)) == pytest.approx(tail, rel=1e-10)
    assert ours == pytest.approx(special.stdtrit(dof, p), rel=1e-7)


@pytest.mark.parametrize("p", [1e-300, 1e-20, 1e-6, 0.1, 0.3, 0.7, 0.975, 1 - 1e-12])
def test_the_normal_quantile_agrees_with_scipy(p: float) -> None:
    assert normal_quantile(p) == pytest.approx(special.ndtri(p), rel=1e-10)


@pytest.mark.parametrize("x", [-37.0, -8.0, -1.4, -1e-9, 0.0, 0.5, 1.96, 8.0])
def test_the_normal_tail_agrees_with_scipy(x: float) -> None:
    assert normal_cdf(x) == pytest.approx(special.ndtr(x), rel=1e-12)


@given(st.floats(1e-12, 1 - 1e-12), st.floats(1.0, 1e6))
def test_a_quantile_leads_back_to_its_probability(p: float, dof: float) -> None:
    assert t_cdf(t_quantile(p, dof), dof) == pytest.approx(p, rel=1e-9)


@given(st.floats(-50, 50), st.floats(0.0, 5.0), st.floats(0.3, 1e9))
def test_the_probability_never_falls(x: float, step: float, dof: float) -> None:
    assert t_cdf(x + step, dof) >= t_cdf(x, dof) - 1e-15


def test_the_ends() -> None:
    assert t_cdf(-math.inf, 3.0) == 0
    assert t_cdf(math.inf, 3.0) == 1
    assert t_cdf(0.0, 3.0) == 0.5
    for dof in (1e4, 1e150, 1e300, math.inf):
        assert t_cdf(-1e150, dof) == 0
        assert t_cdf(1e150, dof) == 1
    assert t_quantile(0.5, 3.0) == 0
    assert t_quantile(1e-300, 0.01) == -math.inf  # beyond the largest float
    assert t_cdf(-1e200, 1.0) == pytest.approx(1 / (math.pi * 1e200), rel=1e-12)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, math.nan])
def test_no_quantile_at_a_probability_out_of_range(p: float) -> None:
    with pytest.raises(ValueError, match="above 0 and below 1"):
        t_quantile(p, 5.0)


@pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
def test_degrees_of_freedom_must_be_positive(dof: float) -> None:
    with pytest.raises(ValueError, match="more than 0"):
        t_cdf(1.0, dof)
    with pytest.raises(ValueError, match="more than 0"):
        t_quantile(0.9, dof)


def test_not_a_number_has_no_probability() -> None:
    with pytest.raises(ValueError, match="not a number"):
        t_cdf(math.nan, 5.0)


def test_the_ratio_of_gammas_goes_on_smoothly() -> None:
    # From 25 upwards a series takes over from two logarithms of gamma, which still hold 14 digits there.
    for a in (25.0, 25.5, 30.0):
        two_logarithms = math.lgamma(a + 0.5) - math.lgamma(a)
        assert student._log_gamma_ratio(a) == pytest.approx(two_logarithms, abs=6e-14)
