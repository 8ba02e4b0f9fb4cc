"""A gauge against a block: which rest is which, the error with its budget, and the judgement near the
limit."""

from __future__ import annotations

import math
import random
from typing import Any

import GTC
import pytest
from scipy import stats

from calc.units import Unit
from capture.gauge_check import CheckResult, GaugeChecker, Outcome, budget_of, check_object, judge
from capture.rests import Rest

STEP = 0.001


def rest(level: float, step: float = STEP) -> Rest:
    return Rest(level, 0.0, 20, 0.0, 1.0, step)


def checked(levels: list[float], *, block: float = 1.0, repeats: int = 3, **given: Any) -> CheckResult:
    checker = GaugeChecker(block, repeats)
    for level in levels:
        assert not checker.done
        checker.feed(rest(level))
    assert checker.done
    return checker.result(given.get("block_u"), given.get("permissible"), given.get("unit", Unit.MM))


def test_three_repeats_by_hand() -> None:
    found = checked([0.000, 1.002, 0.002, 1.003, 0.000, 1.004, 0.000])
    # by hand: 1.002 - 0.001 - 1 = 0.001; 1.003 - 0.001 - 1 = 0.002; 1.004 - 0 - 1 = 0.004
    assert found.errors_mm == pytest.approx((0.001, 0.002, 0.004), abs=1e-12)
    assert found.error_mm == pytest.approx(0.007 / 3)
    assert found.repeatability_mm == pytest.approx(math.sqrt(7 / 3) * 1e-3)  # s of 1, 2, 4
    assert found.worst_mm == pytest.approx(0.004)
    assert found.judgement is None


def test_a_gauge_that_reads_the_other_way_has_the_same_errors() -> None:
    levels = [0.000, 1.002, 0.002, 1.003, 0.000, 1.004, 0.000]
    down = checked([5.0 - level for level in levels])
    assert down.errors_mm == pytest.approx(checked(levels).errors_mm, abs=1e-12)


def test_steady_creep_of_the_stand_drops_out() -> None:
    creep = 0.003  # at each rest
    levels = [(i % 2) * 1.001 + creep * i for i in range(11)]
    found = checked(levels, repeats=5)
    assert found.errors_mm == pytest.approx((0.001,) * 5, abs=1e-12)


def test_rests_of_one_kind_in_a_row_are_one_reading() -> None:
    found = checked([0.0, 0.002, 1.0, 1.002, 0.001, 1.001, 0.001, 1.001, 0.001])
    assert found.faces_mm[0] == pytest.approx(0.001)
    assert found.blocks_mm[0] == pytest.approx(1.001)
    assert found.errors_mm == pytest.approx((0.0,) * 3, abs=1e-12)


def test_what_is_neither_face_nor_block_is_told_and_left_out() -> None:
    checker = GaugeChecker(1.0, 3)
    kinds = [checker.feed(rest(level)).kind for level in (0.0, 0.5, 1.0, 8.0, -1.0, 0.0)]
    assert kinds == ["face", None, "block", None, None, "face"]
    assert checker.others_mm == pytest.approx([0.5, 8.0, -1.0])
    assert checker.blocks == 1
    with pytest.raises(ValueError, match="1 of 3"):
        checker.result(None, None, Unit.MM)


def test_a_thin_feeler_is_told_from_the_face() -> None:
    checker = GaugeChecker(0.03, 3)
    assert [checker.feed(rest(level)).kind for level in (0.0, 0.031, 0.001)] == ["face", "block", "face"]


def test_the_budget_against_an_independent_calculator() -> None:
    # GTC (MSL New Zealand) is an independent implementation of the GUM; type A by its own type_a module.
    errors = (0.0011, 0.0021, 0.0008, 0.0015, 0.0019)
    budget = budget_of(errors, 0.001, 0.00012)
    total: Any = (
        GTC.type_a.estimate(errors) + GTC.ureal(0.0, GTC.type_b.triangular(0.001)) + GTC.ureal(0.0, 0.00012)
    )
    assert budget.u_mm == pytest.approx(GTC.uncertainty(total), rel=1e-12)
    assert budget.dof == pytest.approx(GTC.dof(total), rel=1e-9)


def test_repeats_with_known_statistics() -> None:
    # NIST StRD, univariate NumAcc1: 10000001, 10000003, 10000002 have mean 10000002 and s 1 exactly.
    found = checked([0.0, 1e7 + 1, 0.0, 1e7 + 3, 0.0, 1e7 + 2, 0.0], block=1e7)
    assert found.error_mm == pytest.approx(2.0, rel=1e-12)
    assert found.repeatability_mm == pytest.approx(1.0, rel=1e-12)
    assert found.budget.components[0].u_mm == pytest.approx(1 / math.sqrt(3))


@pytest.mark.parametrize(
    ("errors", "outcome", "said"),
    [
        ((0.001, 0.0011, 0.0009), Outcome.PASS, "is within the permissible ± 0.0040 mm"),
        ((0.010, 0.0101, 0.0099), Outcome.FAIL, "+0.0100 mm, is beyond the permissible ± 0.0040 mm"),
        ((-0.0101, -0.010, -0.0099), Outcome.FAIL, "-0.0100 mm, is beyond"),
        ((0.0039, 0.004, 0.0041), Outcome.UNDECIDED, "too near the permissible ± 0.0040 mm to tell"),
        # right in the mean, but single readings are far out
        ((-0.008, 0.008, 0.0), Outcome.FAIL, "the worst single error, -0.0080 mm, is beyond"),
    ],
)
def test_the_judgement(errors: tuple[float, ...], outcome: Outcome, said: str) -> None:
    found = judge(errors, budget_of(errors, 0.001, None), 0.004, Unit.MM)
    assert found.outcome is outcome
    assert said in found.text


def test_the_bounds_lie_where_iso_14253_puts_them() -> None:
    # ISO 14253-1:2017, default (from memory): conformity is proven with 95 %, which is 1.645 u inside a limit
    # that is far from the other one. Five equal errors: u is that of the block and the resolution alone.
    step, block_u, permissible = 0.0001, 0.0005, 0.010
    u = math.hypot(step / math.sqrt(6), block_u)
    outcomes = []
    for away in (-1.70, -1.60, 1.60, 1.70):
        errors = (permissible + away * u,) * 5
        outcomes.append(judge(errors, budget_of(errors, step, block_u), permissible, Unit.MM).outcome)
    assert outcomes == [Outcome.PASS, Outcome.UNDECIDED, Outcome.UNDECIDED, Outcome.FAIL]
    errors = (0.0095,) * 5
    p = judge(errors, budget_of(errors, step, block_u), permissible, Unit.MM).p_within
    assert p == pytest.approx(stats.norm.cdf((permissible - 0.0095) / u), rel=1e-9)


def test_the_object_for_other_programs() -> None:
    found = checked([0.0, 1.001, 0.0, 1.001, 0.0, 1.001, 0.0], permissible=0.004, block_u=0.0001)
    told = check_object(found, 0.0001, 0.004)
    assert told["outcome"] == "pass"
    assert told["errors_mm"] == pytest.approx([0.001] * 3)
    assert {row["source"] for row in told["budget"]} == {
        *("repeatability of the mean", "resolution of two readings", "size of the block")
    }


def test_the_interval_covers_the_true_error() -> None:
    """By simulation: gauges with an error, repeats that scatter, a display of 0.001 mm."""
    covered, seeds = 0, 400
    for seed in range(seeds):
        rng = random.Random(seed)
        error, start = rng.uniform(-0.01, 0.01), rng.uniform(-1, 1)
        checker = GaugeChecker(1.0, 5)
        for i in range(11):
            true = start + (i % 2) * (1.0 + error) + rng.gauss(0.0, 0.0008)
            checker.feed(rest(round(true, 3)))
        found = checker.result(None, None, Unit.MM)
        covered += abs(found.error_mm - error) <= found.budget.expanded_mm
    assert 0.93 * seeds <= covered <= 0.995 * seeds
