"""Verdicts, probabilities and guard bands, against JCGM 106, ISO 14253-1 and ILAC-G8."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from calc.errors import CalcError
from calc.limits import (
    Decision,
    Limits,
    LimitsError,
    State,
    Verdict,
    assess,
    chances,
    guard_band_mm,
    nm,
    percent,
)
from calc.units import Unit

INF = math.inf
REAR = Limits(0.03, 0.20)
# Common practice: 0.001 to 0.008 in at such a hub.
INCH = Limits(0.0254, 0.2032)


@pytest.mark.parametrize(
    ("end_play_mm", "verdict"),
    [
        (0.4318, Verdict.LOOSE),  # 0.017 in, common practice
        (0.0508, Verdict.WITHIN),  # 0.002 in, common practice
        (0.2032, Verdict.WITHIN),  # on the upper limit
        (0.0254, Verdict.WITHIN),  # on the lower limit
        (8 * 0.0254, Verdict.WITHIN),  # on it, but for the last bit of a float
        (0.203202, Verdict.LOOSE),
        (0.025398, Verdict.TIGHT),
        (0.0, Verdict.TIGHT),
        (-0.01, Verdict.TIGHT),
    ],
)
def test_the_verdict_goes_by_the_measured_value(end_play_mm: float, verdict: Verdict) -> None:
    assert INCH.verdict(end_play_mm) is verdict
    assert assess(end_play_mm, 0.05, 4, INCH).verdict is verdict
    assert assess(end_play_mm, 0.05, 4, INCH, Decision.GUARDED).verdict is verdict


@pytest.mark.parametrize(
    ("y", "u", "limits", "p"),
    [
        # JCGM 106:2012, clause 7 (inputs from memory, recomputed); one-sided: the other limit is far.
        (-5.47, 0.05, Limits(-1e6, -5.40), 0.92),  # breakdown voltage of a Zener diode
        (507.0, 8.0, Limits(490.0, 1e9), 0.98),  # burst pressure of a vessel
        (13.6, 1.8, Limits(12.5, 16.3), 0.66),  # viscosity of an oil, two-sided
    ],
)
def test_conformance_probabilities_of_jcgm_106(y: float, u: float, limits: Limits, p: float) -> None:
    assert chances(y, u, INF, limits).within == pytest.approx(p, abs=0.005)


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_table_1_of_jcgm_106(p: float, z: float) -> None:
    # Values from memory: conformance probability against the distance to a single limit, in uncertainties.
    assert chances(-z, 1.0, INF, Limits(-1e9, 0.0)).within == pytest.approx(p, abs=0.0015)


@pytest.mark.parametrize(
    ("y", "outside", "tight", "loose"),
    [(10.0, 0.01242, 0.00621, 0.00621), (10.5, 0.10574, 0.00009, 0.10565)],
)
def test_two_sided_cases(y: float, outside: float, tight: float, loose: float) -> None:
    # From the tests of suncal 1.7.1 (Sandia): N(y, 0.4) in 9 to 11.
    chance = chances(y, 0.4, INF, Limits(9.0, 11.0))
    assert 1 - chance.within == pytest.approx(outside, abs=6e-6)
    assert chance.tight == pytest.approx(tight, abs=6e-6)
    assert chance.loose == pytest.approx(loose, abs=6e-6)


@pytest.mark.parametrize(
    ("bands", "false_accept", "digits"),
    [
        # ILAC-G8:09/2019, 4.2 (read on a laboratory's page): guard band in U = 2u, risk at its edge.
        (0.0, 0.50, 1e-3),
        (0.83, 0.0485, 1e-4),
        (1.0, 0.0228, 1e-4),
        (1.5, 0.00135, 1e-5),
        (3.0, 1e-9, 1e-10),
    ],
)
def test_false_accept_risk_of_guard_bands(bands: float, false_accept: float, digits: float) -> None:
    u = 0.005
    guard = bands * 2 * u
    at_acceptance_limit = REAR.most_mm - guard
    assert REAR.state(at_acceptance_limit, guard) is State.PASS
    assert REAR.state(at_acceptance_limit + 2e-6, guard) is not State.PASS
    assert assess(at_acceptance_limit, u, INF, REAR).p_loose == pytest.approx(false_accept, abs=digits)


def test_the_guard_band_is_one_expanded_uncertainty() -> None:
    # NIST TN 1297, table B.1: t95 of 4 degrees of freedom is 2.78, of infinitely many 1.960.
    assert guard_band_mm(0.01, 4) == pytest.approx(0.0278, abs=5e-5)
    assert guard_band_mm(0.01, INF) == pytest.approx(0.0196, abs=5e-6)


@pytest.mark.parametrize(
    ("end_play_mm", "state", "says"),
    [
        (0.100, State.PASS, "keeps the guard band of 0.020 mm"),
        (0.180, State.PASS, "keeps"),
        (0.050, State.PASS, "keeps"),
        (0.181, State.CONDITIONAL_PASS, "closer to one than"),
        (0.200, State.CONDITIONAL_PASS, "closer to one than"),
        (0.030, State.CONDITIONAL_PASS, "closer to one than"),
        (0.201, State.CONDITIONAL_FAIL, "by no more than"),
        (0.220, State.CONDITIONAL_FAIL, "by no more than"),
        (0.221, State.FAIL, "by more than"),
        (0.010, State.CONDITIONAL_FAIL, "by no more than"),
        (0.009, State.FAIL, "by more than"),
    ],
)
def test_the_four_states(end_play_mm: float, state: State, says: str) -> None:
    got = assess(end_play_mm, 0.01, INF, REAR, "guarded", guard_mm=0.02)
    assert got.state is state
    assert says in got.text
    assert str(state) in got.text


def test_limits_closer_than_two_guard_bands_leave_no_pass() -> None:
    # TMC RP 618A (read in reproductions) accepts 0.001 to 0.005 in: U = 0.05 mm leaves 0.0016 mm, 0.051 none.
    truck = Limits(0.0254, 0.127)
    assert truck.state(truck.middle_mm, 0.05) is State.PASS
    assert truck.state(truck.middle_mm - 0.0009, 0.05) is State.CONDITIONAL_PASS
    got = assess(truck.middle_mm, 0.026, INF, truck, Decision.GUARDED)
    assert got.state is State.CONDITIONAL_PASS
    assert "no reading can pass" in got.text
    assert "measure with less uncertainty" in got.text
    # Exactly two guard bands leave one reading: the middle.
    assert not truck.leaves_no_pass(0.0508)
    assert truck.state(truck.middle_mm, 0.0508) is State.PASS


def test_the_simple_decision_has_no_state() -> None:
    got = assess(0.1, 0.01, INF, REAR)
    assert (got.decision, got.state) == (Decision.SIMPLE, None)


def test_the_words_of_a_plain_verdict() -> None:
    assert assess(0.1, 0.002, 8, REAR).text == "within: 0.100 mm is inside the limits, 0.03 mm to 0.20 mm"
    assert assess(0.4318, 0.002, 8, INCH, unit=Unit.INCH).text == (
        "loose: 0.0170 in is 0.0090 in more than the most allowed, 0.008 in"
    )
    assert assess(0.01, 0.002, 8, REAR).text == (
        "tight: 0.010 mm is 0.020 mm less than the least allowed, 0.03 mm"
    )


def test_a_hair_beyond_a_limit_is_not_called_nothing() -> None:
    assert "0.2002 mm is 0.0002 mm more than" in assess(0.2002, 0.0, INF, REAR).text
    assert "0.029996 mm is 0.000004 mm less than" in assess(0.029996, 0.0, INF, REAR).text
    assert (
        "0.008010 in is 0.000010 in more than" in assess(0.00801 * 25.4, 0.0, INF, INCH, unit=Unit.INCH).text
    )


@pytest.mark.parametrize(
    ("end_play_mm", "says"),
    [
        (0.195, "near the upper limit, 0.20 mm: loose with a probability of 16 %"),
        (0.035, "near the lower limit, 0.03 mm: tight with a probability of 16 %"),
        (0.205, "near the limit: with a probability of 16 % it is within after all (0.20 mm)"),
        (0.025, "near the limit: with a probability of 16 % it is within after all (0.03 mm)"),
    ],
)
def test_near_a_limit_the_text_says_so(end_play_mm: float, says: str) -> None:
    assert says in assess(end_play_mm, 0.005, INF, REAR).text


def test_an_uncertainty_wider_than_the_limits_is_near_both() -> None:
    text = assess(0.115, 0.2, INF, REAR).text
    assert "near the upper limit" in text
    assert "near the lower limit" in text


def test_few_strokes_are_less_sure_than_many() -> None:
    few, many = chances(0.19, 0.005, 2, REAR), chances(0.19, 0.005, INF, REAR)
    assert few.loose > 2 * many.loose


@given(st.floats(-0.5, 1.0), st.floats(1e-4, 0.3), st.floats(1.0, 1e6))
def test_probabilities_agree_with_scipy_and_make_one(y: float, u: float, dof: float) -> None:
    # JCGM 101:2008, 6.4.9: the scaled and shifted t; scipy's own is the check.
    chance = chances(y, u, dof, REAR)
    true = stats.t(dof, loc=y, scale=u)
    assert chance.loose == pytest.approx(float(true.sf(REAR.most_mm)), rel=1e-8, abs=1e-15)
    assert chance.tight == pytest.approx(float(true.cdf(REAR.least_mm)), rel=1e-8, abs=1e-15)
    assert chance.within + chance.loose + chance.tight == pytest.approx(1, abs=1e-12)
    assert 0 <= chance.within <= 1


@pytest.mark.parametrize(("y", "within"), [(0.03, 1.0), (0.2, 1.0), (0.200002, 0.0), (0.029998, 0.0)])
def test_without_uncertainty_the_probability_is_0_or_1(y: float, within: float) -> None:
    chance = chances(y, 0.0, INF, REAR)
    assert chance.within == within
    assert chance.within + chance.loose + chance.tight == 1


def test_a_far_probability_keeps_its_digits() -> None:
    # 9 uncertainties above the upper limit: 1 - p_loose would give 0.
    got = chances(9.0, 1.0, INF, Limits(-100.0, 0.0)).within
    assert got == pytest.approx(float(stats.norm.sf(9.0)), rel=1e-10)
    got = chances(-9.0, 1.0, INF, Limits(0.0, 100.0)).within
    assert got == pytest.approx(float(stats.norm.sf(9.0)), rel=1e-10)


def test_limits_the_wrong_way_round() -> None:
    with pytest.raises(LimitsError, match=r"0\.2 mm, is more than the most, 0\.03 mm") as caught:
        Limits(0.2, 0.03)
    assert (caught.value.least_mm, caught.value.most_mm) == (0.2, 0.03)
    assert isinstance(caught.value, CalcError)


def test_limits_may_meet() -> None:
    assert Limits(0.1, 0.1).verdict(0.1) is Verdict.WITHIN


def test_what_is_no_uncertainty_or_decision_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 0"):
        assess(0.1, -0.001, 5, REAR)
    with pytest.raises(ValueError, match="at least 0"):
        assess(0.1, math.nan, 5, REAR)
    with pytest.raises(ValueError, match="hopeful"):
        assess(0.1, 0.001, 5, REAR, "hopeful")


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, "under 0.1 %"),
        (0.0009, "under 0.1 %"),
        (0.001, "0.1 %"),
        (0.05, "5.0 %"),
        (0.0994, "9.9 %"),
        (0.0996, "10 %"),
        (0.5, "50 %"),
        (0.985, "98 %"),
        (0.9896, "99.0 %"),
        (0.9989, "99.9 %"),
        (0.9991, "over 99.9 %"),
        (1.0, "over 99.9 %"),
    ],
)
def test_a_probability_for_people(p: float, text: str) -> None:
    assert percent(p) == text


def test_nanometres_forgive_the_last_bit_of_a_float() -> None:
    assert nm(0.1 + 0.2) == nm(0.3) == 300_000
    assert nm(0.0025399999999999997) == 2540
