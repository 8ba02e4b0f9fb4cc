"""Shim sizes as a hub file writes them: a list, or a range in which every step is exact."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from calc.toml_table import Wrong, decimal_number, shown

MOST_SIZES = 1000
"""Sizes in the longest shim table."""

_RANGE_PARTS = ("from", "to", "step")
_HOW = "{ from = 2.40, to = 3.75, step = 0.05 }"


@dataclass(frozen=True, slots=True)
class Sizes:
    """Shim sizes as written.

    Attributes:
        values: The sizes, exact, ascending, above 0, in the file's unit.
    """

    values: tuple[Decimal, ...]


def read_sizes(value: object) -> Sizes:
    """Read the sizes of a hub file.

    Args:
        value: A list of numbers, or a table of from, to and step.

    Raises:
        Wrong: If they are no sizes, empty, not ascending, given twice, or the step does not divide the range;
            every mistake is named.
    """
    if isinstance(value, dict):
        return _from_range(value)
    if not isinstance(value, list):
        raise Wrong(f"{shown(value)} is no list of sizes: write [2.40, 2.45] or {_HOW}")
    if not value:
        raise Wrong("is empty: write at least one size")
    if len(value) > MOST_SIZES:
        raise Wrong(f"has {len(value)} sizes: at most {MOST_SIZES} are allowed")
    texts: list[str] = []
    sizes: list[Decimal] = []
    for item in value:
        try:
            sizes.append(above_zero(item))
        except Wrong as err:
            texts.extend(err.texts)
    texts.extend(_disorder(sizes))
    if texts:
        raise Wrong(*texts)
    return Sizes(tuple(sizes))


def above_zero(value: object) -> Decimal:
    """Read a number above 0, or raise ``Wrong``."""
    number = decimal_number(value)
    if number <= 0:
        raise Wrong(f"{number} is not above 0: a thickness is")
    return number


def not_negative(value: object) -> Decimal:
    """Read a number of at least 0, or raise ``Wrong``."""
    number = decimal_number(value)
    if number < 0:
        raise Wrong(f"{number} is negative: it must be at least 0")
    return number


def _disorder(sizes: list[Decimal]) -> Iterator[str]:
    for before, after in pairwise(sizes):
        if before == after:
            yield f"{after} stands there twice: leave one out"
        elif before > after:
            yield f"{after} comes after {before}: sort the sizes, smallest first"


def _from_range(table: dict[str, object]) -> Sizes:
    texts: list[str] = [f'"{part}" is unknown: write {_HOW}' for part in table if part not in _RANGE_PARTS]
    parts: dict[str, Decimal] = {}
    for part in _RANGE_PARTS:
        if part not in table:
            texts.append(f'"{part}" is missing: write {_HOW}')
            continue
        try:
            parts[part] = above_zero(table[part])
        except Wrong as err:
            texts.extend(f'"{part}": {text}' for text in err.texts)
    if texts:
        raise Wrong(*texts)
    first, last, step = parts["from"], parts["to"], parts["step"]
    if first > last:
        raise Wrong(f'"from" {first} is more than "to" {last}: exchange or correct them')
    steps, over = divmod(last - first, step)
    if over:
        met = last - over
        raise Wrong(f'"step" {step} does not divide the range: it meets {met} and {met + step}, not {last}')
    if steps >= MOST_SIZES:
        raise Wrong(f"makes {steps + 1} sizes: at most {MOST_SIZES} are allowed")
    return Sizes(tuple(first + step * i for i in range(int(steps) + 1)))
