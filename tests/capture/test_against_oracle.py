"""The end play beside least squares that was told which readings rest where, and refusals of what has none.

A small everyday share of ``tests/bench/bench_estimator.py``, which judges every kind with many seeds.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.simulator import oracle_mm
from tests.bench.kinds import FRESH, TUNED, UNUSABLE, UNUSABLE_FRESH, made

USABLE = TUNED | FRESH
HALF_THOU_MM = 0.0127
SEEDS = (3001, 3002, 3003)


@cache
def measured(kind: str, seed: int) -> tuple[float, float, float]:
    """Our error, the oracle's, and the half width of our interval; millimetres."""
    simulated = made(kind, seed)
    outcome = analyse_trace(simulated.trace)
    assert isinstance(outcome, EndPlay), f"{kind}, seed {seed}: {outcome.reasons}"
    truth = USABLE[kind].end_play_mm
    return outcome.end_play_mm - truth, oracle_mm(simulated) - truth, outcome.expanded_mm


@pytest.mark.parametrize("kind", USABLE)
def test_a_usable_trace_gives_an_end_play_near_the_oracle_s(kind: str) -> None:
    # each on its own: no further from the oracle than three quarters of our own half width or 1.5 um
    for seed in SEEDS[:1]:
        ours, oracle, expanded = measured(kind, seed)
        assert abs(ours - oracle) <= max(0.75 * expanded, 0.0015), f"seed {seed}"
        assert abs(ours) <= max(1.5 * expanded, 0.0015), f"seed {seed}"


@pytest.mark.slow
def test_over_all_kinds_the_rms_error_is_at_most_1_15_times_the_oracle_s() -> None:
    errors = np.array([measured(kind, seed) for kind in USABLE for seed in SEEDS])
    ours, oracle = np.sqrt((errors[:, :2] ** 2).mean(axis=0))
    assert ours <= 1.15 * oracle


@pytest.mark.slow
def test_no_error_above_half_a_thou_is_left_uncovered() -> None:
    for kind in USABLE:
        for seed in SEEDS:
            ours, _, expanded = measured(kind, seed)
            assert abs(ours) <= max(HALF_THOU_MM, expanded), f"{kind}, seed {seed}"


@pytest.mark.parametrize("kind", UNUSABLE | UNUSABLE_FRESH)
def test_a_trace_without_end_play_is_refused_with_a_reason(kind: str) -> None:
    for seed in SEEDS[:2]:
        outcome = analyse_trace(made(kind, seed).trace)
        assert isinstance(outcome, Refusal), f"seed {seed}: {outcome.end_play_mm}"
        assert all(reason.text.strip() for reason in outcome.reasons)
