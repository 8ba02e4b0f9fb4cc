"""The reason for a choice of shim, as a sentence that a mechanic understands."""

from __future__ import annotations

from calc.candidates import Candidate, Field
from calc.hub import Aim, Effect
from calc.limits import Decision, Verdict, nm, percent
from calc.units import format_size

UNSURE = 0.95
"""A choice less likely than this to land within the limits is said to be unsure."""

MOST_NAMED = 2
"""Sizes named one by one when several are passed over; the rest are counted."""


def why_this(field: Field, choice: Candidate) -> str:
    """Why ``choice`` is the shim to fit.

    Args:
        field: All candidates.
        choice: The one chosen.
    """
    rules = field.rules
    size, zero = _size(field, choice.thickness_mm), _size(field, field.zero_mm)
    leaves = _leaves(field, choice)
    match rules.aim:
        case Aim.TIGHTEST if choice.expected_mm > 0:
            words = _next_size(field, choice)
        case Aim.TIGHTEST:
            words = [f"{size} leaves {leaves}, the tightest within limits (zero shim {zero})"]
        case Aim.MIDDLE:
            middle = _size(field, rules.limits.middle_mm)
            words = [
                f"{size} leaves {leaves}, nearest to the middle of the limits, {middle} (zero shim {zero})"
            ]
        case Aim.SUREST:
            sure = percent(choice.p_within)
            words = [
                f"{size} leaves {leaves} and is the surest to be within limits: {sure} (zero shim {zero})"
            ]
    if rules.decision is Decision.GUARDED and not field.passes(choice):
        guard = _size(field, field.guard_mm)
        words.append(f"no size on hand keeps the guard band of {guard} to both limits")
    if rules.aim is not Aim.SUREST and choice.p_within < UNSURE:
        words.append(f"it lands within limits with a probability of {percent(choice.p_within)} only")
    if nm(field.end_play_mm) == 0:
        words.append("an end play of 0 can hide preload: measure again with this shim")
    elif rules.limits.allow(field.end_play_mm):
        words.append(_not_needed(field))
    return "; ".join(words)


def why_none(field: Field) -> str:
    """Why no size can be fitted, and which comes nearest.

    Args:
        field: All candidates, at least one.
    """
    limits = field.rules.limits
    words = []
    stock = [c for c in field.candidates if c.on_hand]
    if stock:
        nearest = min(stock, key=lambda c: (_miss(field, c), -c.expected_mm))
        which = "size" if len(stock) == len(field.candidates) else "size on hand"
        words.append(f"no {which} lands within the limits, {limits.text(field.rules.unit)}")
        words.append(
            f"the nearest, {_size(field, nearest.thickness_mm)}, would leave {_given(field, nearest)}"
        )
    else:
        words.append("no size is on hand")
    missing = [c for c in field.candidates if not c.on_hand and field.fits(c)]
    if missing:
        first = min(missing, key=lambda c: c.expected_mm)
        words.append(f"{_size(field, first.thickness_mm)} would fit but is not on hand: get one")
    else:
        words.append(f"a shim of {_made(field)} would leave {_size(field, limits.middle_mm)}, the middle")
    if limits.allow(field.end_play_mm) and nm(field.end_play_mm) != 0:
        words.append(_not_needed(field))
    return "; ".join(words)


def _not_needed(field: Field) -> str:
    return f"the end play of {_size(field, field.end_play_mm)} is within limits: no new shim is needed"


def _next_size(field: Field, choice: Candidate) -> list[str]:
    """The trade's reason: the next size from the zero shim, and what is said of sizes before it."""
    size, zero = _size(field, choice.thickness_mm), _size(field, field.zero_mm)
    way = "up" if field.rules.effect is Effect.OPENS else "down"
    before = [c for c in field.candidates if 0 < nm(c.expected_mm) < nm(choice.expected_mm)]
    before.sort(key=lambda c: c.expected_mm)
    that_fits = " that fits" if before else ""
    leaves = _leaves(field, choice)
    words = [f"{size} is the next size {way} from the zero shim {zero}{that_fits}: it leaves {leaves}"]
    if any(nm(c.expected_mm) == 0 for c in field.candidates):
        words.append(f"{zero} itself would leave no end play")
    words.extend(
        f"{_size(field, c.thickness_mm)} is passed over: it {_fault(field, c)}" for c in before[:MOST_NAMED]
    )
    if len(before) > MOST_NAMED:
        words.append(f"so are the sizes between it and {size}")
    return words


def _fault(field: Field, candidate: Candidate) -> str:
    """Why a size between the zero shim and the choice was not taken."""
    leaves = _size(field, candidate.expected_mm)
    if field.rules.limits.verdict(candidate.expected_mm) is Verdict.TIGHT:
        return (
            f"would leave {leaves}, less than the least allowed, {_size(field, field.rules.limits.least_mm)}"
        )
    if not candidate.on_hand:
        return "is not on hand"
    return f"would leave {leaves}, closer to a limit than the guard band of {_size(field, field.guard_mm)}"


def _leaves(field: Field, candidate: Candidate) -> str:
    """What a size would leave: end play, none, or preload."""
    expected = candidate.expected_mm
    if nm(expected) == 0:
        return "no end play"
    return _size(field, expected) if expected > 0 else f"{_size(field, -expected)} of preload"


def _given(field: Field, candidate: Candidate) -> str:
    """What a size outside the limits would leave, and by how much it misses them."""
    limits, expected = field.rules.limits, candidate.expected_mm
    leaves = _leaves(field, candidate)
    if limits.verdict(expected) is Verdict.LOOSE:
        return f"{leaves}, {_size(field, expected - limits.most_mm)} more than the most allowed"
    if expected > 0:
        return f"{leaves}, {_size(field, limits.least_mm - expected)} less than the least allowed"
    return leaves


def _miss(field: Field, candidate: Candidate) -> int:
    """How far outside the limits a size would land, nanometres."""
    limits, expected = field.rules.limits, nm(candidate.expected_mm)
    return max(nm(limits.least_mm) - expected, expected - nm(limits.most_mm), 0)


def _made(field: Field) -> str:
    """The thickness that would land in the middle of the limits."""
    sign = 1 if field.rules.effect is Effect.OPENS else -1
    return _size(field, field.zero_mm + sign * field.rules.limits.middle_mm)


def _size(field: Field, length_mm: float) -> str:
    return format_size(length_mm, field.rules.unit)
