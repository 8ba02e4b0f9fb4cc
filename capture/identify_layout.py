"""Bytes laid out in rows of a supposed length: what never changes, what is a checksum, what counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.identify_checksum import find_checksum

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGEST = 40
"""Longest frame that is looked for, bytes."""

LONGEST_BY_BITS = 8
"""Longest frame that is found by its top bits alone, bytes."""

LEAST_ROWS = 12

MOST_ROWS = 1000
"""More frames are not looked at: they would tell no more."""

SAME = 0.97
"""A column or bit that has its usual value in so many rows never changes."""

MOST_END = 2
"""Longest end mark that is looked for behind a checksum, bytes."""

ENDS = (0x03, 0x0A, 0x0D, 0x55, 0x7E)
"""Bytes that frames often end with (common practice)."""

SYNCS = frozenset(b"\xaa\x55\x02\xff\x7e\x5a\xa5\x3a\x01\x24\x23\xfe\x68\x0f")
"""Bytes that frames often begin with (common practice)."""


def lengths_of(data: bytes) -> Iterator[int]:
    """Lengths at which some of each frame repeats that of the one before, the shortest first."""
    array = np.frombuffer(data, dtype=np.uint8)
    given: dict[int, float] = {}
    for length in range(2, min(LONGEST, len(data) // LEAST_ROWS) + 1):
        same = array[:-length] == array[length:]
        columns = [float(same[place::length].mean()) for place in range(length)]
        top = (array[:-length] ^ array[length:]) & 0x80 == 0
        bits = [float(top[place::length].mean()) for place in range(length)]
        if max(columns) < SAME and (min(bits) < SAME or length > LONGEST_BY_BITS):
            continue
        share = sum(one >= SAME for one in columns) / length
        if all(length % shorter or share > before for shorter, before in given.items()):
            given[length] = share
            yield length


def beginnings_of(data: bytes, length: int, starts: Sequence[int]) -> list[int]:
    """Where the first whole frame may begin: where silences end, else before columns that never change.

    Args:
        data: What came.
        length: Bytes of a frame.
        starts: Where a chunk begins that came after a silence.
    """
    counted = np.bincount([place % length for place in starts] or [0], minlength=length)
    usual = int(np.argmax(counted))
    if len(starts) >= LEAST_ROWS and counted[usual] >= 0.6 * len(starts):
        return [usual]
    rows = rows_of(data, 0, length)
    constant = [place for place in range(length) if constant_of(rows[:, place]) is not None]
    begins = [place for place in constant if (place - 1) % length not in constant]
    tops = [place for place in range(length) if constant_of(rows[:, place] & 0x80) is not None]
    if len(tops) == length:
        begins += [place for place in range(length) if rows[0, place] & 0x80 != rows[0, place - 1] & 0x80]
    known = {place for place in constant if rows[-1, place] in SYNCS}
    return sorted(known.union(begins), key=lambda place: place not in known)


def rows_of(data: bytes, first: int, length: int) -> NDArray[np.int64]:
    """The bytes from ``first`` on, a frame in each row; shape (frames, length)."""
    count = min(MOST_ROWS, (len(data) - first) // length)
    array = np.frombuffer(data, dtype=np.uint8)[first : first + count * length]
    return array.reshape(count, length).astype(np.int64)


def constant_of(column: NDArray[np.int64]) -> int | None:
    """What a column has in nearly every row; None if it changes."""
    values, counts = np.unique(column, return_counts=True)
    usual = int(np.argmax(counts))
    return int(values[usual]) if counts[usual] >= SAME * len(column) else None


@dataclass(frozen=True)
class Layout:
    """Frames of one length in rows, and what is known of their columns.

    Attributes:
        rows: The frames; shape (frames, length).
        constant: What each column always has; None where it changes.
        checksum: The table of a profile file; None if none was found.
        taken: Columns that are no number: of the checksum, of a counter.
    """

    rows: NDArray[np.int64]
    constant: tuple[int | None, ...]
    checksum: dict[str, Any] | None
    taken: frozenset[int]

    @property
    def length(self) -> int:
        """Bytes of a frame."""
        return len(self.constant)

    @property
    def columns(self) -> Iterator[NDArray[np.int64]]:
        """Each column."""
        return iter(self.rows.T)

    @cached_property
    def liveliness(self) -> dict[int, float]:
        """Columns that may belong to the number, with how often each changes: 1 for always."""
        return {
            place: float(np.mean(np.diff(self.rows[:, place]) != 0)) + 0.02
            for place in range(self.length)
            if self.constant[place] is None and place not in self.taken
        }


def layout_of(rows: NDArray[np.int64]) -> Layout:
    """Look at the columns of frames laid out in rows."""
    constant = tuple(map(constant_of, rows.T))
    checksum, taken = _checksum(rows, constant)
    changing = [place for place, one in enumerate(constant) if one is None and place not in taken]
    counting = {place for place in changing if _counts(rows[:, place])}
    return Layout(rows, constant, checksum, taken | counting)


def _checksum(
    rows: NDArray[np.int64], constant: tuple[int | None, ...]
) -> tuple[dict[str, Any] | None, frozenset[int]]:
    """The checksum at the end of the rows, or before an end mark; and its columns."""
    length = len(constant)
    frames = [bytes(row.astype(np.uint8)) for row in rows]
    for last in range(length, max(2, length - MOST_END - 1), -1):
        found = find_checksum([frame[:last] for frame in frames], tails=[("binary", 2), ("binary", 1)])
        if found is not None:
            size = 2 if "16" in found["kind"] else 1
            place = {"at": last - size} if last < length else {}
            return found | place, frozenset(range(last - size, last))
        if constant[last - 1] is None:
            break
    return None, frozenset()


def _counts(column: NDArray[np.int64]) -> bool:
    """Whether a column, or its lower half, counts the frames."""
    steps, low = np.diff(column) % 256, np.diff(column & 0x0F) % 16
    return len(np.unique(column)) >= 8 and any(constant_of(one) not in (None, 0) for one in (steps, low))


def framing_of(layout: Layout) -> dict[str, Any] | None:
    """How the frames are found: their start mark, or bits that never change, and the checksum.

    Returns:
        The table of a profile file; None where nothing marks a frame.
    """
    start = _start_mark(layout.constant)
    table: dict[str, Any] = {"length": layout.length} | _marks(layout, start)
    if len(table) == 1 and layout.checksum is None:
        return None
    end = layout.constant[-1]
    if end in ENDS and "start" in table and len(start) < layout.length:
        table["end"] = bytes([end])
    if layout.checksum is not None:
        table["checksum"] = layout.checksum
    return table


def _start_mark(constant: Sequence[int | None]) -> bytes:
    """The bytes at the beginning that never change, without zeros at their end: those may be a number's."""
    start = bytearray()
    for one in constant:
        if one is None or (one == 0 and not start):
            break
        start.append(one)
    return bytes(start).rstrip(b"\x00")


def _marks(layout: Layout, start: bytes) -> dict[str, Any]:
    """What marks a frame: halves of bytes that number them, top bits, the start, or what never changes."""
    highs = [constant_of(column & 0xF0) for column in layout.columns]
    tops = [constant_of(column & 0x80) for column in layout.columns]
    if None not in highs and len(set(highs)) == layout.length:
        return {"marks": [{"at": place, "mask": 0xF0, "value": one} for place, one in enumerate(highs)]}
    if None not in tops and tops.count(0x80) == 1 and len(start) < 2:
        return {"marks": [{"at": place, "mask": 0x80, "value": one} for place, one in enumerate(tops)]}
    if start:
        return {"start": start}
    marks = [{"at": place, "value": one} for place, one in enumerate(layout.constant) if one]
    return {"marks": marks} if marks and layout.checksum is None else {}
