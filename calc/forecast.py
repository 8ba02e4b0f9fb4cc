"""Before the teardown: which sizes may be needed, and their chance, while the fitted shim is not yet known.

The shim that is chosen depends on the zero shim alone, and steps from one size to the next as that grows.
The steps are found once; the chance of a size is then the probability that the zero shim lies on its steps,
exactly, summed over what may be fitted now.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from calc.candidates import ShimRules, rules_of
from calc.hub import Aim, Effect, Hub
from calc.limits import Decision, guard_band_mm, nm
from calc.shims import choose_shim
from calc.student import t_cdf
from calc.uncertainty import Budget, Component

_NEGLIGIBLE = 1e-15
"""A probability that is nothing but the rounding of sums."""


@dataclass(frozen=True, slots=True)
class SizeChance:
    """How likely a size is to be the one to fit.

    Attributes:
        thickness_mm: The size, millimetres; None for the case that no size fits.
        p: Its probability, 0 to 1.
    """

    thickness_mm: float | None
    p: float


@dataclass(frozen=True, slots=True)
class _Step:
    """From ``start`` (nanometres of zero shim) on, until the next step, it is this size; None: none is."""

    start: float
    size_mm: float | None


def forecast(
    end_play_mm: float,
    u_mm: float,
    dof: float,
    hub: Hub,
    fitted_mm: float | tuple[float, float] | None = None,
) -> list[SizeChance]:
    """Say which sizes may be needed, the likeliest first; the probabilities sum to 1.

    The true end play lies about the reading as Student's t, and the fitted shim's thickness about what is
    known of it as the hub's ``shim_u_mm`` says; the chance of a size is that of its being chosen when both
    are known.

    Args:
        end_play_mm: End play as found, millimetres, at least 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        hub: The hub, with sizes.
        fitted_mm: Thickness of the shim in the hub, where a record says so; or the ends between which it is,
            every size of the hub there being equally likely; None for any size of the hub. Millimetres.

    Raises:
        ShimError: If the hub has no shims.
        ValueError: If no size of the hub lies between the ends.
    """
    rules = rules_of(hub, end_play_mm, 1.0)
    fitted = fitted_sizes(hub, fitted_mm)
    rows = (
        Component("end play as measured", "A", u_mm, dof),
        Component("thickness of the fitted shim", "B", hub.shim_u_mm),
    )
    total = Budget(rows)
    pick = _picker(rules, u_mm, dof)
    steps = _steps(rules, pick, _guard_nm(rules, u_mm, dof))
    sign = 1 if rules.effect is Effect.OPENS else -1
    chance: dict[float | None, float] = {}
    for size_mm in fitted:
        zero_nm = nm(size_mm) - sign * nm(end_play_mm)
        for size, p in _on_steps(steps, pick, zero_nm, total).items():
            chance[size] = chance.get(size, 0.0) + p / len(fitted)
    found = [SizeChance(size, p) for size, p in chance.items() if p > _NEGLIGIBLE]
    return sorted(
        found, key=lambda one: (-round(one.p, 9), one.thickness_mm is None, one.thickness_mm or 0.0)
    )


def fitted_sizes(hub: Hub, fitted_mm: float | tuple[float, float] | None) -> tuple[float, ...]:
    """What may be fitted now, all equally likely, millimetres; as ``forecast`` takes it.

    Raises:
        ValueError: If no size of the hub lies between the ends.
    """
    if fitted_mm is None:
        return hub.sizes_mm
    if isinstance(fitted_mm, float | int):
        return (float(fitted_mm),)
    least, most = (nm(end) for end in fitted_mm)
    found = tuple(size for size in hub.sizes_mm if least <= nm(size) <= most)
    if not found:
        raise ValueError("no size of the hub lies between these ends")
    return found


def covering(chances: Sequence[SizeChance], p: float = 0.95) -> list[SizeChance]:
    """The likeliest ones that together have at least the probability ``p``.

    >>> [
    ...     one.thickness_mm
    ...     for one in covering([SizeChance(2.9, 0.8), SizeChance(2.95, 0.19), SizeChance(3.0, 0.01)])
    ... ]
    [2.9, 2.95]

    Args:
        chances: As ``forecast`` gives them.
        p: Above 0, at most 1.
    """
    found, total = [], 0.0
    for one in chances:
        found.append(one)
        total += one.p
        if total >= p - 1e-12:
            break
    return found


def _picker(rules: ShimRules, u_mm: float, dof: float) -> Callable[[float], float | None]:
    """The size that is chosen for a zero shim (nanometres), as ``choose_shim`` has it."""
    sizes = sorted(set(rules.sizes_mm))
    sizes_nm = [nm(size) for size in sizes]
    least, most = nm(rules.limits.least_mm), nm(rules.limits.most_mm)
    ends = (least, most) if rules.effect is Effect.OPENS else (-most, -least)

    def pick(zero_nm: float) -> float | None:
        low, high = bisect_left(sizes_nm, zero_nm + ends[0] - 2), bisect_left(sizes_nm, zero_nm + ends[1] + 2)
        near = tuple(sizes[low:high])  # others are outside the limits
        if not near or zero_nm <= 0:
            return None
        choice = choose_shim(0.0, u_mm, dof, zero_nm / 1e6, replace(rules, sizes_mm=near)).choice
        return None if choice is None else choice.thickness_mm

    return pick


def _guard_nm(rules: ShimRules, u_mm: float, dof: float) -> int:
    """Guard band about what a size is expected to leave, nanometres; 0 with the simple decision."""
    if rules.decision is not Decision.GUARDED:
        return 0
    rows = [Component("end play", "A", u_mm, dof), *[Component("shim", "B", rules.shim_u_mm)] * 2]
    budget = Budget((*rows, Component("reassembly", "B", rules.reassembly_u_mm)))
    return nm(guard_band_mm(budget.u_mm, budget.dof))


def _steps(rules: ShimRules, pick: Callable[[float], float | None], guard_nm: int) -> list[_Step]:
    """Every zero shim at which the choice changes, ascending; the first has no beginning."""
    least, most = nm(rules.limits.least_mm), nm(rules.limits.most_mm)
    sign = 1 if rules.effect is Effect.OPENS else -1
    sizes = sorted({nm(size) for size in rules.sizes_mm})
    ends = {least, most, least + guard_nm, most - guard_nm}
    edges = {float(size - sign * end) for size in sizes for end in ends}
    edges |= {(a + b) / 2 - sign * (least + most) / 2 for a, b in pairwise(sizes)}
    ordered = sorted(edges)
    steps = [_Step(-math.inf, None)]

    def note(start: float, size: float | None) -> None:
        if size != steps[-1].size_mm:
            steps.append(_Step(start, size))

    def between(low: float, high: float, at_low: float | None, at_high: float | None) -> None:
        """Find where the choice changes between two zero shims."""
        if at_low == at_high:
            return
        if high - low <= 1:
            note(high, at_high)
            return
        half = (low + high) / 2
        at_half = pick(half)
        between(low, half, at_low, at_half)
        between(half, high, at_half, at_high)

    inside = (0.001, 0.25, 0.5, 0.75, 0.999) if rules.aim is Aim.SUREST else (0.5,)
    for low, high in pairwise(ordered):
        points = [low + share * (high - low) for share in inside]
        picks = [pick(point) for point in points]
        note(low, picks[0])
        for one, other, at_one, at_other in zip(points, points[1:], picks, picks[1:], strict=False):
            between(one, other, at_one, at_other)
    note(ordered[-1], None)
    return steps


def _on_steps(
    steps: Sequence[_Step], pick: Callable[[float], float | None], zero_nm: int, total: Budget
) -> dict[float | None, float]:
    """Probability of each size for a zero shim that lies about ``zero_nm``."""
    u_nm, dof = total.u_mm * 1e6, total.dof
    if u_nm == 0:
        return {pick(zero_nm): 1.0}
    chance: dict[float | None, float] = {}
    before, size = 0.0, steps[0].size_mm
    for step in steps[1:]:
        below = t_cdf((step.start - zero_nm) / u_nm, dof)
        chance[size] = chance.get(size, 0.0) + below - before
        before, size = below, step.size_mm
    chance[size] = chance.get(size, 0.0) + 1.0 - before
    return chance
