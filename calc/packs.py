"""Packs: several shims on one another where one does not do and the hub allows it.

Fewest shims first, among those that land within the limits; then closest to the aim; of equal totals the pack
whose shims are most alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

from calc.candidates import rules_of, zero_shim_mm
from calc.hub import Aim, Effect, Hub
from calc.layups import Totals, most_alike, totals_of
from calc.limits import Decision, Limits, chances, guard_band_mm, nm, percent
from calc.uncertainty import Budget, Component
from calc.units import Unit, format_size

MOST_LISTED = 4000
"""Packs that ``packs_within`` lists at most, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class Pack:
    """One shim, or several on one another.

    Attributes:
        thicknesses_mm: Of each, millimetres, ascending.
        expected_mm: End play that they should give, millimetres; below 0 is preload.
        u_mm: Standard uncertainty of that, millimetres; each shim adds its own.
        p_within: Probability that the end play would be within the limits, 0 to 1.
    """

    thicknesses_mm: tuple[float, ...]
    expected_mm: float
    u_mm: float
    p_within: float

    @property
    def total_mm(self) -> float:
        """Thickness of the whole pack, millimetres, to the nanometre."""
        return sum(nm(size) for size in self.thicknesses_mm) / 1e6

    def text(self, unit: Unit) -> str:
        """What to take, for a person: ``2.95 mm``, or ``1.50 mm + 1.45 mm = 2.95 mm``."""
        sizes = " + ".join(format_size(size, unit) for size in reversed(self.thicknesses_mm))
        return f"{sizes} = {format_size(self.total_mm, unit)}" if len(self.thicknesses_mm) > 1 else sizes


@dataclass(frozen=True, slots=True)
class PackChoice:
    """The answer for one end play.

    Attributes:
        zero_mm: Total that would leave no end play, millimetres.
        choice: What to fit of what is on hand; None when nothing lands within the limits.
        better: What would be better and is not on hand: fewer shims, or nearer to the aim; None if nothing.
        why: The reason, for a mechanic, with figures in the hub's unit.
    """

    zero_mm: float
    choice: Pack | None
    better: Pack | None
    why: str


@dataclass(frozen=True, slots=True)
class Judge:
    """What packs of so many shims are judged by; they all have the same uncertainty.

    Attributes:
        number: Shims in a pack.
        zero_nm: Total that would leave no end play, nanometres.
        sign: 1 where a thicker pack opens end play, -1 where it closes it.
        limits: End play allowed.
        aim: Which is best.
        u_mm: Standard uncertainty of the end play to come, millimetres.
        dof: Its degrees of freedom.
    """

    number: int
    zero_nm: int
    sign: int
    limits: Limits
    aim: Aim
    u_mm: float
    dof: float

    def window(self, guard_mm: float = 0.0) -> tuple[int, int]:
        """Least and most end play that a pack may be expected to give, nanometres.

        No end play at all is kept out, unless the limits include preload.
        """
        guard, least = nm(guard_mm), nm(self.limits.least_mm)
        return max(least + guard, 1) if least >= 0 else least + guard, nm(self.limits.most_mm) - guard

    def total(self, expected_nm: int) -> int:
        """Total of the pack that gives an end play, both in nanometres."""
        return self.zero_nm + self.sign * expected_nm

    def p_within(self, expected_nm: int) -> float:
        """Probability that the end play will be within the limits."""
        return chances(expected_nm / 1e6, self.u_mm, self.dof, self.limits).within

    def pack(self, thicknesses_nm: Sequence[int]) -> Pack:
        """These shims, judged."""
        expected = self.sign * (sum(thicknesses_nm) - self.zero_nm)
        sizes = tuple(size / 1e6 for size in sorted(thicknesses_nm))
        return Pack(sizes, expected / 1e6, self.u_mm, self.p_within(expected))

    def best(self, totals: Totals, least: int, most: int) -> int | None:
        """The end play closest to the aim that a pack can give, between two ends; nanometres."""
        if self.aim is Aim.TIGHTEST:
            return self._next(totals, least, most)
        twice = nm(self.limits.least_mm) + nm(self.limits.most_mm)
        middle = min(max(twice // 2, least), most)
        near = [self._last(totals, least, middle), self._next(totals, middle, most)]
        found = min((e for e in near if e is not None), key=lambda e: (abs(2 * e - twice), e), default=None)
        if found is None or self.aim is Aim.MIDDLE:
            return found
        # Surest is nearest to the middle, but of those that are equally sure the tightest.
        sure, low, high = round(self.p_within(found), 12), least, min(middle, found)
        while low < high:
            half = (low + high) // 2
            if round(self.p_within(half), 12) >= sure:
                high = half
            else:
                low = half + 1
        return self._next(totals, low, most)

    def _next(self, totals: Totals, least: int, most: int) -> int | None:
        """The least end play, from ``least`` to ``most``, that a pack can give."""
        total = totals.at_least(self.total(least)) if self.sign > 0 else totals.at_most(self.total(least))
        expected = None if total is None else self.sign * (total - self.zero_nm)
        return expected if expected is not None and least <= expected <= most else None

    def _last(self, totals: Totals, least: int, most: int) -> int | None:
        """The greatest end play, from ``least`` to ``most``, that a pack can give."""
        total = totals.at_most(self.total(most)) if self.sign > 0 else totals.at_least(self.total(most))
        expected = None if total is None else self.sign * (total - self.zero_nm)
        return expected if expected is not None and least <= expected <= most else None


def choose_pack(  # noqa: PLR0917 - what was measured, in the order of choose_shim
    end_play_mm: float,
    u_mm: float,
    dof: float,
    fitted_mm: float,
    hub: Hub,
    counts: Mapping[float, int],
    *,
    fitted_shims: int = 1,
) -> PackChoice:
    """Choose what to fit from what is on hand, up to ``hub.most_in_pack`` shims.

    Args:
        end_play_mm: End play measured, millimetres, at least 0.
        u_mm: Its standard uncertainty, millimetres, at least 0.
        dof: Its degrees of freedom, above 0, or infinite.
        fitted_mm: Thickness of what is fitted, all together, millimetres, above 0.
        hub: The hub, with sizes.
        counts: How many there are of each size (millimetres); empty where no stock is kept: then of every
            size of the hub there is enough. Sizes that the hub does not list count too.
        fitted_shims: How many shims are fitted now, at least 1.

    Raises:
        ShimError: If no shim can be worked out, as ``choose_shim`` has it.
    """
    judges = judges_of(end_play_mm, u_mm, dof, fitted_mm, hub, fitted_shims=fitted_shims)
    choice = _choose(judges, hub, stock_nm(hub, counts))
    better = _choose(judges, hub, stock_nm(hub, {})) if counts else None
    if better and choice and _merit(better, judges, hub) >= _merit(choice, judges, hub):
        better = None
    zero_mm = judges[0].zero_nm / 1e6
    return PackChoice(zero_mm, choice, better, _why(hub, zero_mm, choice, better))


def packs_within(
    judges: Sequence[Judge], stock: Mapping[int, int], most_listed: int = MOST_LISTED
) -> tuple[list[Pack], bool]:
    """List the packs that land within the limits, fewest shims first.

    Args:
        judges: As ``judges_of`` gives them.
        stock: How many there are of each size, by thickness in nanometres, as ``stock_nm`` gives it.
        most_listed: List at most so many, at least 1.

    Returns:
        The packs, and whether they are all that there are.
    """
    found: list[Pack] = []
    for judge in judges:
        ends = [judge.total(expected) for expected in judge.window()]
        room = most_listed - len(found) + 1
        if min(ends) <= max(ends) and judge.window()[0] <= judge.window()[1]:
            found += [judge.pack(one) for one in islice(_packs(judge.number, stock, *sorted(ends)), room)]
        if len(found) > most_listed:
            return found[:most_listed], False
    return found, True


def stock_nm(hub: Hub, counts: Mapping[float, int]) -> dict[int, int]:
    """How many there are of each size, by thickness in nanometres, without those that are out.

    Args:
        hub: The hub.
        counts: By thickness in millimetres; empty where no stock is kept: enough of every size of the hub.
    """
    if not counts:
        return {nm(size): hub.most_in_pack for size in hub.sizes_mm}
    return {nm(size): number for size, number in sorted(counts.items()) if number > 0}


def judges_of(
    end_play_mm: float, u_mm: float, dof: float, fitted_mm: float, hub: Hub, *, fitted_shims: int = 1
) -> list[Judge]:
    """What packs of 1, 2, ... ``hub.most_in_pack`` shims are judged by; arguments as ``choose_pack``."""
    rules = rules_of(hub, end_play_mm, fitted_mm)
    zero_nm = nm(zero_shim_mm(end_play_mm, fitted_mm, rules.effect, hub.unit))
    sign = 1 if rules.effect is Effect.OPENS else -1
    judges = []
    for number in range(1, hub.most_in_pack + 1):
        shims = [Component("shim", "B", rules.shim_u_mm)] * (fitted_shims + number)
        reassembly = Component("reassembly", "B", rules.reassembly_u_mm)
        budget = Budget((Component("end play as measured", "A", u_mm, dof), *shims, reassembly))
        judges.append(Judge(number, zero_nm, sign, hub.limits, hub.aim, budget.u_mm, budget.dof))
    return judges


def _choose(judges: Sequence[Judge], hub: Hub, stock: Mapping[int, int]) -> Pack | None:
    """The best pack: with the guarded decision one that keeps the guard band, if there is one."""
    if hub.decision is Decision.GUARDED:
        for judge in judges:
            guarded = _best_of(judge, stock, guard_band_mm(judge.u_mm, judge.dof))
            if guarded is not None:
                return guarded
    return next((found for judge in judges if (found := _best_of(judge, stock)) is not None), None)


def _best_of(judge: Judge, stock: Mapping[int, int], guard_mm: float = 0.0) -> Pack | None:
    least, most = judge.window(guard_mm)
    if least > most or not stock:
        return None
    totals = totals_of(judge.number, stock, max(judge.total(least), judge.total(most)))
    expected = judge.best(totals, least, most)
    if expected is None:
        return None
    return judge.pack(most_alike(judge.number, judge.total(expected), stock))


def _packs(number: int, stock: Mapping[int, int], least: int, most: int) -> Iterator[tuple[int, ...]]:
    """Every pack of ``number`` shims with a total from ``least`` to ``most``, nanometres."""
    sizes = sorted(stock)
    if not sizes:
        return
    taken: list[int] = []

    def more(first: int, left: int, total: int) -> Iterator[tuple[int, ...]]:
        if not left:
            if total >= least:
                yield tuple(taken)
            return
        if total + left * sizes[-1] < least:
            return
        for at in range(first, len(sizes)):
            size = sizes[at]
            if total + left * size > most:  # the others are no thinner
                return
            if taken.count(size) < stock[size]:
                taken.append(size)
                yield from more(at, left - 1, total + size)
                taken.pop()

    yield from more(0, number, 0)


def _merit(pack: Pack, judges: Sequence[Judge], hub: Hub) -> tuple[bool, int, float, float]:
    """Smallest is best: the guard band where it counts, fewest shims, closest to the aim, tightest."""
    tight, judge = nm(pack.expected_mm), judges[len(pack.thicknesses_mm) - 1]
    least, most = judge.window(guard_band_mm(judge.u_mm, judge.dof))
    outside = hub.decision is Decision.GUARDED and not least <= tight <= most
    match hub.aim:
        case Aim.TIGHTEST:
            off: float = tight
        case Aim.MIDDLE:
            off = abs(2 * tight - nm(hub.limits.least_mm) - nm(hub.limits.most_mm))
        case Aim.SUREST:
            off = -round(pack.p_within, 12)
    return outside, len(pack.thicknesses_mm), off, tight


def _why(hub: Hub, zero_mm: float, choice: Pack | None, better: Pack | None) -> str:
    unit = hub.unit
    zero = format_size(zero_mm, unit)
    words = []
    if choice is None:
        most = f"up to {hub.most_in_pack} shims" if hub.most_in_pack > 1 else "one shim"
        words.append(
            f"no pack of {most} on hand lands within the limits, {hub.limits.text(unit)} (zero shim {zero})"
        )
    else:
        number, leaves = len(choice.thicknesses_mm), leaves_text(choice.expected_mm, unit)
        aims = {Aim.TIGHTEST: "tightest", Aim.MIDDLE: "nearest to the middle", Aim.SUREST: "surest"}
        of = "shim" if number == 1 else f"pack of {number}"
        words.append(
            f"{choice.text(unit)} leaves {leaves}, the {aims[hub.aim]} {of} within limits (zero shim {zero})"
        )
        if number > 1:
            words.append(
                "no single shim on hand does" if number == 2 else f"no fewer than {number} shims on hand do"
            )
        words.append(f"within limits with a probability of {percent(choice.p_within)}")
    if better is not None:
        would = "would do" if choice is None else "would be better"
        leaves = leaves_text(better.expected_mm, unit)
        words.append(f"{better.text(unit)} {would} and is not all on hand: it leaves {leaves}")
    return "; ".join(words)


def leaves_text(expected_mm: float, unit: Unit) -> str:
    """What a pack leaves, in words: end play, none, or preload."""
    if nm(expected_mm) == 0:
        return "no end play"
    size = format_size(abs(expected_mm), unit)
    return f"{size} of preload" if expected_mm < 0 else size
