"""What each shim would give: its expected end play, how uncertain that is, and how likely within limits."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

from calc.errors import CalcError
from calc.hub import Aim, Effect, Hub
from calc.limits import Decision, Limits, State, chances, guard_band_mm, nm
from calc.uncertainty import Budget, Component
from calc.units import Unit, format_size


class ShimFault(StrEnum):
    """Why no shim can be worked out at all."""

    NO_SHIMS = "no shims"
    NO_THICKNESS = "no thickness"
    NOT_FITTED = "not fitted"
    NO_END_PLAY = "no end play"
    MORE_THAN_FITTED = "more than fitted"


class ShimError(CalcError):
    """No shim can be worked out from these numbers.

    Attributes:
        fault: Which number is wrong.
        end_play_mm: End play as given, millimetres.
        fitted_mm: Thickness of the fitted shim as given, millimetres.
    """

    def __init__(self, fault: ShimFault, text: str, end_play_mm: float, fitted_mm: float) -> None:
        super().__init__(text)
        self.fault = fault
        self.end_play_mm = end_play_mm
        self.fitted_mm = fitted_mm


@dataclass(frozen=True, slots=True)
class ShimRules:
    """What is needed of a hub to choose its shim, all lengths in millimetres.

    Attributes:
        limits: End play allowed.
        sizes_mm: Thicknesses to choose from, at least one, each above 0, in any order.
        effect: What a thicker shim does.
        aim: Which of the shims that fit is chosen.
        decision: Whether the choice keeps a guard band to the limits.
        unit: Unit of the figures in sentences.
        shim_u_mm: Standard uncertainty of the new shim's thickness, at least 0.
        fitted_u_mm: The same of the fitted shim's thickness; None when it is ``shim_u_mm``.
        reassembly_u_mm: Standard uncertainty that taking apart and reassembling adds, at least 0.
    """

    limits: Limits
    sizes_mm: tuple[float, ...]
    effect: Effect = Effect.OPENS
    aim: Aim = Aim.TIGHTEST
    decision: Decision = Decision.SIMPLE
    unit: Unit = Unit.MM
    shim_u_mm: float = 0.0
    fitted_u_mm: float | None = None
    reassembly_u_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """One shim that could be fitted.

    Attributes:
        thickness_mm: Its thickness, millimetres.
        expected_mm: End play that it should give, millimetres; below 0 is preload.
        u_mm: Standard uncertainty of that, millimetres.
        p_within: Probability that the end play would be within the limits, 0 to 1.
        on_hand: Whether it is in stock; True for all where no stock is kept.
    """

    thickness_mm: float
    expected_mm: float
    u_mm: float
    p_within: float
    on_hand: bool = True


@dataclass(frozen=True, slots=True)
class Field:
    """All candidates of one end play, and the rules they are judged by.

    Attributes:
        end_play_mm: The measured end play, millimetres.
        zero_mm: Thickness of the shim that would leave no end play, millimetres.
        guard_mm: Guard band around a candidate's expected end play, millimetres (one expanded uncertainty).
        candidates: Every size, ascending.
        rules: The rules.
    """

    end_play_mm: float
    zero_mm: float
    guard_mm: float
    candidates: tuple[Candidate, ...]
    rules: ShimRules

    def fits(self, candidate: Candidate) -> bool:
        """Whether it lands within the limits; on no end play at all only if the limits include preload."""
        limits = self.rules.limits
        return limits.allow(candidate.expected_mm) and (nm(candidate.expected_mm) != 0 or limits.least_mm < 0)

    def passes(self, candidate: Candidate) -> bool:
        """Whether it keeps the guard band to both limits."""
        return self.rules.limits.state(candidate.expected_mm, self.guard_mm) is State.PASS


def rules_of(hub: Hub, end_play_mm: float, fitted_mm: float) -> ShimRules:
    """The shim rules of a hub file.

    Args:
        hub: The hub.
        end_play_mm: End play, for the error, millimetres.
        fitted_mm: Fitted shim, for the error, millimetres.

    Raises:
        ShimError: If no shim sets the end play of this hub.
    """
    if hub.effect is None or not hub.sizes_mm:
        raise ShimError(
            ShimFault.NO_SHIMS,
            f'"{hub.title}" has no shims: its hub file has no [shim] table, so set the end play by the nut',
            end_play_mm,
            fitted_mm,
        )
    return ShimRules(
        limits=hub.limits,
        sizes_mm=hub.sizes_mm,
        effect=hub.effect,
        aim=hub.aim,
        decision=hub.decision,
        unit=hub.unit,
        shim_u_mm=hub.shim_u_mm,
        reassembly_u_mm=hub.reassembly_u_mm,
    )


def zero_shim_mm(end_play_mm: float, fitted_mm: float, effect: Effect, unit: Unit = Unit.MM) -> float:
    """Thickness of the shim that would leave no end play, millimetres, to the nanometre.

    >>> zero_shim_mm(0.4318, 3.3782, Effect.OPENS)
    2.9464

    Args:
        end_play_mm: End play measured with the fitted shim, millimetres, at least 0.
        fitted_mm: Thickness of the fitted shim, millimetres, above 0.
        effect: What a thicker shim does.
        unit: Unit of the figures in an error.

    Raises:
        ShimError: If a number is out of range, or the end play is more than a shim that opens it.

    Source: common practice.
    """
    if not 0 < fitted_mm < math.inf:
        text = f"a fitted shim of {format_size(fitted_mm, unit)} is none: measure the one that was fitted"
        raise ShimError(ShimFault.NOT_FITTED, text, end_play_mm, fitted_mm)
    if not 0 <= end_play_mm < math.inf:
        text = (
            f"an end play of {format_size(end_play_mm, unit)} is none: it must be at least 0: measure again"
        )
        raise ShimError(ShimFault.NO_END_PLAY, text, end_play_mm, fitted_mm)
    if effect is Effect.CLOSES:
        return round(fitted_mm + end_play_mm, 6)
    if nm(end_play_mm) > nm(fitted_mm):
        text = (
            f"an end play of {format_size(end_play_mm, unit)} is more than the fitted shim, "
            f"{format_size(fitted_mm, unit)}: no thinner shim takes that up; check both and their units"
        )
        raise ShimError(ShimFault.MORE_THAN_FITTED, text, end_play_mm, fitted_mm)
    return round(fitted_mm - end_play_mm, 6)


def lay_out(
    end_play_mm: float,
    u_mm: float,
    dof: float,
    fitted_mm: float,
    rules: ShimRules,
    *,
    on_hand_mm: Collection[float] | None = None,
) -> Field:
    """Work out what every size would give.

    Args:
        end_play_mm: End play measured with the fitted shim, millimetres, at least 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        fitted_mm: Thickness of the fitted shim, millimetres, above 0.
        rules: Limits, sizes, effect and uncertainties.
        on_hand_mm: Sizes in stock, millimetres; None where no stock is kept.

    Raises:
        ShimError: If a number is out of range.
    """
    if not rules.sizes_mm:
        text = "there is no size to choose from: give at least one shim thickness"
        raise ShimError(ShimFault.NO_SHIMS, text, end_play_mm, fitted_mm)
    sizes = sorted(set(rules.sizes_mm))
    if not 0 < sizes[0] <= sizes[-1] < math.inf:
        wrong = sizes[-1] if sizes[0] > 0 else sizes[0]
        text = f"a shim of {format_size(wrong, rules.unit)} is none: every size must be above 0"
        raise ShimError(ShimFault.NO_THICKNESS, text, end_play_mm, fitted_mm)
    zero_mm = zero_shim_mm(end_play_mm, fitted_mm, rules.effect, rules.unit)
    fitted_u_mm = rules.shim_u_mm if rules.fitted_u_mm is None else rules.fitted_u_mm
    budget = Budget(
        (
            Component("end play as measured", "A", u_mm, dof),
            Component("thickness of the fitted shim", "B", fitted_u_mm),
            Component("thickness of the new shim", "B", rules.shim_u_mm),
            Component("reassembly", "B", rules.reassembly_u_mm),
        )
    )
    total_u_mm, total_dof = budget.u_mm, budget.dof
    stock = None if on_hand_mm is None else {nm(size) for size in on_hand_mm}
    sign = 1 if rules.effect is Effect.OPENS else -1
    candidates = []
    for size in sizes:
        expected_mm = round(sign * (size - zero_mm), 6) + 0.0  # no negative zero
        p_within = chances(expected_mm, total_u_mm, total_dof, rules.limits).within
        on_hand = stock is None or nm(size) in stock
        candidates.append(Candidate(size, expected_mm, total_u_mm, p_within, on_hand))
    return Field(end_play_mm, zero_mm, guard_band_mm(total_u_mm, total_dof), tuple(candidates), rules)
