"""Every way to read a smoothly moving number out of frames laid out in rows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.identify_layout import SAME, Layout, constant_of
from capture.smoothness import Motion, is_counter, motion_of, roughness

if TYPE_CHECKING:
    from numpy.typing import NDArray

SMOOTH = 0.5
"""A number that is rougher is none: see ``smoothness``."""

ROUGH_FOLDED = 1.6
"""A number that was sampled slowly is as rough as this while its sign is not known yet."""

NEAR_ZERO = 0.65
"""A sign changes while the number is at most this share of its range from zero: a slow gauge sees few
places."""

ALIKE = 0.3
"""Two ways to read the number are equally smooth when the logarithms of their roughness differ by less."""

LEAST_BCD = 12
"""Fewer different numbers may be binary ones that happen to have no digit above 9."""


@dataclass(frozen=True, slots=True)
class Way:
    """A way to read the number.

    Attributes:
        value: The field ``value`` of a profile file.
        columns: The columns that it is made of.
        counts: What it gives in each row.
        prior: How particular the coding is: of two that read as smoothly the greater is believed.
        sign: The field ``sign``; None where the coding has the sign, or none was seen.
        motion: How the counts move; None until it was looked at.
        signless: Whether it is nothing without a sign of its own.
    """

    value: dict[str, Any]
    columns: tuple[int, ...]
    counts: NDArray[np.int64]
    prior: int
    sign: dict[str, int] | None = None
    motion: Motion | None = None
    signless: bool = False

    @property
    def roughness(self) -> float:
        """That of its counts."""
        return roughness(self.counts) if self.motion is None else self.motion.roughness

    def covered(self, layout: Layout) -> float:
        """How much of what changes it is made of, 0 to 1."""
        places = set(self.columns) | ({self.sign["at"]} if self.sign else set())
        return sum(layout.liveliness.get(place, 0.0) for place in places) / sum(layout.liveliness.values())


def best_ways(layout: Layout) -> list[Way]:
    """The ways to believe, the best first: smooth, made of what changes, of equals the more particular."""
    ways = [signed for way in _ways(layout) for signed in _with_sign(layout, way)]

    def badness(way: Way) -> float:
        return math.log(max(way.roughness, 1e-4)) + 6.0 * (1 - way.covered(layout))

    ways.sort(key=badness)
    equals = [way for way in ways if badness(way) < badness(ways[0]) + ALIKE]
    equals.sort(key=lambda way: (-way.prior, -round(way.covered(layout), 2), len(way.columns)))
    return (equals + ways[len(equals) :])[:3]


def _ways(layout: Layout) -> Iterator[Way]:
    for at in range(layout.length):
        for width in range(1, min(8, layout.length - at) + 1):
            columns = tuple(range(at, at + width))
            if set(columns) & layout.taken:
                break
            if not {columns[0], columns[-1]} & layout.liveliness.keys():
                continue
            digits = _digitlike(layout, columns)
            if digits or all(layout.constant[place] in (None, 0) for place in columns):
                yield from _readings(layout, columns, digits=digits)


def _digitlike(layout: Layout, columns: tuple[int, ...]) -> bool:
    """Whether each column is one digit, with the rest of the byte the same in every row."""
    part = layout.rows[:, list(columns)]
    return bool(np.mean((part & 0x0F) <= 9) >= SAME) and all(
        constant_of(column & 0xF0) is not None for column in part.T
    )


def _readings(layout: Layout, columns: tuple[int, ...], *, digits: bool) -> Iterator[Way]:
    """The number in these columns, in both orders and every coding."""
    part = layout.rows[:, list(columns)]
    width = len(columns)
    for order in ("big", "little")[: 2 if width > 1 else 1]:
        ordered = part if order == "big" else part[:, ::-1]
        value: dict[str, Any] = {"at": columns[0], "width": width}
        if order == "little":
            value["order"] = "little"
        if width >= 2 and digits:
            written = all(constant_of(column & 0xF0) == 0x30 for column in part.T)
            coding = {"coding": "ascii" if written else "digits"}
            yield Way(value | coding, columns, _join(ordered & 0x0F, 10), 4)
        if width <= 4:
            yield from _binary(columns, value, ordered)
            yield from _bcd(columns, value, ordered)
            if width >= 2 and not digits:
                yield from _sevens(layout, columns, value, ordered)


def _join(ordered: NDArray[np.int64], base: int) -> NDArray[np.int64]:
    count = np.zeros(len(ordered), dtype=np.int64)
    for column in ordered.T:
        count = count * base + column
    return count


def _binary(columns: tuple[int, ...], value: dict[str, Any], ordered: NDArray[np.int64]) -> Iterator[Way]:
    """Two's complement, offset binary, and magnitudes with their sign in the highest byte or elsewhere."""
    joined, bits = _join(ordered, 256), 8 * len(columns)
    middle = 1 << (bits - 1)
    if float(np.ptp(joined)) < middle / 4 and abs(int(np.median(joined)) - middle) < middle / 8:
        yield Way(value | {"zero": middle}, columns, joined - middle, 2)
    else:
        yield Way(value | {"coding": "twos"}, columns, _twos(joined, bits), 2)
        yield Way(value, columns, joined, 1, signless=True)
    mask = (1 << (bits - 4)) - 1
    masked = value | {"mask": mask}
    yield Way(masked | {"coding": "twos"}, columns, _twos(joined & mask, bits - 4), 2)
    yield Way(masked, columns, joined & mask, 1, signless=True)
    place = columns[-1] if "order" in value else columns[0]
    for low in range(1, 8):
        mask = (1 << (bits - 8 + low)) - 1
        way = Way(value | {"mask": mask}, columns, joined & mask, 2, signless=True)
        signed = _signed_by(way, ordered[:, 0], place, low)
        if signed is not None:
            yield signed


def _twos(counts: NDArray[np.int64], bits: int) -> NDArray[np.int64]:
    return np.where(counts >> (bits - 1), counts - (1 << bits), counts)


def _bcd(columns: tuple[int, ...], value: dict[str, Any], ordered: NDArray[np.int64]) -> Iterator[Way]:
    for nibbles in ("high", "low"):
        part = ordered if nibbles == "high" else (ordered >> 4) | ((ordered & 0x0F) << 4)
        if np.mean(((part & 0x0F) <= 9) & ((part >> 4) <= 9)) < 0.995:
            continue
        counts = _join((part >> 4) * 10 + (part & 0x0F), 100)
        if len(np.unique(counts)) >= LEAST_BCD:
            swapped = {"nibbles": "low"} if nibbles == "low" else {}
            yield Way(value | {"coding": "bcd"} | swapped, columns, counts, 3)


def _sevens(
    layout: Layout, columns: tuple[int, ...], value: dict[str, Any], ordered: NDArray[np.int64]
) -> Iterator[Way]:
    tops = [constant_of(column & 0x80) for column in layout.columns]
    if set(tops) == {0, 0x80} and all(tops[place] is not None for place in columns):
        counts = _twos(_join(ordered & 0x7F, 128), 7 * len(columns))
        yield Way(value | {"coding": "sevens"}, columns, counts, 5)


def _with_sign(layout: Layout, way: Way) -> Iterator[Way]:
    """The number as it is, if it moves smoothly, or with every bit outside of it that may be its sign."""
    if way.sign is not None:
        yield way
        return
    rough = roughness(way.counts)
    if rough > ROUGH_FOLDED:
        return
    found = False
    if int(way.counts.min()) >= 0:
        for place in layout.liveliness.keys() - set(way.columns):
            column = layout.rows[:, place]
            for shift in _sign_shifts(column):
                signed = _signed_by(way, column, place, shift)
                if signed is not None:
                    found = True
                    yield signed
    if way.signless or found or rough > SMOOTH:
        return
    motion = motion_of(way.counts)
    if motion.moves and not is_counter(way.counts):
        yield replace(way, motion=motion)


def _sign_shifts(column: NDArray[np.int64]) -> list[int]:
    """Bits that may say the sign: a set bit is minus, but of characters what sets "-" apart from "+"."""
    values = set(np.unique(column).tolist())
    if values in ({0x2B, 0x2D}, {0x20, 0x2D}):
        (plus,) = values - {0x2D}
        return [shift for shift in range(8) if (0x2D & ~plus) >> shift & 1][:1]
    return list(range(8))


def _signed_by(way: Way, column: NDArray[np.int64], place: int, shift: int) -> Way | None:
    """The number with this bit as its sign, if the bit changes only while the number passes through zero."""
    bit = column >> shift & 1 == 1
    flips = np.flatnonzero(bit[1:] != bit[:-1])
    spread = float(np.ptp(way.counts))
    if not len(flips) or spread == 0:
        return None
    near = np.minimum(way.counts[flips], way.counts[flips + 1])
    if float(near.max()) > NEAR_ZERO * spread:
        return None
    signed = np.where(bit, -way.counts, way.counts)
    if roughness(signed) > min(SMOOTH, roughness(way.counts)):
        return None
    motion = motion_of(signed)
    if not motion.moves:
        return None
    sign = {"at": place, "mask": 1 << shift}
    return replace(way, counts=signed, prior=way.prior + 1, sign=sign, motion=motion)


def widened(way: Way, layout: Layout, start: int) -> dict[str, Any]:
    """The field with the zero bytes above it: they are the number's own higher bytes, as far as one can tell.

    Args:
        way: How the number is read.
        layout: The frames.
        start: Bytes of the start mark, which are none of the number's.
    """
    value = dict(way.value)
    coding = value.get("coding", "binary")
    most = {"binary": 4, "bcd": 4, "twos": 4, "digits": 8, "ascii": 8}.get(coding, 0)
    if "mask" in value or "zero" in value or (coding == "twos" and int(way.counts.min()) < 0):
        return value
    zero = 0x30 if coding == "ascii" else 0
    while value["width"] < most:
        place = value["at"] + value["width"] if "order" in value else value["at"] - 1
        if not start <= place < layout.length or layout.constant[place] != zero or place in layout.taken:
            break
        value["width"] += 1
        value["at"] = min(value["at"], place)
    return value
