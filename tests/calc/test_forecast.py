"""The forecast against a great many hubs made up by chance, and where it can be worked out by hand."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace

import pytest

from calc.forecast import SizeChance, covering, fitted_sizes, forecast
from calc.hub import Aim, Effect, Hub
from calc.limits import Decision, Limits
from calc.shims import ShimError, choose_shim
from calc.units import Unit

REAR = Hub(
    title="Heron GT rear",
    unit=Unit.MM,
    limits=Limits(0.03, 0.20),
    effect=Effect.OPENS,
    sizes_mm=tuple(round(2.40 + 0.05 * i, 2) for i in range(28)),
    shim_u_mm=0.002,
    reassembly_u_mm=0.004,
)
RUNS = 2_000


def by_chance(
    end_play_mm: float, u_mm: float, dof: int | None, hub: Hub, fitted: tuple[float, ...]
) -> Counter[float | None]:
    """Make hubs up and choose the shim for each."""
    drawn = random.Random(5)
    seen: Counter[float | None] = Counter()
    for _ in range(RUNS):
        off = drawn.gauss()
        if dof is not None:
            off /= math.sqrt(drawn.gammavariate(dof / 2, 2) / dof)
        thick = drawn.choice(fitted) + drawn.gauss(0, hub.shim_u_mm)
        sign = 1 if hub.effect is Effect.OPENS else -1
        zero = thick - sign * (end_play_mm + off * u_mm)
        near = tuple(size for size in hub.sizes_mm if abs(size - zero) < 0.3)
        chosen = None
        if near:
            chosen = choose_shim(0.0, u_mm, dof or math.inf, zero, replace(hub, sizes_mm=near)).choice
        seen[None if chosen is None else chosen.thickness_mm] += 1
    return seen


@pytest.mark.parametrize(
    ("hub", "end_play", "u", "dof", "fitted"),
    [
        (REAR, 0.36, 0.015, None, 3.20),
        (replace(REAR, aim=Aim.MIDDLE), 0.36, 0.03, 5, 3.20),
        (replace(REAR, aim=Aim.SUREST), 0.36, 0.002, None, 3.20),
        (replace(REAR, aim=Aim.SUREST, shim_u_mm=0.0, reassembly_u_mm=0.0), 0.36, 0.004, 6, 3.20),
        (replace(REAR, decision=Decision.GUARDED), 0.36, 0.02, 8, (3.00, 3.20)),
        (replace(REAR, effect=Effect.CLOSES), 0.31, 0.02, None, 3.20),
        (replace(REAR, sizes_mm=(2.4, 2.9, 2.95, 3.7)), 0.36, 0.03, 4, (2.0, 4.0)),
        (REAR, 0.5, 0.02, 9, None),
    ],
)
def test_it_agrees_with_hubs_made_up_by_chance(
    hub: Hub, end_play: float, u: float, dof: int | None, fitted: float | tuple[float, float] | None
) -> None:
    found = forecast(end_play, u, dof or math.inf, hub, fitted)
    assert math.fsum(one.p for one in found) == pytest.approx(1.0, abs=1e-12)
    seen = by_chance(end_play, u, dof, hub, fitted_sizes(hub, fitted))
    expected = {one.thickness_mm: one.p for one in found}
    for size in expected.keys() | seen.keys():
        p = expected.get(size, 0.0)
        # five standard deviations of the count, and one
        assert abs(seen[size] - RUNS * p) < 5 * math.sqrt(RUNS * p * (1 - p)) + 1, (
            size,
            seen[size] / RUNS,
            p,
        )


def test_a_reading_without_doubt_and_a_known_shim_leave_one_size() -> None:
    exact = replace(REAR, shim_u_mm=0.0)
    assert forecast(0.36, 0.0, math.inf, exact, 3.20) == [SizeChance(2.90, 1.0)]


def test_any_size_fitted_moves_the_choice_along_with_it() -> None:
    exact = replace(REAR, shim_u_mm=0.0)
    found = forecast(0.36, 0.0, math.inf, exact, None)
    chance = {one.thickness_mm: one.p for one in found}
    assert chance[2.90] == pytest.approx(1 / 28)
    assert sum(chance.values()) == pytest.approx(1.0)
    wanted = Counter[float | None]()
    for size in REAR.sizes_mm:
        choice = choose_shim(0.36, 0.0, math.inf, size, exact).choice
        wanted[None if choice is None else choice.thickness_mm] += 1
    assert {size: p * 28 for size, p in chance.items()} == pytest.approx(dict(wanted))


def test_ends_without_a_size_between_them_and_a_hub_without_shims() -> None:
    with pytest.raises(ValueError, match="no size"):
        forecast(0.36, 0.0, math.inf, REAR, (3.21, 3.24))
    with pytest.raises(ShimError):
        forecast(0.36, 0.0, math.inf, replace(REAR, sizes_mm=(), effect=None))


def test_the_likeliest_that_cover_enough() -> None:
    chances = [SizeChance(2.9, 0.6), SizeChance(None, 0.3), SizeChance(3.0, 0.1)]
    assert covering(chances, 0.6) == chances[:1]
    assert covering(chances, 0.61) == chances[:2]
    assert covering(chances, 1.0) == chances
