"""A micrometer's settled reading and its budget."""

from __future__ import annotations

import math
import random
from decimal import Decimal
from typing import Any

import GTC
import pytest
from scipy import stats

from calc.units import Unit
from capture.readings import Gauge, Reading
from capture.rests import Rest
from capture.thickness import Thickness, ThicknessFinder, thickness_object, thickness_of

SINGLE = Gauge(single=True)

# JCGM 100:2008 (GUM), table 1 of 4.4.3: twenty readings (read in a transcription), mean 100.145, s 1.489.
TABLE_1 = (
    *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
    *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
)


def feed(finder: ThicknessFinder, texts: str, period: float = 0.1, unit: Unit = Unit.MM) -> Thickness | None:
    for i, text in enumerate(texts.split()):
        found = finder.feed(Reading(Decimal(text), unit, i * period))
        if found:
            return found
    return None


def test_a_steady_reading_has_the_resolution_s_uncertainty() -> None:
    found = feed(ThicknessFinder(Gauge()), "3.204 " * 30)
    assert found is not None
    assert found.thickness_mm == 3.204
    # GUM F.2.2.1: a display that does not move is not perfect: u = 0.29 of its step
    assert found.budget.u_mm == pytest.approx(0.29 * 0.001, rel=0.01)
    assert found.budget.u_mm == 0.001 / math.sqrt(12)
    assert found.budget.coverage_factor == pytest.approx(1.96, abs=0.001)


def test_an_inch_micrometer() -> None:
    found = feed(ThicknessFinder(Gauge()), "0.12614 " * 30, unit=Unit.INCH)
    assert found is not None
    assert found.thickness_mm == pytest.approx(0.12614 * 25.4, abs=1e-12)
    assert found.resolution_mm == pytest.approx(0.000254)


def test_the_spread_is_that_of_one_reading_with_its_degrees_of_freedom() -> None:
    # GUM 4.4.3, table 1: s = 1.489 from 20 readings
    s = stats.tstd(TABLE_1)
    found = thickness_of(Rest(100.145, float(s), 20, 0.0, 1.0, 0.01), Gauge())
    row = found.budget.components[0]
    assert (round(row.u_mm, 3), row.dof, row.kind) == (1.489, 19.0, "A")


def test_the_budget_against_an_independent_calculator() -> None:
    # GTC (MSL New Zealand) is an independent implementation of the GUM.
    gauge = Gauge(permissible_error_mm=0.004)
    found = thickness_of(Rest(3.2, 0.0015, 12, 0.0, 1.0, 0.001), gauge)
    total: Any = (
        GTC.ureal(3.2, 0.0015, 11)
        + GTC.ureal(0.0, GTC.type_b.uniform(0.0005))
        + GTC.ureal(0.0, GTC.type_b.uniform(0.004))
    )
    assert found.budget.u_mm == pytest.approx(GTC.uncertainty(total), rel=1e-12)
    assert found.budget.dof == pytest.approx(GTC.dof(total), rel=1e-9)
    assert found.budget.expanded_mm == pytest.approx(
        GTC.rp.k_factor(GTC.dof(total), 95) * GTC.uncertainty(total), rel=1e-6
    )


def test_a_closed_micrometer_is_no_thickness() -> None:
    finder = ThicknessFinder(Gauge())
    assert feed(finder, "0.000 " * 30) is None
    assert finder.empty
    found = feed(finder, "0.000 1.5 2.9 3.1 " + "3.204 " * 30)
    assert found is not None
    assert found.thickness_mm == 3.204


def test_a_reading_that_wanders_gives_none() -> None:
    assert feed(ThicknessFinder(Gauge()), " ".join(f"{3 + 0.004 * (i % 7):.3f}" for i in range(200))) is None


def test_three_presses_that_agree() -> None:
    finder = ThicknessFinder(SINGLE)
    assert feed(finder, "3.204 3.205", period=2.0) is None
    found = feed(ThicknessFinder(SINGLE), "3.190 3.204 3.205 3.204", period=2.0)
    assert found is not None
    assert (found.thickness_mm, found.readings) == (3.204, 3)
    assert found.budget.components[0].dof == 2.0


def test_presses_of_a_closed_micrometer_do_not_count() -> None:
    found = feed(ThicknessFinder(SINGLE), "3.204 0.000 3.204 3.204", period=2.0)
    assert found is None


def test_the_object_for_other_programs() -> None:
    found = feed(ThicknessFinder(Gauge(permissible_error_mm=0.002)), "3.204 " * 30)
    assert found is not None
    told = thickness_object(found)
    assert list(told) == [
        *(
            "thickness_mm",
            "u_mm",
            "expanded_mm",
            "coverage_factor",
            "dof",
            "resolution_mm",
            "readings",
            "budget",
        )
    ]
    assert told["dof"] is None  # infinite
    assert [row["source"] for row in told["budget"]] == [
        *("micrometer's permissible error", "resolution of the reading", "spread of the settled readings")
    ]
    assert told["budget"][0]["u_mm"] == pytest.approx(0.002 / math.sqrt(3))


def test_the_interval_covers_the_truth() -> None:
    """By simulation: a thickness anywhere between two digits, with noise of up to a digit."""
    covered, seeds = 0, 300
    for seed in range(seeds):
        rng = random.Random(seed)
        true = rng.uniform(3.0, 3.5)
        clamp = rng.gauss(0.0, 0.0002)
        finder, found = ThicknessFinder(Gauge()), None
        for i in range(200):
            value = Decimal(f"{true + clamp + rng.gauss(0.0, 0.0004):.3f}")
            found = finder.feed(Reading(value, Unit.MM, i * 0.1))
            if found:
                break
        assert found is not None
        covered += abs(found.thickness_mm - true) <= found.budget.expanded_mm
    # 95 % are promised, and the rectangle of the resolution gives a little more; one-sided, three standard
    # errors below that are 0.912
    assert 0.92 * seeds <= covered
