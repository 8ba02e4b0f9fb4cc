"""Cosine errors against the printed table and the closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calc.alignment import Geometry, misalignment_u, true_per_reading

# Printed with lever test indicators: correction for the angle between lever and face.
PRINTED = [(10, 0.98), (20, 0.94), (30, 0.87), (40, 0.77), (50, 0.64), (60, 0.50)]


@pytest.mark.parametrize(("angle_deg", "printed"), PRINTED)
def test_a_lever_follows_the_printed_cosine_table(angle_deg: float, printed: float) -> None:
    # the table cuts after two digits in one row (10 degrees: 0.9848), so a whole digit is allowed
    assert true_per_reading(Geometry.LEVER, angle_deg) == pytest.approx(printed, abs=0.0065)


@pytest.mark.parametrize(("angle_deg", "true_mm"), [(20, 0.188), (30, 0.173)])
def test_a_reading_of_a_fifth_of_a_millimetre(angle_deg: float, true_mm: float) -> None:
    # worked examples printed beside that table: 0.200 mm read at the angle (at 30 degrees 0.174, from 0.87)
    assert 0.200 * true_per_reading(Geometry.LEVER, angle_deg) == pytest.approx(true_mm, abs=0.0011)


def test_four_thou_at_sixty_degrees_are_two() -> None:
    # the same page: 0.004 in at 60 degrees
    assert 0.004 * true_per_reading(Geometry.LEVER, 60) == pytest.approx(0.002, abs=1e-9)


@pytest.mark.parametrize(("angle_deg", "per_cent"), [(1, 0.015), (5, 0.38), (10, 1.5)])
def test_a_tilted_plunger_reads_too_much_and_a_projection_too_little(
    angle_deg: float, per_cent: float
) -> None:
    # closed form 1 / cos(a) - 1
    too_much = 1 / true_per_reading(Geometry.PLUNGER, angle_deg) - 1
    assert 100 * too_much == pytest.approx(per_cent, rel=0.05)
    product = true_per_reading(Geometry.PLUNGER, angle_deg) * true_per_reading(Geometry.PROJECTED, angle_deg)
    assert product == pytest.approx(1.0, rel=1e-15)


def test_an_angle_out_of_range_is_named() -> None:
    with pytest.raises(ValueError, match="75 degrees is outside 0 to 60"):
        true_per_reading(Geometry.PLUNGER, 75)
    with pytest.raises(ValueError, match="-1 degrees"):
        misalignment_u(0.3, Geometry.PLUNGER, -1)


def test_the_uncertainty_is_the_root_mean_square_of_an_even_error() -> None:
    # Monte Carlo in the manner of JCGM 101: an error spread evenly from 0 to its largest, never corrected
    rng = np.random.default_rng(8)
    bound = 0.3 * (1 - math.cos(math.radians(8)))
    drawn = rng.uniform(0, bound, 200_000)
    assert misalignment_u(0.3, Geometry.PLUNGER, 8) == pytest.approx(
        float(np.sqrt((drawn**2).mean())), rel=0.01
    )
