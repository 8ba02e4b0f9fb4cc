"""Which totals so many shims can be laid up to, exactly, and which shims make one of them.

All totals are held at once as the bits of one long number, one bit for each step between sizes: the work
grows with the sizes and their steps, not with the number of packs. Everything is in whole nanometres.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Totals:
    """The totals that exactly ``number`` shims can be laid up to.

    Attributes:
        number: How many shims.
        bits: Bit i is set when the total ``base + i * step`` can be laid up.
        base: The smallest total that could be, nanometres.
        step: Step between totals, nanometres, at least 1.
    """

    number: int
    bits: int
    base: int
    step: int

    def at_least(self, total: int) -> int | None:
        """The smallest total of at least ``total`` nanometres; None if there is none."""
        skip = max(0, -((self.base - total) // self.step))
        above = self.bits >> skip
        if not above:
            return None
        return self.base + self.step * (skip + (above & -above).bit_length() - 1)

    def at_most(self, total: int) -> int | None:
        """The largest total of at most ``total`` nanometres; None if there is none."""
        last = (total - self.base) // self.step
        below = self.bits & ((1 << (last + 1)) - 1) if last >= 0 else 0
        return self.base + self.step * (below.bit_length() - 1) if below else None


def totals_of(number: int, stock: Mapping[int, int], most: int) -> Totals:
    """Every total of exactly ``number`` shims.

    >>> found = totals_of(2, {1000: 1, 1500: 2}, 10_000)
    >>> found.at_least(0), found.at_least(2501), found.at_most(2999)
    (2500, 3000, 2500)

    Args:
        number: How many shims, at least 1.
        stock: How many there are of each size, by thickness in nanometres.
        most: Totals above this are left out, nanometres.
    """
    there = {size: copies for size, copies in stock.items() if copies > 0}
    least = min(there, default=0)
    step = math.gcd(*(size - least for size in there)) or 1
    reach = _Reach(number, number * least, step, most)
    for size, copies in there.items():
        reach.add((size - least) // step, copies)
    return Totals(number, reach.levels[number], number * least, step)


def most_alike(number: int, total: int, stock: Mapping[int, int]) -> tuple[int, ...]:
    """The pack of ``number`` shims with this total whose thinnest is the thickest possible, and so on.

    >>> most_alike(2, 3000, {1000: 1, 2000: 1, 1400: 1, 1600: 1})
    (1400, 1600)

    Args:
        number: How many shims, at least 1.
        total: A total that ``totals_of`` gave, nanometres.
        stock: As given there.

    Returns:
        The thicknesses, nanometres, ascending.
    """
    left = {size: copies for size, copies in stock.items() if copies > 0}
    pack: list[int] = []
    while number:
        thinnest = _thickest_thinnest(number, total, left)
        pack.append(thinnest)
        number, total = number - 1, total - thinnest
        left = {size: copies - (size == thinnest) for size, copies in left.items() if size >= thinnest}
        left = {size: copies for size, copies in left.items() if copies}
    return tuple(pack)


def _thickest_thinnest(number: int, total: int, stock: Mapping[int, int]) -> int:
    """The largest size from which on upwards there are shims enough for the total."""
    least = min(stock)
    step = math.gcd(*(size - least for size in stock)) or 1
    bit = 1 << ((total - number * least) // step)
    reach = _Reach(number, number * least, step, total)
    for size in sorted(stock, reverse=True):
        reach.add((size - least) // step, stock[size])
        if reach.levels[number] & bit:
            return size
    raise ValueError(f"{number} of these shims do not make {total} nm")


class _Reach:
    """The totals of 0, 1, ... ``number`` shims, as bits, while one size after the other is added."""

    def __init__(self, number: int, base: int, step: int, most: int) -> None:
        self.levels = [1] + [0] * number
        self._mask = (1 << max(0, (most - base) // step + 1)) - 1

    def add(self, offset: int, copies: int) -> None:
        """Allow up to ``copies`` shims that are ``offset`` steps thicker than the thinnest."""
        levels, last = self.levels, len(self.levels) - 1
        if copies >= last:  # as good as any number
            for k in range(1, last + 1):
                levels[k] |= (levels[k - 1] << offset) & self._mask
            return
        for k in range(last, 0, -1):
            for taken in range(1, min(copies, k) + 1):
                levels[k] |= (levels[k - taken] << (offset * taken)) & self._mask
