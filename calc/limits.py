"""A measured end play against its limits: the verdict, how likely it is, and a sentence that says so.

The verdict goes by the measured value. How sure it is goes by the end play's distribution, Student's t about
the measured value (JCGM 101:2008, 6.4.9), and near a limit the sentence says so. The stricter, guarded rule
keeps a band of one expanded uncertainty inside the limits and knows four states (ILAC-G8:09/2019, 4.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from calc.errors import CalcError
from calc.student import t_cdf, t_quantile
from calc.units import Unit, format_length, format_size

NEAR = 0.025
"""A measured end play with at least this probability of lying beyond a limit is called near it."""


class LimitsError(CalcError):
    """The lower limit lies above the upper one.

    Attributes:
        least_mm: The lower limit as given, millimetres.
        most_mm: The upper limit as given, millimetres.
    """

    def __init__(self, least_mm: float, most_mm: float) -> None:
        super().__init__(
            f"the least end play, {least_mm:g} mm, is more than the most, {most_mm:g} mm: correct one of them"
        )
        self.least_mm = least_mm
        self.most_mm = most_mm


class Verdict(StrEnum):
    """Where the measured end play lies: within the limits, too much (loose) or too little (tight)."""

    WITHIN = "within"
    LOOSE = "loose"
    TIGHT = "tight"


class Decision(StrEnum):
    """How the measured end play is held against the limits: as it is, or with a guard band."""

    SIMPLE = "simple"
    GUARDED = "guarded"


class State(StrEnum):
    """What the guarded decision says. Source: ILAC-G8:09/2019, 4.2."""

    PASS = "pass"  # noqa: S105  (no password)
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105  (no password)
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class Limits:
    """Least and most end play allowed, both included, compared to the nanometre.

    Attributes:
        least_mm: Lower limit, millimetres.
        most_mm: Upper limit, millimetres, at least ``least_mm``.

    Raises:
        LimitsError: If the lower limit is above the upper one.
    """

    least_mm: float
    most_mm: float

    def __post_init__(self) -> None:
        if not self.least_mm <= self.most_mm:
            raise LimitsError(self.least_mm, self.most_mm)

    @property
    def middle_mm(self) -> float:
        """Half way between the limits, millimetres."""
        return (self.least_mm + self.most_mm) / 2

    def verdict(self, end_play_mm: float) -> Verdict:
        """Say where an end play lies.

        >>> Limits(0.0254, 0.2032).verdict(0.4318)
        <Verdict.LOOSE: 'loose'>

        Args:
            end_play_mm: End play, millimetres.
        """
        if nm(end_play_mm) > nm(self.most_mm):
            return Verdict.LOOSE
        if nm(end_play_mm) < nm(self.least_mm):
            return Verdict.TIGHT
        return Verdict.WITHIN

    def allow(self, end_play_mm: float) -> bool:
        """Whether an end play of ``end_play_mm`` millimetres is within the limits, or on one."""
        return self.verdict(end_play_mm) is Verdict.WITHIN

    def state(self, end_play_mm: float, guard_mm: float) -> State:
        """What the guarded decision says with a guard band of ``guard_mm``, both in millimetres.

        Source: ILAC-G8:09/2019, 4.2: acceptance limits lie the guard band inside the limits.
        """
        room = min(nm(self.most_mm) - nm(end_play_mm), nm(end_play_mm) - nm(self.least_mm))
        guard = nm(guard_mm)
        if room >= guard:
            return State.PASS
        if room >= 0:
            return State.CONDITIONAL_PASS
        return State.CONDITIONAL_FAIL if -room <= guard else State.FAIL

    def leaves_no_pass(self, guard_mm: float) -> bool:
        """Whether the limits are too close for any end play to pass with a guard band of ``guard_mm`` mm."""
        return nm(self.most_mm) - nm(self.least_mm) < 2 * nm(guard_mm)

    def text(self, unit: Unit) -> str:
        """The limits in words: ``0.03 mm to 0.20 mm``."""
        return f"{format_size(self.least_mm, unit)} to {format_size(self.most_mm, unit)}"


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities of where the true end play lies; together 1.

    Attributes:
        within: Within the limits.
        loose: Above the upper limit.
        tight: Below the lower limit.
    """

    within: float
    loose: float
    tight: float


@dataclass(frozen=True, slots=True)
class Assessment:
    """A measured end play held against its limits.

    Attributes:
        verdict: Where the measured value lies.
        p_within: Probability that the true end play is within the limits, 0 to 1.
        p_loose: Probability that it is above the upper limit.
        p_tight: Probability that it is below the lower limit.
        text: All of it in words, with figures in the unit asked for.
        decision: The rule used.
        state: What the guarded decision says; None with the simple one.
    """

    verdict: Verdict
    p_within: float
    p_loose: float
    p_tight: float
    text: str
    decision: Decision
    state: State | None


def chances(end_play_mm: float, u_mm: float, dof: float, limits: Limits) -> Chances:
    """Probabilities of where the true end play lies, given a measured one.

    >>> round(chances(13.6, 1.8, float("inf"), Limits(12.5, 16.3)).within, 3)
    0.663

    Args:
        end_play_mm: Measured end play, millimetres.
        u_mm: Its standard uncertainty, millimetres, at least 0. With 0 the probabilities are 0 or 1.
        dof: Its degrees of freedom, above 0, or infinite.
        limits: The limits.

    Raises:
        ValueError: If the uncertainty is below 0 or the degrees of freedom are not above 0.

    Source: JCGM 106:2012, clause 7, with the scaled and shifted t distribution of JCGM 101:2008, 6.4.9.
    """
    if not u_mm >= 0:
        raise ValueError(f"a standard uncertainty of {u_mm} mm: it must be at least 0")
    if u_mm == 0:
        verdict = limits.verdict(end_play_mm)
        return Chances(*(float(verdict is v) for v in (Verdict.WITHIN, Verdict.LOOSE, Verdict.TIGHT)))
    to_most, to_least = (limits.most_mm - end_play_mm) / u_mm, (limits.least_mm - end_play_mm) / u_mm
    loose, tight = t_cdf(-to_most, dof), t_cdf(to_least, dof)
    # Outside the limits, the difference of two small tails keeps digits that 1 - loose - tight would lose.
    if to_most < 0:
        within = t_cdf(to_most, dof) - tight
    elif to_least > 0:
        within = t_cdf(-to_least, dof) - loose
    else:
        within = 1.0 - loose - tight
    return Chances(max(within, 0.0), loose, tight)


def guard_band_mm(u_mm: float, dof: float) -> float:
    """The guard band of the guarded decision, millimetres: one expanded uncertainty of 95 %.

    Args:
        u_mm: Standard uncertainty of the end play, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.

    Source: ILAC-G8:09/2019, 4.2: w = U.
    """
    return t_quantile(0.975, dof) * u_mm


def assess(
    end_play_mm: float,
    u_mm: float,
    dof: float,
    limits: Limits,
    decision: str = Decision.SIMPLE,
    *,
    unit: Unit = Unit.MM,
    guard_mm: float | None = None,
) -> Assessment:
    """Hold a measured end play against its limits.

    >>> print(assess(0.31, 0.002, 8.0, Limits(0.03, 0.20)).text)
    loose: 0.310 mm is 0.110 mm more than the most allowed, 0.20 mm

    Args:
        end_play_mm: Measured end play, millimetres.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        limits: The limits.
        decision: ``simple`` or ``guarded``.
        unit: Unit of the figures in the text.
        guard_mm: Guard band of the guarded decision, millimetres; without it one expanded uncertainty (95 %).

    Raises:
        ValueError: If the uncertainty, the degrees of freedom or the decision is out of range.
    """
    rule = Decision(decision)
    verdict = limits.verdict(end_play_mm)
    chance = chances(end_play_mm, u_mm, dof, limits)
    words = [_where(end_play_mm, verdict, limits, unit)]
    near = _near(verdict, chance, limits, unit)
    if near:
        words.append(near)
    state = None
    if rule is Decision.GUARDED:
        guard = guard_band_mm(u_mm, dof) if guard_mm is None else guard_mm
        state = limits.state(end_play_mm, guard)
        words.append(_guarded(state, guard, limits, unit))
    return Assessment(verdict, chance.within, chance.loose, chance.tight, "; ".join(words), rule, state)


def percent(p: float) -> str:
    """A probability for people, never rounded to impossible or certain.

    >>> percent(0.123), percent(0.998), percent(0.99999), percent(0.0)
    ('12 %', '99.8 %', 'over 99.9 %', 'under 0.1 %')

    Args:
        p: Probability, 0 to 1.
    """
    if p < 0.001:
        return "under 0.1 %"
    if p > 0.999:
        return "over 99.9 %"
    return f"{100 * p:.0f} %" if 0.0995 <= p < 0.9895 else f"{100 * p:.1f} %"


def nm(length_mm: float) -> int:
    """A length of ``length_mm`` millimetres in whole nanometres.

    Lengths are compared so: 0.118 in - 0.116 in is then 0.002 in, as on paper, whatever the floats did.
    """
    return round(length_mm * 1e6)


def _where(end_play_mm: float, verdict: Verdict, limits: Limits, unit: Unit) -> str:
    least, most = format_size(limits.least_mm, unit), format_size(limits.most_mm, unit)
    match verdict:
        case Verdict.WITHIN:
            value = format_length(end_play_mm, unit)
            return f"within: {value} is inside the limits, {limits.text(unit)}"
        case Verdict.LOOSE:
            value, off = _told_apart(end_play_mm, end_play_mm - limits.most_mm, unit)
            return f"loose: {value} is {off} more than the most allowed, {most}"
        case Verdict.TIGHT:
            value, off = _told_apart(end_play_mm, limits.least_mm - end_play_mm, unit)
            return f"tight: {value} is {off} less than the least allowed, {least}"


def _told_apart(end_play_mm: float, off_mm: float, unit: Unit) -> tuple[str, str]:
    """An end play and its distance from a limit, with decimals enough that the distance is not shown as 0."""
    step_mm = None
    for finer_mm in (1e-4, 1e-5, 1e-6):
        if any(digit in format_length(off_mm, unit, step_mm) for digit in "123456789"):
            break
        step_mm = finer_mm
    return format_length(end_play_mm, unit, step_mm), format_length(off_mm, unit, step_mm)


def _near(verdict: Verdict, chance: Chances, limits: Limits, unit: Unit) -> str:
    """What to add near a limit; empty elsewhere."""
    most, least = format_size(limits.most_mm, unit), format_size(limits.least_mm, unit)
    if verdict is not Verdict.WITHIN:
        if chance.within < NEAR:
            return ""
        limit = most if verdict is Verdict.LOOSE else least
        return (
            f"near the limit: with a probability of {percent(chance.within)} it is within after all ({limit})"
        )
    words = []
    if chance.loose >= NEAR:
        words.append(f"near the upper limit, {most}: loose with a probability of {percent(chance.loose)}")
    if chance.tight >= NEAR:
        words.append(f"near the lower limit, {least}: tight with a probability of {percent(chance.tight)}")
    return "; ".join(words)


def _guarded(state: State, guard_mm: float, limits: Limits, unit: Unit) -> str:
    band = format_length(guard_mm, unit)
    if limits.leaves_no_pass(guard_mm):
        return (
            f"{state}: the limits are closer together than two guard bands of {band}, "
            "so that no reading can pass; measure with less uncertainty"
        )
    match state:
        case State.PASS:
            return f"{state}: it keeps the guard band of {band} to both limits"
        case State.CONDITIONAL_PASS:
            return f"{state}: inside the limits, but closer to one than the guard band of {band}"
        case State.CONDITIONAL_FAIL:
            return f"{state}: outside the limits, but by no more than the guard band of {band}"
        case State.FAIL:
            return f"{state}: outside the limits by more than the guard band of {band}"
