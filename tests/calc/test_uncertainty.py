"""The budget against the GUM's own examples, NIST data, and GTC as an independent calculator."""

from __future__ import annotations

import math
import random
from typing import Any

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.uncertainty import (
    Budget,
    Component,
    arcsine,
    rectangular,
    resolution,
    resolution_of_difference,
    triangular,
    type_a,
)

# JCGM 100:2008, table 1 of 4.4.3: temperatures, degC (read in a transcription, recomputed).
TABLE_1 = (
    *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
    *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
)

ROWS = st.lists(st.tuples(st.floats(1e-6, 1.0), st.integers(1, 200)), min_size=2, max_size=6)


def test_twenty_readings_of_gum_4_4_3() -> None:
    mean, s, s_mean = type_a(TABLE_1)
    assert mean == pytest.approx(100.145, abs=5e-4)
    assert s == pytest.approx(1.489, abs=5e-4)
    assert s_mean == pytest.approx(0.333, abs=5e-4)


@pytest.mark.parametrize(
    ("base", "digits"),
    [(1.2, 13), (1_000_000.2, 9), (10_000_000.2, 8)],
)
def test_standard_deviation_of_nist_num_acc(base: float, digits: int) -> None:
    # NIST StRD NumAcc2 to 4: 1001 values swinging by 0.1 about the first; mean = the first, s = 0.1 exactly.
    values = [base, *[v for _ in range(500) for v in (round(base - 0.1, 1), round(base + 0.1, 1))]]
    mean, s, _ = type_a(values)
    assert mean == pytest.approx(base, rel=1e-15)
    assert s == pytest.approx(0.1, rel=10.0**-digits)


def test_standard_deviation_of_nist_num_acc_1() -> None:
    assert type_a([10_000_001.0, 10_000_003.0, 10_000_002.0])[:2] == (10_000_002.0, 1.0)


@pytest.mark.parametrize("values", [[], [1.0]])
def test_one_reading_has_no_standard_deviation(values: list[float]) -> None:
    with pytest.raises(ValueError, match="at least 2"):
        type_a(values)


def end_gauge() -> Budget:
    """JCGM 100:2008, H.1.3 and H.1.5: the rows of the end gauge, nanometres here.

    The difference's own three sources combine first, as H.1.3.2 does (degrees of freedom 25.6).
    """
    sources = (Component("", "A", 5.8, 24), Component("", "A", 3.9, 5), Component("", "B", 6.7, 8))
    d = Budget(sources)
    assert d.u_mm == pytest.approx(9.7, abs=0.05)
    assert d.dof == pytest.approx(25.6, abs=0.2)
    return Budget(
        (
            Component("standard", "B", 25, 18),
            Component("difference", "A", d.u_mm, d.dof),
            Component("difference of expansion", "B", 50_000_623 * 0.1 * rectangular(1e-6), 50),
            Component("difference of temperature", "B", 50_000_623 * 11.5e-6 * rectangular(0.05), 2),
        )
    )


def test_the_end_gauge_of_gum_h_1() -> None:
    budget = end_gauge()
    assert budget.u_mm == pytest.approx(32, abs=0.5)
    assert 16 <= budget.dof < 17
    k99 = Budget((Component("", "A", 1.0, math.floor(budget.dof)),)).coverage_factor_at(0.99)
    assert k99 == pytest.approx(2.92, abs=0.005)
    assert k99 * budget.u_mm == pytest.approx(93, abs=1)


def test_the_rows_of_the_end_gauge_stand_in_order() -> None:
    rows = end_gauge().largest_first()
    assert [round(row.u_mm, 1) for row in rows] == [25.0, 16.6, 9.7, 2.9]


def test_welch_satterthwaite_of_gum_g_4_1() -> None:
    # Inputs from memory of G.4.1: 0.25, 0.57 and 0.82 % from 10, 5 and 15 readings.
    budget = Budget((Component("", "A", 0.25, 9), Component("", "A", 0.57, 4), Component("", "A", 0.82, 14)))
    assert budget.u_mm == pytest.approx(1.03, abs=0.005)
    assert budget.dof == pytest.approx(19.0, abs=0.05)
    assert budget.coverage_factor == pytest.approx(2.09, abs=0.005)
    assert budget.expanded_mm == pytest.approx(2.2, abs=0.05)


@given(ROWS)
def test_gtc_finds_the_same_uncertainty_and_degrees_of_freedom(rows: list[tuple[float, int]]) -> None:
    # GTC (MSL New Zealand) is an independent implementation of the GUM.
    budget = Budget(tuple(Component("row", "A", u, dof) for u, dof in rows))
    total: Any = sum(GTC.ureal(0.0, u, dof) for u, dof in rows)
    assert budget.u_mm == pytest.approx(GTC.uncertainty(total), rel=1e-12)
    assert budget.dof == pytest.approx(GTC.dof(total), rel=1e-9)
    if budget.dof < 1e6:
        assert budget.coverage_factor == pytest.approx(GTC.rp.k_factor(GTC.dof(total), 95), rel=1e-6)


@given(ROWS)
def test_the_sum_is_between_its_largest_row_and_the_plain_sum(rows: list[tuple[float, int]]) -> None:
    budget = Budget(tuple(Component("row", "A", u, dof) for u, dof in rows))
    largest = budget.largest_first()[0].u_mm
    assert largest <= budget.u_mm * (1 + 1e-12)
    assert budget.u_mm <= sum(u for u, _ in rows) * (1 + 1e-12)
    assert budget.dof >= min(dof for _, dof in rows) * (1 - 1e-12)
    assert budget.dof <= sum(dof for _, dof in rows) * (1 + 1e-9)


def test_four_unit_normals_of_gum_s1_9_2() -> None:
    # JCGM 101:2008, 9.2.2: the sum of four standard normals has u = 2.0 and a 95 % interval of +-3.92.
    budget = Budget(tuple(Component("unit", "B", 1.0) for _ in range(4)))
    assert budget.u_mm == 2.0
    assert budget.dof == math.inf
    assert budget.expanded_mm == pytest.approx(3.92, abs=0.005)


def test_known_distributions_of_gum_4_3() -> None:
    # Inputs from memory of GUM 4.3.7, F.2.2.1, H.1.3.4.
    assert rectangular(0.40) == pytest.approx(0.23, abs=0.005)
    assert arcsine(0.5) == pytest.approx(0.35355, abs=5e-6)
    assert resolution(1.0) == pytest.approx(0.29, abs=0.005)
    assert triangular(1.0) == pytest.approx(0.4082, abs=5e-5)
    # EA-4/02 S10 (from memory): a vernier's two rectangles, 25 um and 50 um; it prints 33 from rounded rows.
    assert math.hypot(rectangular(25), rectangular(50)) == pytest.approx(32.3, abs=0.05)


def test_the_difference_of_two_rounded_readings() -> None:
    # GUM F.2.2.1 twice: d/sqrt(6) = 0.4082 d; checked here on rounded readings themselves.
    assert resolution_of_difference(1.0) == pytest.approx(0.4082, abs=5e-5)
    rng = random.Random(20)
    errors = []
    for _ in range(40_000):
        low, high = rng.uniform(0, 100), rng.uniform(100, 200)
        errors.append((round(high) - round(low)) - (high - low))
    assert type_a(errors).s == pytest.approx(resolution_of_difference(1.0), rel=0.02)
    # A triangle of half width a holds 1 - (1 - x/a)**2 within x; a rectangle x/a.
    assert (1 - math.sqrt(0.05)) / triangular(1.0) == pytest.approx(1.902, abs=5e-4)
    assert 0.95 / rectangular(1.0) == pytest.approx(1.645, abs=5e-4)
    # The triangle's 95 % point is 1.902 standard uncertainties: the budget's 1.96 errs on the safe side.
    within = sum(abs(e) <= 1.902 * resolution_of_difference(1.0) for e in errors) / len(errors)
    assert within == pytest.approx(0.95, abs=0.004)
    assert Budget((Component("resolution", "B", 1.0),)).coverage_factor > 1.902


def test_an_empty_budget_is_certain() -> None:
    budget = Budget(())
    assert (budget.u_mm, budget.dof, budget.expanded_mm) == (0.0, math.inf, 0.0)


def test_a_row_of_nothing_changes_nothing() -> None:
    row = Component("strokes", "A", 0.003, 4)
    assert Budget((row, Component("drift", "A", 0.0, 2))).dof == pytest.approx(4)


@pytest.mark.parametrize("u_mm", [-0.001, math.nan, math.inf])
def test_a_row_must_be_a_length(u_mm: float) -> None:
    with pytest.raises(ValueError, match="strokes: an uncertainty of"):
        Component("strokes", "A", u_mm)


@pytest.mark.parametrize("dof", [0.0, -2.0, math.nan])
def test_a_row_must_have_freedom(dof: float) -> None:
    with pytest.raises(ValueError, match=r"strokes: .* degrees of freedom"):
        Component("strokes", "A", 0.001, dof)
