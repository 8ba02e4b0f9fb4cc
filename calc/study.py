"""A repeatability study: how much of what a gauge shows comes from the gauge, the hands, and the parts.

Balanced values go through the classical analysis of variance, others through REML; docs/decisions says why.
Nothing is called what it is not: one person alone says nothing about hands.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, NamedTuple

from calc.anova import Crossed, crossed, exact
from calc.f_distribution import chi_squared_quantile
from calc.limits import Limits
from calc.reml import TERMS, Cell, estimate
from calc.student import t_quantile

SPREAD = 6.0
"""How many standard deviations are held against the limits' width: plus and minus three (common practice)."""

GOOD_BELOW = 0.10
NOT_GOOD_ABOVE = 0.30
"""Shares of the limits' width below which a gauge is good, and above which it is not (common practice)."""

CATEGORIES = 1.41
"""Distinct categories are so many times parts over gauge and hands (AIAG, Measurement Systems Analysis)."""

LEVEL = 0.95
"""Of every interval."""


class Value(NamedTuple):
    """One value: who measured which part, the how manyeth time from 1, and what came out in millimetres."""

    person: str
    part: str
    repeat: int
    value_mm: float


class Name(StrEnum):
    """What a spread comes from."""

    REPEATABILITY = "repeatability"
    PEOPLE = "people"
    INTERACTION = "interaction"
    REPRODUCIBILITY = "reproducibility"
    TOGETHER = "together"
    PARTS = "parts"
    TOTAL = "total"


class Lack(StrEnum):
    """Why something cannot be told."""

    NO_VALUES = "no-values"
    NO_REPEATS = "no-repeats"
    ONE_VALUE_EACH = "one-value-each"
    ONE_PERSON = "one-person"
    ONE_PART = "one-part"
    NOT_JOINED = "not-joined"


class Judgement(StrEnum):
    """What the share of the limits' width says, by common practice."""

    GOOD = "good"
    DEPENDS = "depends"
    NOT_GOOD = "not-good"


@dataclass(frozen=True, slots=True)
class Component:
    """One source of spread.

    Attributes:
        name: Where it comes from.
        variance_mm2: Its variance, square millimetres, at least 0.
        below_zero: Whether the estimate came out below 0 (or at the edge) and was set to 0: no sign of it.
        low_mm: Lower end of the 95 % interval of its standard deviation, millimetres; None if none is given.
        high_mm: Upper end.
    """

    name: Name
    variance_mm2: float
    below_zero: bool = False
    low_mm: float | None = None
    high_mm: float | None = None

    @property
    def sd_mm(self) -> float:
        """Standard deviation, millimetres."""
        return math.sqrt(self.variance_mm2)


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What a study says.

    Attributes:
        people: Who measured, in the order of the values.
        parts: What was measured.
        table: The analysis of variance; None without values.
        method: ``anova`` or ``reml``; None while there is nothing to estimate.
        components: What can be told, by name.
        lacks: What is missing for more.
        dof: Effective degrees of freedom of gauge and hands together; None if those are not known.
        categories: Number of distinct categories; None if not known, or without any spread of the gauge.
        limits: The limits that it is held against, if any.
    """

    people: tuple[str, ...]
    parts: tuple[str, ...]
    table: Crossed | None
    method: Literal["anova", "reml"] | None
    components: Mapping[Name, Component]
    lacks: tuple[Lack, ...]
    dof: float | None
    categories: int | None
    limits: Limits | None

    @property
    def coverage_factor(self) -> float | None:
        """For an interval of 95 % about one value by one of these people; None if not known."""
        return None if self.dof is None else t_quantile(0.5 + LEVEL / 2, self.dof)

    @property
    def expanded_mm(self) -> float | None:
        """Half width of that interval, millimetres."""
        factor = self.coverage_factor
        return None if factor is None else factor * self.components[Name.TOGETHER].sd_mm

    def contribution(self, name: Name) -> float | None:
        """Share of the total variance, 0 to 1; None if not known."""
        total = self.components.get(Name.TOTAL)
        if total is None or name not in self.components or not total.variance_mm2:
            return None
        return self.components[name].variance_mm2 / total.variance_mm2

    def variation(self, name: Name) -> float | None:
        """Share of the total standard deviation, 0 to 1; such shares do not sum to 1. None if not known."""
        share = self.contribution(name)
        return None if share is None else math.sqrt(share)

    def of_limits(self, sd_mm: float | None) -> float | None:
        """Share of the limits' width that ``SPREAD`` standard deviations take up; None if not known."""
        if sd_mm is None or self.limits is None or self.limits.most_mm <= self.limits.least_mm:
            return None
        return SPREAD * sd_mm / (self.limits.most_mm - self.limits.least_mm)

    @property
    def share(self) -> float | None:
        """Share of the limits' width that gauge and hands take up; None if not known."""
        together = self.components.get(Name.TOGETHER)
        return None if together is None else self.of_limits(together.sd_mm)

    @property
    def judgement(self) -> Judgement | None:
        """What that share says; None if it is not known.

        A gauge that alone takes too much is not good whatever the hands do. One whose repeats all showed the
        same is not called good: its last digit may have hidden what there is.
        """
        share, alone = self.share, self.components.get(Name.REPEATABILITY)
        if alone is None:
            return None
        if share is None:
            least = self.of_limits(alone.sd_mm)
            return Judgement.NOT_GOOD if least is not None and least > NOT_GOOD_ABOVE else None
        found = judge(share)
        return None if found is Judgement.GOOD and not alone.variance_mm2 else found


def judge(share: float) -> Judgement:
    """What a share of the limits' width says.

    >>> judge(0.09), judge(0.30), judge(0.31)
    (<Judgement.GOOD: 'good'>, <Judgement.DEPENDS: 'depends'>, <Judgement.NOT_GOOD: 'not-good'>)

    Args:
        share: At least 0.

    Source: AIAG, Measurement Systems Analysis: under 10 %, 10 % to 30 %, above 30 %.
    """
    if share < GOOD_BELOW:
        return Judgement.GOOD
    return Judgement.DEPENDS if share <= NOT_GOOD_ABOVE else Judgement.NOT_GOOD


def analyse(values: Iterable[Value], limits: Limits | None = None) -> GaugeStudy:
    """Work out a study from whatever values there are.

    Args:
        values: In any order; repeats of one person on one part count alike.
        limits: The limits whose width the gauge is held against.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for value in values:
        cells.setdefault((value.person, value.part), []).append(value.value_mm)
    people = tuple(dict.fromkeys(person for person, _ in cells))
    parts = tuple(dict.fromkeys(part for _, part in cells))
    if not cells:
        return GaugeStudy((), (), None, None, {}, (Lack.NO_VALUES,), None, None, limits)
    table = crossed(cells)
    lacks = _lacks(table, people, parts)
    usable = table.residual if table.pooled and table.connected else table.repeats
    if not usable.dof:
        return GaugeStudy(people, parts, table, None, {}, lacks, None, None, limits)
    if not table.connected:
        alone = {Name.REPEATABILITY: _repeatability(table.repeats.ss / table.repeats.dof, table.repeats.dof)}
        return GaugeStudy(people, parts, table, "anova", alone, lacks, None, None, limits)
    found = _Balanced(table, len(people), len(parts)) if table.balanced else _Unbalanced(table, cells)
    components, dof = found.components, found.dof
    together, between = components.get(Name.TOGETHER), components.get(Name.PARTS)
    categories = None
    if together is not None and between is not None and together.variance_mm2:
        categories = int(CATEGORIES * between.sd_mm / together.sd_mm)
    method: Literal["anova", "reml"] = "anova" if table.balanced else "reml"
    return GaugeStudy(people, parts, table, method, components, lacks, dof, categories, limits)


def step_mm(values: Sequence[Value]) -> float | None:
    """The step that all values are whole multiples of, from the first; None if they are all equal.

    >>> step_mm([Value("A", "LF", 1, 0.31), Value("A", "LF", 2, 0.33), Value("A", "LF", 3, 0.36)])
    0.01
    """
    fractions = [exact(value.value_mm) for value in values]
    if not fractions:
        return None
    unit = math.lcm(*{one.denominator for one in fractions})
    whole = [one.numerator * (unit // one.denominator) for one in fractions]
    step = math.gcd(*(one - whole[0] for one in whole))
    return step / unit if step else None


def _lacks(table: Crossed, people: Sequence[str], parts: Sequence[str]) -> tuple[Lack, ...]:
    lacks = []
    if not table.repeats.dof:
        lacks.append(Lack.ONE_VALUE_EACH if table.residual.dof and table.connected else Lack.NO_REPEATS)
    if len(people) == 1:
        lacks.append(Lack.ONE_PERSON)
    if len(parts) == 1:
        lacks.append(Lack.ONE_PART)
    if not table.connected:
        lacks.append(Lack.NOT_JOINED)
    return tuple(lacks)


def _repeatability(variance_mm2: float, dof: float) -> Component:
    """With its exact interval: its sum of squares over the true variance is chi-squared (any textbook)."""
    low, high = _chi_squared_interval(variance_mm2, dof)
    return Component(Name.REPEATABILITY, variance_mm2, low_mm=low, high_mm=high)


def _chi_squared_interval(variance_mm2: float, dof: float) -> tuple[float, float]:
    tail = (1 - LEVEL) / 2
    return (
        math.sqrt(variance_mm2 * dof / chi_squared_quantile(1 - tail, dof)),
        math.sqrt(variance_mm2 * dof / chi_squared_quantile(tail, dof)),
    )


def _together(
    components: dict[Name, Component], people: float, interaction: float | None, low: float, high: float
) -> None:
    """Add the sums to the parts that they are made of; ``people`` was found before."""
    hands = people + (interaction or 0.0)
    components[Name.REPRODUCIBILITY] = Component(Name.REPRODUCIBILITY, hands)
    both = hands + components[Name.REPEATABILITY].variance_mm2
    sd = math.sqrt(both)
    components[Name.TOGETHER] = Component(Name.TOGETHER, both, low_mm=min(low, sd), high_mm=max(high, sd))


def _add_total(components: dict[Name, Component]) -> None:
    if Name.PARTS in components and Name.TOGETHER in components:
        total = components[Name.PARTS].variance_mm2 + components[Name.TOGETHER].variance_mm2
        components[Name.TOTAL] = Component(Name.TOTAL, total)


class _Balanced:
    """The classical estimates from the mean squares, those below 0 set to 0.

    The interval of gauge and hands together is that of Graybill and Wang for a sum of mean squares with
    weights above 0 (J. Am. Stat. Assoc. 75 (1980) 869; for gauge studies Burdick, Borror, Montgomery,
    J. Qual. Technol. 35 (2003) 342; both from memory).
    """

    def __init__(self, table: Crossed, people: int, parts: int) -> None:
        repeats = table.values // table.cells
        error = table.residual if table.pooled else table.repeats
        e = error.ss / error.dof
        between, hands = table.interaction, 0.0
        self.components: dict[Name, Component] = {Name.REPEATABILITY: _repeatability(e, error.dof)}
        self.dof: float | None = None
        below, weights = e, [(1.0 - 1.0 / repeats, e, error.dof)]
        if not table.pooled:
            below = between.ss / between.dof
            hands = self._add(Name.INTERACTION, (below - e) / repeats)
        if parts > 1:
            self._add(Name.PARTS, (table.parts.ss / table.parts.dof - below) / (people * repeats))
        if people > 1:
            ms, each = table.people.ss / table.people.dof, parts * repeats
            of_people = self._add(Name.PEOPLE, (ms - below) / each)
            if table.pooled:
                weights = [(1.0 - 1.0 / each, e, error.dof), (1.0 / each, ms, table.people.dof)]
            else:
                weights += [((parts - 1) / each, below, between.dof), (1.0 / each, ms, table.people.dof)]
            low, high = _sum_interval(weights)
            _together(self.components, of_people, hands, low, high)
            self.dof = _effective_dof(weights)
        _add_total(self.components)

    def _add(self, name: Name, variance_mm2: float) -> float:
        kept = max(0.0, variance_mm2)
        self.components[name] = Component(name, kept, below_zero=variance_mm2 < 0)
        return kept


def _effective_dof(weights: Sequence[tuple[float, float, int]]) -> float:
    """Of a sum of mean squares with weights: Welch and Satterthwaite (GUM G.4.1)."""
    total = math.fsum(weight * ms for weight, ms, _ in weights)
    parts = math.fsum((weight * ms / total) ** 2 / dof for weight, ms, dof in weights) if total else 0.0
    return 1.0 / parts if parts else math.inf


def _sum_interval(weights: Sequence[tuple[float, float, int]]) -> tuple[float, float]:
    """Both ends as standard deviations."""
    tail = (1 - LEVEL) / 2
    total = math.fsum(weight * ms for weight, ms, _ in weights)
    down = math.hypot(*(w * ms * (1 - dof / chi_squared_quantile(1 - tail, dof)) for w, ms, dof in weights))
    up = math.hypot(*(w * ms * (dof / chi_squared_quantile(tail, dof) - 1) for w, ms, dof in weights))
    return math.sqrt(max(0.0, total - down)), math.sqrt(total + up)


def _harmonic_mean(numbers: Sequence[int]) -> float:
    return len(numbers) / math.fsum(1.0 / number for number in numbers)


class _Unbalanced:
    """REML. The interval and the degrees of freedom of the sum are those of the balanced study nearest to it.

    Its mean squares are what the estimated variances would give there, with the harmonic means of the numbers
    of repeats and of parts for each person: the unweighted means of Burdick and Graybill, Confidence
    Intervals on Variance Components (1992), from memory. Large-sample theory would promise
    too much with few people.
    """

    def __init__(self, table: Crossed, cells: Mapping[tuple[str, str], Sequence[float]]) -> None:
        people = list(dict.fromkeys(person for person, _ in cells))
        parts = list(dict.fromkeys(part for _, part in cells))
        terms = ["repeats"]
        terms += ["people"] if len(people) > 1 else []
        terms += ["parts"] if len(parts) > 1 else []
        terms += [] if table.pooled else ["interaction"]
        base = next(iter(cells.values()))[0]
        rows = [
            Cell(
                people.index(person),
                parts.index(part),
                len(values),
                math.fsum(value - base for value in values) / len(values),
            )
            for (person, part), values in cells.items()
        ]
        of = dict(zip(TERMS, estimate(rows, table.repeats.ss, table.repeats.dof, terms), strict=True))
        error = table.residual if table.pooled else table.repeats
        self.components: dict[Name, Component] = {
            Name.REPEATABILITY: _repeatability(of["repeats"], error.dof)
        }
        self.dof: float | None = None
        for term, name in (("interaction", Name.INTERACTION), ("people", Name.PEOPLE), ("parts", Name.PARTS)):
            if term in terms:
                self.components[name] = Component(name, of[term], below_zero=not of[term])
        if len(people) > 1:
            repeats = _harmonic_mean([len(values) for values in cells.values()])
            each = repeats * _harmonic_mean([sum(a == b for a, _ in cells) for b in people])
            between = of["repeats"] + repeats * of["interaction"]
            weights = [(1.0 / each, between + each * of["people"], table.people.dof)]
            if table.pooled:
                weights.append((1.0 - 1.0 / each, of["repeats"], error.dof))
            else:
                weights.append((1.0 / repeats - 1.0 / each, between, table.interaction.dof))
                weights.append((1.0 - 1.0 / repeats, of["repeats"], error.dof))
            low, high = _sum_interval(weights)
            _together(self.components, of["people"], of["interaction"], low, high)
            self.dof = _effective_dof(weights)
        _add_total(self.components)
