"""Which shim to fit: the zero shim, what each size would give, and the choice with its reason.

The trade's choice is the next size from the zero shim that leaves end play within limits (common practice).
No size is chosen that lands outside them, and none that leaves no end play unless they include preload.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from calc.candidates import Candidate, Field, ShimError, ShimFault, ShimRules, lay_out, rules_of, zero_shim_mm
from calc.hub import Aim, Hub
from calc.limits import Decision, nm
from calc.shim_words import why_none, why_this

__all__ = [
    "Candidate",
    "ShimChoice",
    "ShimError",
    "ShimFault",
    "ShimRules",
    "choose_shim",
    "rules_of",
    "zero_shim_mm",
]


@dataclass(frozen=True, slots=True)
class ShimChoice:
    """The answer for one end play.

    Attributes:
        zero_mm: Thickness of the shim that would leave no end play, millimetres.
        candidates: Every size with what it would give, ascending.
        choice: The one to fit; None when none lands within the limits.
        why: The reason, for a mechanic, with figures in the hub's unit.
        needed: Whether a new shim is needed: False when the measured end play is within the limits already.
    """

    zero_mm: float
    candidates: tuple[Candidate, ...]
    choice: Candidate | None
    why: str
    needed: bool


def choose_shim(
    end_play_mm: float,
    u_mm: float,
    dof: float,
    fitted_mm: float,
    rules: Hub | ShimRules,
    *,
    on_hand_mm: Collection[float] | None = None,
) -> ShimChoice:
    """Choose the shim to fit.

    >>> from calc.limits import Limits
    >>> rules = ShimRules(Limits(0.03, 0.20), (2.80, 2.85, 2.90, 2.95))
    >>> chosen = choose_shim(0.36, 0.0, float("inf"), 3.20, rules)
    >>> chosen.zero_mm, chosen.choice.thickness_mm, chosen.choice.expected_mm
    (2.84, 2.9, 0.06)

    Args:
        end_play_mm: End play measured with the fitted shim, millimetres, at least 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        fitted_mm: Thickness of the fitted shim, millimetres, above 0.
        rules: The hub, or rules made by hand.
        on_hand_mm: Sizes in stock, millimetres; None where no stock is kept.

    Raises:
        ShimError: If no shim can be worked out: the hub has none, the fitted shim or the end play is no
            length, or the end play is more than a fitted shim that opens it.
    """
    if isinstance(rules, Hub):
        rules = rules_of(rules, end_play_mm, fitted_mm)
    field = lay_out(end_play_mm, u_mm, dof, fitted_mm, rules, on_hand_mm=on_hand_mm)
    choice = _choose(field)
    why = why_this(field, choice) if choice else why_none(field)
    needed = not rules.limits.allow(end_play_mm)
    return ShimChoice(field.zero_mm, field.candidates, choice, why, needed)


def _choose(field: Field) -> Candidate | None:
    """The best candidate on hand that lands within the limits, if there is one."""
    rules = field.rules
    fitting = [c for c in field.candidates if c.on_hand and field.fits(c)]
    if rules.decision is Decision.GUARDED:
        fitting = [c for c in fitting if field.passes(c)] or fitting

    def rank(candidate: Candidate) -> tuple[float, float]:
        """Smallest is best; a tie goes to the tighter."""
        tight = nm(candidate.expected_mm)
        match rules.aim:
            case Aim.TIGHTEST:
                return 0, tight
            case Aim.MIDDLE:
                return abs(2 * tight - nm(rules.limits.least_mm) - nm(rules.limits.most_mm)), tight
            case Aim.SUREST:
                return -round(candidate.p_within, 12), tight

    return min(fitting, key=rank, default=None)
