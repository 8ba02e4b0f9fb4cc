"""Several corners at once: who gets which of the shims on hand, so that the least sure is as sure as can be.

As many corners as can be are served; then the least sure of them is made as sure as possible; then all of
them together; then the fewest shims are used; and what is left to choose is settled in the order of the
corners and of their packs. Every step is an integer programme for HiGHS, which proves that nothing is better.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calc.errors import CalcError
from calc.hub import Hub
from calc.limits import nm
from calc.packs import Pack, judges_of, packs_within, stock_nm

if TYPE_CHECKING:
    from highspy import Highs

STEPS = 1_000_000
"""Probabilities are compared in whole millionths: finer ones mean nothing, whole numbers leave no doubt."""

Stock = Mapping[str, Mapping[float, int]]
"""By bin: how many there are of each size (millimetres). A bin not named, or empty, keeps no stock."""


class SharingError(CalcError):
    """The solver did not answer."""


@dataclass(frozen=True, slots=True)
class CornerNeed:
    """A corner that needs a shim.

    Attributes:
        corner: Its name, such as LR.
        end_play_mm: End play measured, millimetres, at least 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        fitted_mm: Thickness of what is fitted, all together, millimetres, above 0.
        hub: Its hub; corners whose hubs name the same bin share its shims.
        fitted_shims: How many shims are fitted now.
    """

    corner: str
    end_play_mm: float
    u_mm: float
    dof: float
    fitted_mm: float
    hub: Hub
    fitted_shims: int = 1


@dataclass(frozen=True, slots=True)
class Given:
    """What a corner gets.

    Attributes:
        corner: Its name.
        pack: What to fit; None when nothing that is left lands within its limits.
        order: What would do and is not on hand, surest first; empty where a pack was found.
        alone: The surest that it could have had if no other corner needed one; None if nothing fits.
    """

    corner: str
    pack: Pack | None
    order: tuple[Pack, ...]
    alone: Pack | None


@dataclass(frozen=True, slots=True)
class Sharing:
    """The best way to share.

    Attributes:
        given: What each corner gets, in the order of the corners.
        complete: Whether every pack was looked at; False where there were more than are listed.
    """

    given: tuple[Given, ...]
    complete: bool

    @property
    def least_p(self) -> float | None:
        """Probability of the least sure corner that gets something, 0 to 1; None when none does."""
        return min((one.pack.p_within for one in self.given if one.pack), default=None)


@dataclass(frozen=True, slots=True)
class Option:
    """Something that a corner could be given.

    Attributes:
        score: How good it is, in whole steps, at least 0.
        takes: What it takes: of which kind of thing how many.
    """

    score: int
    takes: Mapping[object, int]


def share(corners: Sequence[CornerNeed], counts: Stock) -> Sharing:
    """Share what is on hand between corners.

    Args:
        corners: The corners, in the order in which a doubt is settled.
        counts: What there is, by bin; where no stock is kept there is enough of every size of the hub.

    Raises:
        ShimError: If no shim can be worked out for a corner.
        SharingError: If the solver does not answer.
    """
    packs: list[list[Pack]] = []
    complete = True
    for need in corners:
        found, all_of_them = _packs_of(need, counts.get(need.hub.shim_bin, {}))
        packs.append(found)
        complete &= all_of_them
    options = [
        [_option(pack, need.hub.shim_bin) for pack in found]
        for need, found in zip(corners, packs, strict=True)
    ]
    there: dict[object, int] = {
        (name, nm(size)): max(number, 0) for name, book in counts.items() for size, number in book.items()
    }
    chosen = assign(options, there)
    given = []
    for need, found, index in zip(corners, packs, chosen, strict=True):
        pack = None if index is None else found[index]
        order = () if pack else tuple(_packs_of(need, {})[0])
        given.append(Given(need.corner, pack, order, found[0] if found else None))
    return Sharing(tuple(given), complete)


def assign(options: Sequence[Sequence[Option]], there: Mapping[object, int]) -> tuple[int | None, ...]:
    """Give everybody at most one of their options, as well as can be done.

    Best is, in this order: most are given something; the smallest score given is the greatest; the sum of
    scores is the greatest; the fewest things are taken; the first has its earliest option, then the second.

    >>> options = [[Option(9, {"a": 1}), Option(7, {"b": 1})], [Option(8, {"a": 1}), Option(2, {"b": 1})]]
    >>> assign(options, {"a": 1, "b": 1})
    (1, 0)

    Args:
        options: What each could be given, in the order of preference where all else is equal.
        there: How many there are of each thing; a thing that is not named is not scarce.

    Returns:
        For each the index of the option given; None for nothing.

    Raises:
        SharingError: If the solver does not answer.
    """
    flat = [(who, index, one) for who, own in enumerate(options) for index, one in enumerate(own)]
    flat = [
        x for x in flat if all(there.get(thing, number) >= number for thing, number in x[2].takes.items())
    ]
    if not flat:
        return (None,) * len(options)
    problem = _Problem(flat, len(options), there)
    problem.most([1] * len(flat))
    scores = sorted({one.score for _, _, one in flat})
    low, high = 0, len(scores) - 1
    while low < high:  # the greatest score that nobody served needs to fall below
        half = (low + high + 1) // 2
        if problem.serves(scores[half]):
            low = half
        else:
            high = half - 1
    problem.bar(scores[low])
    problem.most([one.score for _, _, one in flat])
    problem.most([-sum(one.takes.values()) for _, _, one in flat])
    for turn in range(len(options)):
        problem.most([len(own) - i if who == turn else 0 for who, i, _ in flat for own in [options[who]]])
    return problem.answer()


class _Problem:
    """One yes or no for each option; each found optimum becomes a condition of the next."""

    def __init__(
        self, flat: Sequence[tuple[int, int, Option]], people: int, there: Mapping[object, int]
    ) -> None:
        from highspy import HighsModelStatus, ObjSense  # noqa: PLC0415  (half a second with numpy)

        self._flat, self._people, self._optimal = flat, people, HighsModelStatus.kOptimal
        self._solver = _silent_solver()
        for option in ("mip_rel_gap", "mip_abs_gap"):
            self._solver.setOptionValue(option, 0.0)
        for _ in flat:
            self._solver.addBinary()
        self._solver.changeObjectiveSense(ObjSense.kMaximize)
        for who in range(people):
            self._keep(-math.inf, [float(owner == who) for owner, _, _ in flat], 1.0)
        for thing, number in there.items():
            self._keep(-math.inf, [float(one.takes.get(thing, 0)) for _, _, one in flat], float(number))

    def most(self, worth: Sequence[int]) -> int:
        """The greatest sum of ``worth`` over the options given; it is kept from now on."""
        worths = [float(value) for value in worth]
        if not self._solve(worths):
            status = self._solver.modelStatusToString(self._solver.getModelStatus())
            raise SharingError(f"the shims could not be shared out: the solver says {status}")
        best = round(self._solver.getObjectiveValue())
        self._keep(best - 0.5, worths, math.inf)
        return best

    def serves(self, score: int) -> bool:
        """Whether what is kept so far can still be had with nothing given that is below this score."""
        self.bar(score)
        feasible = self._solve([0.0] * len(self._flat))
        self.bar(0)
        return feasible

    def bar(self, score: int) -> None:
        """Give nothing that is below this score."""
        for column, (_, _, one) in enumerate(self._flat):
            self._solver.changeColBounds(column, 0.0, float(one.score >= score))

    def answer(self) -> tuple[int | None, ...]:
        """What was given."""
        values = self._solver.getSolution().col_value
        given: list[int | None] = [None] * self._people
        for value, (who, index, _) in zip(values, self._flat, strict=True):
            if value > 0.5:
                given[who] = index
        return tuple(given)

    def _keep(self, least: float, factors: Sequence[float], most: float) -> None:
        """A condition: the sum of these factors over the options given lies between two numbers."""
        used = [(column, factor) for column, factor in enumerate(factors) if factor]
        columns, values = [column for column, _ in used], [factor for _, factor in used]
        self._solver.addRow(least, most, len(used), columns, values)

    def _solve(self, worths: Sequence[float]) -> bool:
        """Find the greatest worth; False if the conditions cannot all be met."""
        for column, worth in enumerate(worths):
            self._solver.changeColCost(column, worth)
        self._solver.run()
        return bool(self._solver.getModelStatus() == self._optimal)


def _silent_solver() -> Highs:
    """A solver that prints nothing; one made as usual prints its name on standard output at once."""
    from highspy import Highs  # noqa: PLC0415

    class Silent(Highs):
        def enableCallbacks(self) -> None:  # noqa: N802 - called while it is made, before options can be set
            self.silent()
            super().enableCallbacks()  # type: ignore[no-untyped-call]

    return Silent()  # type: ignore[no-untyped-call]


def _packs_of(need: CornerNeed, book: Mapping[float, int]) -> tuple[list[Pack], bool]:
    """What would do for a corner, surest first, then fewest shims, then tightest."""
    judges = judges_of(
        need.end_play_mm, need.u_mm, need.dof, need.fitted_mm, need.hub, fitted_shims=need.fitted_shims
    )
    found, complete = packs_within(judges, stock_nm(need.hub, book))
    found.sort(key=lambda p: (-_score(p), len(p.thicknesses_mm), nm(p.expected_mm), p.thicknesses_mm))
    return found, complete


def _score(pack: Pack) -> int:
    return round(pack.p_within * STEPS)


def _option(pack: Pack, bin_name: str) -> Option:
    takes: dict[object, int] = {}
    for size in pack.thicknesses_mm:
        takes[bin_name, nm(size)] = takes.get((bin_name, nm(size)), 0) + 1
    return Option(_score(pack), takes)
