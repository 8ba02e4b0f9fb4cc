"""Analysis of variance, exactly: one way, and people by parts with any number of repeats in each cell.

Every sum is made in whole numbers and divided once, so that no digit is lost however many leading digits
the values share. A float is taken as the shortest decimal that stands for it: 0.31 is 31/100.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from calc.errors import CalcError
from calc.f_distribution import f_tail

Number = int | float | Decimal | Fraction

POOL_ABOVE = 0.25
"""An interaction as likely as this by chance is taken together with the repeats (the usual rule of the trade
for gauge studies: common practice)."""


class AnovaError(CalcError):
    """There are too few values for what was asked."""


@dataclass(frozen=True, slots=True)
class Source:
    """One line of the table.

    Attributes:
        name: ``parts``, ``people``, ``interaction``, ``repeats``, ``residual`` or ``total``.
        ss: Sum of squares, at least 0, in the square of the values' unit.
        dof: Degrees of freedom, at least 0.
        f: Its mean square over the one that it is held against; None where there is no exact test.
        p: Probability of so large an F by chance; None without ``f``.
    """

    name: str
    ss: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def ms(self) -> float | None:
        """Mean square; None without degrees of freedom."""
        return self.ss / self.dof if self.dof else None


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance.

    Attributes:
        between: Between the groups, with F and p.
        within: Within them.
        r_squared: Share of the total sum of squares that is between the groups; None if all values are equal.
    """

    between: Source
    within: Source
    r_squared: float | None


@dataclass(frozen=True, slots=True)
class Crossed:
    """People by parts.

    Attributes:
        parts: Parts, adjusted for people.
        people: People, adjusted for parts.
        interaction: What people do differently from part to part.
        repeats: Within a person's repeats on one part.
        residual: Interaction and repeats together: what the main lines are held against when ``pooled``.
        total: About the mean; the lines above add up to it when ``balanced``.
        balanced: Whether every person measured every part equally often.
        connected: Whether people and parts can be told apart at all.
        pooled: Whether interaction and repeats are taken together.
        cells: How many person and part pairs have values.
        values: How many values there are.
    """

    parts: Source
    people: Source
    interaction: Source
    repeats: Source
    residual: Source
    total: Source
    balanced: bool
    connected: bool
    pooled: bool
    cells: int
    values: int


def exact(value: Number) -> Fraction:
    """The value as a fraction; a float as the shortest decimal that stands for it.

    >>> exact(0.31)
    Fraction(31, 100)

    Raises:
        AnovaError: If it is not finite.
    """
    if isinstance(value, (float, Decimal)):
        if not math.isfinite(value):
            raise AnovaError(f"{value} is no value: leave it out")
        return Fraction(str(value))
    return Fraction(value)


def one_way(groups: Sequence[Sequence[Number]]) -> OneWay:
    """Whether groups differ by more than chance. They need not be of one size.

    >>> found = one_way([[1, 2, 3], [2, 3, 4]])
    >>> found.between.ss, found.within.ss, found.between.f
    (1.5, 4.0, 1.5)

    Args:
        groups: Two or more groups of one or more values, of which one has two.

    Raises:
        AnovaError: If there are fewer.

    Source: any textbook; NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3 (from memory).
    """
    filled = [group for group in groups if group]
    count = sum(map(len, filled))
    if len(filled) < 2 or count == len(filled):
        raise AnovaError("two groups or more are compared, and one must have two values: measure more")
    scaled, unit = _whole([value for group in filled for value in group])
    at, sums = 0, []
    for group in filled:
        sums.append(sum(scaled[at : at + len(group)]))
        at += len(group)
    squares = sum(value * value for value in scaled)
    of_groups = sum((Fraction(s * s, len(g)) for s, g in zip(sums, filled, strict=True)), Fraction(0))
    of_mean = Fraction(sum(sums) ** 2, count)
    between, within = (of_groups - of_mean) / unit**2, (squares - of_groups) / unit**2
    inside = Source("within", float(within), count - len(filled))
    outside = _tested("between", between, len(filled) - 1, within, inside.dof)
    total = between + within
    return OneWay(outside, inside, float(between / total) if total else None)


def crossed(cells: Mapping[tuple[str, str], Sequence[Number]], *, keep: bool = False) -> Crossed:
    """People by parts, balanced or not, also with pairs that nobody measured.

    Each main line is adjusted for the other one (Yates's fitting constants, later called type II), and the
    interaction for both. With equal repeats that is the classical table.

    Args:
        cells: The values of each (person, part); empty ones count as not measured.
        keep: Whether the interaction stays a line of its own however likely it is by chance.

    Raises:
        AnovaError: If there is no value.

    Source: F. Yates, J. Am. Stat. Assoc. 29 (1934) 51; S. R. Searle, Linear Models (1971), 7.2 (from memory).
    """
    filled = {key: values for key, values in cells.items() if values}
    if not filled:
        raise AnovaError("there is no value yet: measure first")
    people = list(dict.fromkeys(person for person, _ in filled))
    parts = list(dict.fromkeys(part for _, part in filled))
    scaled, unit = _whole([value for values in filled.values() for value in values])
    counts, sums, at = {}, {}, 0
    for key, values in filled.items():
        counts[key], sums[key] = len(values), sum(scaled[at : at + len(values)])
        at += len(values)
    squares = Fraction(sum(value * value for value in scaled))
    of_cells = sum((Fraction(sums[key] ** 2, counts[key]) for key in filled), Fraction(0))
    of_mean = Fraction(sum(scaled) ** 2, at)
    of_people = _of_margin(counts, sums, 0, people)
    of_parts = _of_margin(counts, sums, 1, parts)
    connected = _groups_apart(filled) == 1
    both = of_parts + _people_after_parts(counts, sums, people, parts) if connected else of_cells
    scale = unit**2
    dof_both = len(people) + len(parts) - 1 if connected else len(filled)
    dof_interaction, dof_repeats = len(filled) - dof_both, at - len(filled)
    interaction = (of_cells - both) / scale
    repeats = (squares - of_cells) / scale
    between_cells = _tested("interaction", interaction, dof_interaction, repeats, dof_repeats)
    likely = between_cells.p is None or between_cells.p > POOL_ABOVE
    pooled = likely and not (keep and between_cells.p is not None)
    balanced = len(filled) == len(people) * len(parts) and len(set(counts.values())) == 1
    error, dof_error = interaction, dof_interaction
    if pooled:
        error, dof_error = interaction + repeats, dof_interaction + dof_repeats
    elif not balanced:
        dof_error = 0  # no exact test where the interaction varies and the repeats are unequal
    return Crossed(
        parts=_tested("parts", (both - of_people) / scale, len(parts) - 1, error, dof_error),
        people=_tested("people", (both - of_parts) / scale, len(people) - 1, error, dof_error),
        interaction=between_cells,
        repeats=Source("repeats", float(repeats), dof_repeats),
        residual=Source("residual", float(interaction + repeats), dof_interaction + dof_repeats),
        total=Source("total", float((squares - of_mean) / scale), at - 1),
        balanced=balanced,
        connected=connected,
        pooled=pooled,
        cells=len(filled),
        values=at,
    )


def _whole(values: Sequence[Number]) -> tuple[list[int], int]:
    """The values in whole multiples of 1/unit, counted from the first: exact, and short."""
    fractions = [exact(value) for value in values]
    unit = math.lcm(*{one.denominator for one in fractions})
    whole = [one.numerator * (unit // one.denominator) for one in fractions]
    return [one - whole[0] for one in whole], unit


def _tested(name: str, ss: Fraction, dof: int, error: Fraction, dof_error: int) -> Source:
    if dof < 1 or dof_error < 1 or (not error and not ss):
        return Source(name, float(ss), dof)
    f = float(ss * dof_error / (error * dof)) if error else math.inf
    return Source(name, float(ss), dof, f, f_tail(f, dof, dof_error))


def _of_margin(
    counts: Mapping[tuple[str, str], int],
    sums: Mapping[tuple[str, str], int],
    side: int,
    names: Sequence[str],
) -> Fraction:
    """Sum of squares of the means of the people (side 0) or the parts (side 1) alone, about zero."""
    total = Fraction(0)
    for name in names:
        n = sum(count for key, count in counts.items() if key[side] == name)
        s = sum(value for key, value in sums.items() if key[side] == name)
        total += Fraction(s * s, n)
    return total


def _groups_apart(cells: Mapping[tuple[str, str], Sequence[Number]]) -> int:
    """How many groups of people and parts there are that no measurement joins."""
    groups: list[tuple[set[str], set[str]]] = []
    for person, part in cells:
        touched = [group for group in groups if person in group[0] or part in group[1]]
        groups = [group for group in groups if group not in touched]
        groups.append((
            {person}.union(*(group[0] for group in touched)),
            {part}.union(*(group[1] for group in touched)),
        ))  # fmt: skip
    return len(groups)


def _people_after_parts(
    counts: Mapping[tuple[str, str], int],
    sums: Mapping[tuple[str, str], int],
    people: Sequence[str],
    parts: Sequence[str],
) -> Fraction:
    """What the people add to the sum of squares of the parts: least squares with the parts swept out."""
    size = len(people) - 1  # the last one is the base
    matrix = [[Fraction(0)] * size for _ in range(size)]
    right = [Fraction(0)] * size
    for part in parts:
        n = [counts.get((person, part), 0) for person in people]
        s = [sums.get((person, part), 0) for person in people]
        n_part, s_part = sum(n), sum(s)
        for j in range(size):
            right[j] += s[j] - Fraction(n[j] * s_part, n_part)
            matrix[j][j] += n[j]
            for k in range(size):
                matrix[j][k] -= Fraction(n[j] * n[k], n_part)
    kept = list(right)
    for j in range(size):  # it is positive definite: no pivot is 0
        for k in range(j + 1, size):
            share = matrix[k][j] / matrix[j][j]
            if share:
                matrix[k] = [a - share * b for a, b in zip(matrix[k], matrix[j], strict=True)]
                right[k] -= share * right[j]
    effects = [Fraction(0)] * size
    for j in reversed(range(size)):
        known = sum((matrix[j][k] * effects[k] for k in range(j + 1, size)), Fraction(0))
        effects[j] = (right[j] - known) / matrix[j][j]
    return sum((effect * q for effect, q in zip(effects, kept, strict=True)), Fraction(0))
