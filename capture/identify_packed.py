"""Candidates for gauges that send packed frames: how long they are, where they begin, and which bytes hold the number.

The bytes are laid out in rows of a supposed length. Where that is the frame's length, some columns never change.
Among those that do, a checksum proves itself, a counter counts, and the number is what moves smoothly once its bytes
are put together in the right way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.candidate import Candidate, decimals_for, doubts_of_scale, note_of_scale
from capture.identify_text import find_checksum
from capture.smoothness import Motion, is_counter, motion_of, roughness

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGEST = 40
"""Longest frame that is looked for, bytes."""

LEAST_ROWS = 12

MOST_ROWS = 1000
"""More frames are not looked at: they would tell no more."""

SAME = 0.97
"""A column or bit that has its usual value in so many rows never changes."""

SMOOTH = 0.5

ROUGH_FOLDED = 1.6
"""A number that was sampled slowly is as rough as this while its sign is not known yet."""

LONGEST_BY_BITS = 8
"""Longest frame that is found by its top bits alone, bytes."""

NEAR_ZERO = 0.65
"""A sign changes while the number is at most this share of its range from zero: a slow gauge sees few places."""

MOST_END = 2
"""Longest end mark that is looked for behind a checksum, bytes."""

ALIKE = 0.3
"""Two ways to read the number are equally smooth when the logarithms of their roughness differ by less."""

SYNCS = frozenset(b"\xaa\x55\x02\xff\x7e\x5a\xa5\x3a\x01\x24\x23\xfe\x68\x0f")
"""Bytes that frames often begin with (common practice)."""


def packed_candidates(data: bytes, starts: Sequence[int], travel_mm: float) -> list[Candidate]:
    """Profiles that may read the bytes as packed frames, of the shortest length that explains them.

    Args:
        data: What came.
        starts: Where a chunk begins that came after a silence.
        travel_mm: How far the plunger was moved, about, millimetres.
    """
    for length in _lengths(data):
        found = [
            candidate
            for first in _firsts(data, length, starts)
            for candidate in _of_rows(data, first, length, travel_mm)
        ]
        if found:
            return sorted(found, key=lambda one: one.rank)[:12]
    return []


def _lengths(data: bytes) -> Iterator[int]:
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


def _firsts(data: bytes, length: int, starts: Sequence[int]) -> list[int]:
    """Where the first whole frame may begin: where silences end, else before every column that never changes."""
    counted = np.bincount([place % length for place in starts] or [0], minlength=length)
    usual = int(np.argmax(counted))
    if len(starts) >= LEAST_ROWS and counted[usual] >= 0.6 * len(starts):
        return [usual]
    rows = _rows(data, 0, length)
    constant = [place for place in range(length) if _constant(rows[:, place]) is not None]
    begins = [place for place in constant if (place - 1) % length not in constant]
    tops = [place for place in range(length) if _constant(rows[:, place] & 0x80) is not None]
    if len(tops) == length:
        begins += [place for place in range(length) if rows[0, place] & 0x80 != rows[0, place - 1] & 0x80]
    known = {place for place in constant if rows[-1, place] in SYNCS}
    return sorted(known.union(begins), key=lambda place: place not in known)


def _rows(data: bytes, first: int, length: int) -> NDArray[np.int64]:
    count = min(MOST_ROWS, (len(data) - first) // length)
    array = np.frombuffer(data, dtype=np.uint8)[first : first + count * length]
    return array.reshape(count, length).astype(np.int64)


def _constant(column: NDArray[np.int64]) -> int | None:
    """What a column has in nearly every row; None if it changes."""
    values, counts = np.unique(column, return_counts=True)
    usual = int(np.argmax(counts))
    return int(values[usual]) if counts[usual] >= SAME * len(column) else None


@dataclass(frozen=True, slots=True)
class _Layout:
    """What is known of the columns."""

    length: int
    constant: tuple[int | None, ...]
    checksum: dict[str, Any] | None
    taken: frozenset[int]

    @property
    def moving(self) -> list[int]:
        return [p for p in range(self.length) if self.constant[p] is None and p not in self.taken]


@dataclass(frozen=True, slots=True)
class _Field:
    """A way to read the number."""

    value: dict[str, Any]
    columns: tuple[int, ...]
    counts: NDArray[np.int64]
    motion: Motion
    prior: int
    sign: dict[str, int] | None = None


def _of_rows(data: bytes, first: int, length: int, travel_mm: float) -> Iterator[Candidate]:
    rows = _rows(data, first, length)
    if len(rows) < LEAST_ROWS:
        return
    layout = _layout(rows)
    moving = layout.moving
    if not moving:
        return
    framing = _framing(rows, layout)
    if framing is None:
        return
    weight = {place: _liveliness(rows[:, place]) for place in moving}
    whole = sum(weight.values())
    for rank, field in enumerate(_best(list(_fields(rows, layout)), weight)):
        share = _covered(field, weight) / whole
        if share < 0.4:
            continue
        doubts = [] if share >= 0.7 else [f"{100 - 100 * share:.0f} % of what changes is not explained"]
        if layout.checksum is None and len(data) and not framing.get("start") and not framing.get("marks"):
            doubts.append("nothing marks where a frame begins")
        yield _candidate(
            framing, layout, field, travel_mm, tuple(doubts), rank + (0 if layout.checksum else 3)
        )


def _layout(rows: NDArray[np.int64]) -> _Layout:
    length = rows.shape[1]
    constant = tuple(_constant(rows[:, place]) for place in range(length))
    frames = [bytes(row.astype(np.uint8)) for row in rows]
    last, checksum = length, None
    while checksum is None and last > 2:
        cut = [frame[:last] for frame in frames]
        checksum = find_checksum(cut, tails=[("binary", 2), ("binary", 1)], stops=(None,))
        if checksum is not None or constant[last - 1] is None or length - last >= MOST_END:
            break
        last -= 1  # a checksum may stand before an end mark
    taken: set[int] = set()
    if checksum is not None:
        size = 2 if "16" in checksum["kind"] else 1
        taken |= set(range(last - size, last))
        if last < length:
            checksum = checksum | {"at": last - size}
    for place in range(length):
        if place in taken or constant[place] is not None:
            continue
        steps = np.diff(rows[:, place]) % 256
        low = np.diff(rows[:, place] & 0x0F) % 16
        if any(
            _constant(one) not in (None, 0) and len(np.unique(rows[:, place])) >= 8 for one in (steps, low)
        ):
            taken.add(place)
    return _Layout(length, constant, checksum, frozenset(taken))


def _liveliness(column: NDArray[np.int64]) -> float:
    """How much a column changes: 1 for one that never repeats itself."""
    return float(np.mean(np.diff(column) != 0)) + 0.02


def _covered(field: _Field, weight: dict[int, float]) -> float:
    places = set(field.columns) | ({field.sign["at"]} if field.sign else set())
    return sum(weight.get(place, 0.0) for place in places)


def _best(fields: list[_Field], weight: dict[int, float]) -> list[_Field]:
    """The fields to believe, the best first: smooth, and made of what changes; of equals the more particular coding."""
    whole = sum(weight.values())

    def badness(field: _Field) -> float:
        return math.log(max(field.motion.roughness, 1e-4)) + 6.0 * (1 - _covered(field, weight) / whole)

    fields.sort(key=badness)
    equals = [one for one in fields if badness(one) < badness(fields[0]) + ALIKE]
    equals.sort(key=lambda one: (-one.prior, -round(_covered(one, weight), 2), len(one.columns)))
    return (equals + fields[len(equals) :])[:3]


def _fields(rows: NDArray[np.int64], layout: _Layout) -> Iterator[_Field]:
    """Every way to read a smoothly moving number out of the rows."""
    moving = layout.moving
    for at in range(layout.length):
        for width in range(1, min(8, layout.length - at) + 1):
            columns = tuple(range(at, at + width))
            if set(columns) & layout.taken:
                break
            inside = [place for place in moving if place in columns]
            if not inside or inside[0] != columns[0] and inside[-1] != columns[-1]:
                continue
            if columns[0] not in inside and columns[-1] not in inside:
                continue
            if any(layout.constant[place] not in (None, 0) for place in columns) and not _digitlike(
                rows, columns
            ):
                continue
            yield from _readings(rows, layout, columns)


def _digitlike(rows: NDArray[np.int64], columns: tuple[int, ...]) -> bool:
    """Whether each column is one digit, with the rest of the byte the same in every row."""
    part = rows[:, list(columns)]
    return bool(np.mean((part & 0x0F) <= 9) >= SAME) and all(
        _constant(part[:, place] & 0xF0) is not None for place in range(part.shape[1])
    )


def _readings(rows: NDArray[np.int64], layout: _Layout, columns: tuple[int, ...]) -> Iterator[_Field]:
    part = rows[:, list(columns)]
    at, width = columns[0], len(columns)
    for order in ("big", "little") if width > 1 else ("big",):
        ordered = part if order == "big" else part[:, ::-1]
        value: dict[str, Any] = {"at": at, "width": width}
        if width > 1 and order == "little":
            value["order"] = "little"
        if width >= 2 and _digitlike(rows, columns):
            ascii_digits = all(_constant(part[:, p] & 0xF0) == 0x30 for p in range(width))
            counts = _join(ordered & 0x0F, 10)
            coding = "ascii" if ascii_digits else "digits"
            yield from _signed(rows, layout, columns, value | {"coding": coding}, counts, 4)
        if width > 8:
            continue
        if width <= 4:
            yield from _binary(rows, layout, columns, value, ordered)
            for nibbles in ("high", "low"):
                bcd = ordered if nibbles == "high" else (ordered >> 4) | ((ordered & 0x0F) << 4)
                if np.mean(((bcd & 0x0F) <= 9) & ((bcd >> 4) <= 9)) < 0.995:
                    continue
                counts = _join((bcd >> 4) * 10 + (bcd & 0x0F), 100)
                made = value | {"coding": "bcd"} | ({"nibbles": "low"} if nibbles == "low" else {})
                if len(np.unique(counts)) >= 12:
                    yield from _signed(rows, layout, columns, made, counts, 3)
        if (
            2 <= width <= 4
            and not _digitlike(rows, columns)
            and all(_constant(part[:, p] & 0x80) is not None for p in range(width))
        ):
            counts = _join(ordered & 0x7F, 128)
            counts = np.where(counts >> (7 * width - 1), counts - (1 << (7 * width)), counts)
            tops = {_constant(rows[:, place] & 0x80) for place in range(layout.length)}
            if tops == {0, 0x80}:
                yield from _signed(rows, layout, columns, value | {"coding": "sevens"}, counts, 5)


def _join(ordered: NDArray[np.int64], base: int) -> NDArray[np.int64]:
    count = np.zeros(len(ordered), dtype=np.int64)
    for place in range(ordered.shape[1]):
        count = count * base + ordered[:, place]
    return count


def _binary(
    rows: NDArray[np.int64],
    layout: _Layout,
    columns: tuple[int, ...],
    value: dict[str, Any],
    ordered: NDArray[np.int64],
) -> Iterator[_Field]:
    joined = _join(ordered, 256)
    bits = 8 * len(columns)
    for used in (bits, bits - 4):
        mask = (1 << used) - 1
        counts = joined & mask
        masked = {} if used == bits else {"mask": mask}
        twos = np.where(counts >> (used - 1), counts - (1 << used), counts)
        middle = 1 << (used - 1)
        if (
            used == bits
            and float(np.ptp(counts)) < middle / 4
            and abs(int(np.median(counts)) - middle) < middle / 8
        ):
            yield from _signed(rows, layout, columns, value | {"zero": middle}, counts - middle, 2)
            continue
        yield from _signed(rows, layout, columns, value | masked | {"coding": "twos"}, twos, 2)
        yield from _signed(rows, layout, columns, value | masked, counts, 1, must=True)
    high = rows[:, columns[0] if value.get("order") != "little" else columns[-1]]
    for low_bits in range(1, 8):  # a sign bit within the number's highest byte
        mask = (1 << (bits - 8 + low_bits)) - 1
        yield from _with_bits(rows, columns, value | {"mask": mask}, joined & mask, high, low_bits)


def _with_bits(
    rows: NDArray[np.int64],
    columns: tuple[int, ...],
    value: dict[str, Any],
    counts: NDArray[np.int64],
    high: NDArray[np.int64],
    low_bits: int,
) -> Iterator[_Field]:
    place = columns[-1] if value.get("order") == "little" else columns[0]
    bit = 1 << low_bits
    field = _sign_of(counts, high & bit != 0, value, columns, {"at": place, "mask": bit}, 2)
    if field is not None:
        yield field


def _signed(
    rows: NDArray[np.int64],
    layout: _Layout,
    columns: tuple[int, ...],
    value: dict[str, Any],
    counts: NDArray[np.int64],
    prior: int,
    *,
    must: bool = False,
) -> Iterator[_Field]:
    """The number as it is, if it moves smoothly; and with every bit outside of it that may be its sign."""
    rough = roughness(counts)
    if rough > ROUGH_FOLDED:
        return
    found = False
    if int(counts.min()) >= 0:
        for place in layout.moving:
            if place in columns:
                continue
            for shift in _sign_shifts(rows[:, place]):
                bit = rows[:, place] & (1 << shift) != 0
                field = _sign_of(counts, bit, value, columns, {"at": place, "mask": 1 << shift}, prior)
                if field is not None:
                    found = True
                    yield field
    if must or found or rough > SMOOTH:
        return
    motion = motion_of(counts)
    if motion.moves and not is_counter(counts):
        yield _Field(value, columns, counts, motion, prior)


def _sign_shifts(column: NDArray[np.int64]) -> list[int]:
    """Bits of a column that may say the sign: a set bit is minus, but of characters what sets "-" apart from "+"."""
    values = set(np.unique(column).tolist())
    if values in ({0x2B, 0x2D}, {0x20, 0x2D}):
        (plus,) = values - {0x2D}
        return [shift for shift in range(8) if (0x2D & ~plus) >> shift & 1][:1]
    return list(range(8))


def _sign_of(
    counts: NDArray[np.int64],
    bit: NDArray[np.bool_],
    value: dict[str, Any],
    columns: tuple[int, ...],
    sign: dict[str, int],
    prior: int,
) -> _Field | None:
    """The number with this bit as its sign, if the bit changes only while the number passes through zero."""
    flips = np.flatnonzero(bit[1:] != bit[:-1])
    if not len(flips):
        return None
    spread = float(np.ptp(counts))
    near = np.minimum(counts[flips], counts[flips + 1])
    if spread == 0 or float(near.max()) > NEAR_ZERO * spread:
        return None
    signed = np.where(bit, -counts, counts)
    if roughness(signed) > min(SMOOTH, roughness(counts)):
        return None
    motion = motion_of(signed)
    if not motion.moves:
        return None
    return _Field(value, columns, signed, motion, prior + 1, sign)


def _framing(rows: NDArray[np.int64], layout: _Layout) -> dict[str, Any] | None:
    """How the frames are found: their start mark, or bits that never change, and the checksum."""
    table: dict[str, Any] = {"length": layout.length}
    start = bytearray()
    for place in range(layout.length):
        one = layout.constant[place]
        if one is None or (one == 0 and not start):
            break
        start.append(one)
    while start and start[-1] == 0:
        del start[-1]
    highs = [_constant(rows[:, place] & 0xF0) for place in range(layout.length)]
    tops = [_constant(rows[:, place] & 0x80) for place in range(layout.length)]
    known = [one for one in highs if one is not None]
    if len(known) == layout.length and len(set(known)) == layout.length:
        table["marks"] = [{"at": p, "mask": 0xF0, "value": one} for p, one in enumerate(known)]
    elif None not in tops and sum(top == 0x80 for top in tops) == 1 and not (start and len(start) > 1):
        table["marks"] = [{"at": p, "mask": 0x80, "value": one} for p, one in enumerate(tops)]
    elif start:
        table["start"] = bytes(start)
    elif layout.checksum is None:
        marks = [
            {"at": p, "value": one} for p, one in enumerate(layout.constant) if one is not None and one != 0
        ]
        if not marks:
            return None
        table["marks"] = marks
    end = layout.constant[-1]
    if end in (0x03, 0x0A, 0x0D, 0x55, 0x7E) and "start" in table and len(start) < layout.length:
        table["end"] = bytes([end])
    if layout.checksum is not None:
        table["checksum"] = layout.checksum
    return table


def _candidate(
    framing: dict[str, Any],
    layout: _Layout,
    field: _Field,
    travel_mm: float,
    doubts: tuple[str, ...],
    rank: int,
) -> Candidate:
    wider = _widened(field, layout, len(framing.get("start", b"")))
    packed: dict[str, Any] = {"value": wider.value}
    notes = [note_of_scale(travel_mm)]
    if field.sign is not None:
        packed["sign"] = field.sign
    elif int(field.counts.min()) >= 0 or int(field.counts.max()) <= 0:
        notes.append("the numbers never passed through zero, so how the other sign is sent was not seen")
    packed["decimals"] = decimals = decimals_for(field.motion, travel_mm)
    doubts += doubts_of_scale(field.motion, decimals)
    if layout.checksum is not None:
        notes.append(f"every frame's checksum is right ({layout.checksum['kind']})")
    tables: dict[str, object] = {"gauge": {"unit": "mm"}, "framing": framing, "packed": packed}
    return Candidate(tables, tuple(notes), doubts, rank)


def _widened(field: _Field, layout: _Layout, start: int) -> _Field:
    """Give a binary or BCD number the zero bytes above it: they are its own higher bytes, as far as one can tell."""
    value = dict(field.value)
    coding = value.get("coding", "binary")
    if coding not in ("binary", "bcd", "twos", "digits", "ascii") or "mask" in value or "zero" in value:
        return field
    if coding == "twos" and int(field.counts.min()) < 0:
        return field
    little = value.get("order") == "little"
    most = 4 if coding in ("binary", "twos", "bcd") else 8
    while value["width"] < most:
        place = value["at"] + value["width"] if little else value["at"] - 1
        zero = 0x30 if coding == "ascii" else 0
        if not start <= place < layout.length or layout.constant[place] != zero or place in layout.taken:
            break
        value["width"] += 1
        if not little:
            value["at"] -= 1
    return replace(field, value=value)
