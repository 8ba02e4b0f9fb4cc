"""Motion is told from numbers in any order."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest

from capture.smoothness import counts_of, motion_of, roughness


def test_von_neumanns_ratio() -> None:
    # by hand: 1 2 3 4 has differences of 1, and a variance of 1.25
    assert roughness(np.array([1.0, 2.0, 3.0, 4.0])) == pytest.approx(1 / 1.25, rel=1e-12)
    # numbers in any order: 2, within its own scatter 2 / sqrt(n) (von Neumann 1941)
    noise = np.random.default_rng(5).normal(size=20_000)
    assert roughness(noise) == pytest.approx(2.0, abs=0.05)
    assert roughness(noise + 1e9) == pytest.approx(2.0, abs=0.05)  # wherever zero is
    assert roughness(np.full(10, 7.0)) == 2.0
    assert roughness(np.array([1.0, 2.0])) == 2.0


def test_a_swing_is_a_motion_and_noise_is_none() -> None:
    swing = motion_of([round(1000 * math.sin(n / 10)) for n in range(250)])
    assert swing.moves
    assert swing.persistence > 3.5
    assert (swing.step, swing.first) == (1, 1)
    noise = motion_of(np.random.default_rng(5).integers(-1000, 1000, 250))
    assert not noise.moves
    assert noise.persistence < 1.3
    assert not motion_of([0, 1, 0, 1, 2, 1] * 40).moves  # too few different numbers


def test_the_step_and_the_first_way() -> None:
    down = motion_of([5 * round(-200 * math.sin(n / 10)) for n in range(250)])
    assert (down.step, down.first) == (5, -1)
    still = motion_of([7] * 20)
    assert (still.step, still.first, still.distinct) == (0, 0, 1)
    assert motion_of([]).distinct == 0


def test_decimals_become_counts() -> None:
    assert counts_of([Decimal("0.1"), Decimal("-0.125"), Decimal(2)]) == ([100, -125, 2000], 3)
    assert counts_of([Decimal(5)]) == ([5], 0)
