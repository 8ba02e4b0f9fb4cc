"""What most of the dwells say."""

from __future__ import annotations

import numpy as np
import pytest

from capture.votes import MOST_DRIFT_MM_PER_S, vote, vote_bases, vote_drift

AT_S = 1.2 * np.arange(12.0)
SIDE = np.where(np.arange(12) % 2, 1, -1)


def test_a_third_that_agree_win_over_more_that_do_not() -> None:
    values = np.array([0.31, 0.312, 0.309, 0.02, 0.11, 0.19, 0.25, 0.07, 0.15])
    assert vote(values, 0.005) == pytest.approx(0.3103, abs=1e-4)


def test_of_two_values_with_equal_votes_the_larger_wins() -> None:
    # half strokes are always smaller than full ones
    assert vote(np.array([0.1, 0.1, 0.3, 0.3]), 0.01) == pytest.approx(0.3)


@pytest.mark.parametrize("creep", [0.0, 0.0005, -0.003, 0.0066])
def test_creep_is_found_with_a_third_of_the_dwells_elsewhere(creep: float) -> None:
    level = 0.15 * SIDE + creep * AT_S
    level[[2, 7, 10]] += (0.1, -0.06, 0.17)
    assert vote_drift(AT_S, level, 0.003, (2, 4, 6, 8)) == pytest.approx(creep, abs=1e-6)


def test_creep_that_no_fit_should_take_out_is_not_found() -> None:
    found = vote_drift(AT_S, 0.15 * SIDE + 0.05 * AT_S, 0.003, (2, 4, 6, 8))
    assert abs(found) <= MOST_DRIFT_MM_PER_S


def test_two_dwells_say_nothing_of_creep() -> None:
    assert vote_drift(AT_S[:2], np.array([0.0, 0.3]), 0.003, (2, 4)) == 0.0


def test_a_slip_is_where_one_base_ends_and_the_other_begins() -> None:
    bases = np.array([0.0] * 5 + [0.15] * 7)
    bases[8] = 0.4
    base, on = vote_bases(bases, 0.01)
    assert base.tolist() == [0] * 5 + [1] * 7
    assert np.flatnonzero(~on).tolist() == [8]


def test_one_dwell_off_the_base_is_no_slip() -> None:
    base, on = vote_bases(np.array([0.0] * 11 + [0.15]), 0.01)
    assert not base.any()
    assert on.tolist() == [True] * 11 + [False]


def test_two_dwells_off_the_base_that_do_not_agree_are_no_slip() -> None:
    base, on = vote_bases(np.array([0.0] * 10 + [0.15, 0.4]), 0.01)
    assert not base.any()
    assert on.tolist() == [True] * 10 + [False, False]
