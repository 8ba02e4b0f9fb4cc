"""Candidates for gauges that send text: where lines end, which number moves, what stands around it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from capture.candidate import Candidate, decimals_for, doubts_of_scale, note_of_scale
from capture.checksums import Checksum
from capture.framing import BadFrame
from capture.identify_checksum import find_checksum
from capture.packets import LineFraming, MarkedFraming
from capture.smoothness import Motion, counts_of, is_counter, motion_of, roughness

LEAST_FRAMES = 8

MOST_DIGITS = 12
"""A number of more characters is no indicator's."""

_POINT = re.compile(rb"[+-]? *(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)")
_COMMA = re.compile(rb"[+-]? *(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)")
_UNIT = re.compile(r"(?<![A-Za-z])(?:mm|inch|in)(?![A-Za-z])|\"", re.IGNORECASE)
_PRINTABLE = frozenset(b"\t" + bytes(range(32, 127)))

Literals = tuple[bytes, ...]


def text_candidates(data: bytes, travel_mm: float) -> list[Candidate]:
    """Profiles that may read the bytes as text; none if they are not text.

    Args:
        data: What came.
        travel_mm: How far the plunger was moved, about, millimetres.
    """
    digits = sum(byte in b"0123456789" for byte in data)
    if digits < 0.1 * len(data):
        return []
    found: list[Candidate] = []
    for framing, frames in _cuts(data):
        plain = sum(byte in _PRINTABLE for frame in frames for byte in frame)
        if plain < 0.97 * sum(map(len, frames)):
            continue
        for number in (_POINT, _COMMA):
            found += _by_template(framing, frames, number, travel_mm)
    return found


def is_lines_of_text(data: bytes) -> bool:
    """Whether it is text in lines, so that there is nothing packed in it."""
    plain = sum(byte in _PRINTABLE or byte in b"\r\n" for byte in data)
    return plain >= 0.99 * len(data) and len(_frames(LineFraming().framer().feed(data))) >= LEAST_FRAMES


def _cuts(data: bytes) -> Iterator[tuple[dict[str, object], list[bytes]]]:
    """Every way to cut the bytes that gives enough frames: the table of the framing, and the frames."""
    lines = _frames(LineFraming().framer().feed(data))
    if len(lines) >= LEAST_FRAMES:
        yield from _with_checksum({}, lines)
    counts = Counter(data)
    if counts[2] >= LEAST_FRAMES and counts[3] >= LEAST_FRAMES:
        trailer = _trailer(data)
        whole = _frames(MarkedFraming(b"\x03", b"\x02", trailer).framer().feed(data))
        if len(whole) >= LEAST_FRAMES:
            table: dict[str, object] = {"start": "\x02", "end": "\x03"}
            if trailer:
                table["trailer"] = trailer
                sums = _marked_checksum(data, trailer)
                if sums:
                    table["checksum"] = sums
            yield table, whole
    if len(lines) >= LEAST_FRAMES:
        return
    for byte, count in counts.most_common(12):
        if byte in b"0123456789+-., " or count < LEAST_FRAMES:
            continue
        ended = _frames(MarkedFraming(bytes([byte])).framer().feed(data))
        if len(ended) >= LEAST_FRAMES:
            yield from _with_checksum({"end": bytes([byte])}, ended)


def _frames(cut: Sequence[bytes | BadFrame]) -> list[bytes]:
    """The whole frames, without the first, which may lack its beginning."""
    return [frame for frame in cut if isinstance(frame, bytes)][1:]


def _trailer(data: bytes) -> int:
    """How many bytes stand between ETX and the next STX, other than line ends."""
    between = Counter(
        len(match[1].strip(b"\r\n"))
        for match in re.finditer(rb"\x03([^\x02]{0,4}|\x02{1})\x02", data, re.DOTALL)
    )
    return between.most_common(1)[0][0] if between else 0


def _marked_checksum(data: bytes, trailer: int) -> dict[str, object] | None:
    whole = re.findall(rb"\x02[^\x02\x03]*\x03" + rb"[\x00-\xff]" * trailer, data)
    return find_checksum(whole, tails=[("binary", trailer), ("hex", trailer // 2)], stops=(None,))


def _with_checksum(
    framing: dict[str, object], frames: list[bytes]
) -> Iterator[tuple[dict[str, object], list[bytes]]]:
    found = find_checksum(frames, tails=[("hex", 1), ("hex", 2)], stops=(None, -3, -5))
    if found is None:
        yield framing, frames
        return
    checksum = Checksum(**found)
    good = [frame[: checksum.place(len(frame))] for frame in frames if checksum.good(frame)]
    yield framing | {"checksum": found}, good


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame taken apart: what stands between its numbers, and the numbers."""

    literals: Literals
    numbers: tuple[bytes, ...]


def _taken_apart(frame: bytes, number: re.Pattern[bytes]) -> _Frame:
    literals, numbers, last = [], [], 0
    for match in number.finditer(frame):
        literals.append(frame[last : match.start()].strip(b" \t"))
        numbers.append(match[0])
        last = match.end()
    literals.append(frame[last:].strip(b" \t"))
    return _Frame(tuple(literals), tuple(numbers))


def _by_template(
    framing: dict[str, object], frames: Sequence[bytes], number: re.Pattern[bytes], travel_mm: float
) -> list[Candidate]:
    apart = [_taken_apart(frame, number) for frame in frames]
    templates = Counter(one.literals for one in apart)
    common = [literals for literals, count in templates.most_common(8) if count >= 0.02 * len(apart)]
    if not common or not common[0][1:]:
        return []
    first = common[0]
    alike = [one for one in common if len(one) == len(first)]
    differ = [place for place in range(len(first)) if len({one[place] for one in alike}) > 1]
    if len(differ) > 2:
        alike, differ = [first], []
    rows = [one for one in apart if one.literals in alike]
    if len(rows) < LEAST_FRAMES:
        return []
    moving = _moving(rows, differ, number is _COMMA)
    made = []
    for rank, slot in enumerate(moving[:3]):
        rivals = [
            other
            for other in moving
            if other is not slot and other.motion.distinct > 0.3 * slot.motion.distinct
        ]
        doubts = ("more than one number moves in each frame",) if rivals else ()
        made.append(_candidate(framing, alike, slot, rows, travel_mm=travel_mm, doubts=doubts, rank=rank))
    return made


@dataclass(frozen=True, slots=True)
class _Slot:
    """A number of the frame that moves."""

    place: int
    motion: Motion
    decimals: int
    comma: bool
    sign_at: int | None
    minus: bytes
    plus: tuple[bytes, ...]


def _moving(rows: Sequence[_Frame], differ: Sequence[int], comma: bool) -> list[_Slot]:
    """The numbers that move, the one with most different values first; one with a point comes first."""
    found = []
    for place in range(len(rows[0].numbers)):
        texts = [row.numbers[place].replace(b" ", b"").replace(b",", b".") for row in rows]
        pointed = sum(b"." in text for text in texts)
        if max(map(len, texts)) > MOST_DIGITS or 0 < pointed < len(texts) or (comma and not pointed):
            continue
        counts, decimals = counts_of([Decimal(text.decode()) for text in texts])
        if is_counter(counts):
            continue
        sign_at, minus, plus = _sign_literal(rows, differ, counts)
        if sign_at is not None:
            counts = [
                -n if row.literals[sign_at] == minus else n for n, row in zip(counts, rows, strict=True)
            ]
        motion = motion_of(counts)
        if motion.moves:
            found.append(_Slot(place, motion, decimals, comma, sign_at, minus, plus))
    return sorted(found, key=lambda slot: (slot.decimals > 0, slot.motion.distinct), reverse=True)


def _sign_literal(
    rows: Sequence[_Frame], differ: Sequence[int], counts: Sequence[int]
) -> tuple[int | None, bytes, tuple[bytes, ...]]:
    """Where a text beside the number says its sign: one that changes only while the number is near zero."""
    numbers = np.asarray(counts, dtype=np.float64)
    if float(numbers.min()) < 0:
        return None, b"", ()
    spread = float(np.ptp(numbers))
    for place in differ:
        kinds = sorted({row.literals[place] for row in rows})
        if len(kinds) != 2:
            continue
        said = np.asarray([row.literals[place] == kinds[0] for row in rows])
        flips = np.flatnonzero(said[1:] != said[:-1])
        near = np.minimum(numbers[flips], numbers[flips + 1])
        if not len(flips) or float(near.max()) > 0.35 * spread:
            continue
        for minus, plus in (kinds, kinds[::-1]):
            if b"-" in plus or minus in (b"", b"+", b"P", b"p"):
                continue
            if b"-" in minus or minus.upper() in (b"N", b"M") or plus in (b"", b"P", b"p"):
                signed = np.where(said == (minus == kinds[0]), -numbers, numbers)
                if roughness(signed) < 0.8:
                    return place, minus, (plus,)
    return None, b"", ()


def _candidate(
    framing: dict[str, object],
    alike: Sequence[Literals],
    slot: _Slot,
    rows: Sequence[_Frame],
    *,
    travel_mm: float,
    doubts: tuple[str, ...],
    rank: int,
) -> Candidate:
    has_unit = False
    pattern = ""
    text: dict[str, object] = {}
    for place in range(len(alike[0])):
        variants = sorted({literals[place] for literals in alike}, key=len, reverse=True)
        if place == slot.sign_at:
            piece = f"(?P<sign>{'|'.join(re.escape(v.decode('latin-1')) for v in variants if v)})"
            piece += "?" if b"" in variants else ""
        else:
            piece, unit_here = _literal(variants, has_unit)
            has_unit = has_unit or unit_here
        pattern += f"[ \\t]*{piece}[ \\t]*" if piece else "[ \\t]*"
        if place == slot.place:
            point = "," if slot.comma else "[.]"
            digits = f"[0-9]*{point}[0-9]+" if slot.decimals else "[0-9]+"
            sign = "" if slot.sign_at is not None else "(?P<sign>[+-]?)[ ]*"
            pattern += f"{sign}(?P<value>{digits})"
        elif place < len(alike[0]) - 1:
            constant = {row.numbers[place] for row in rows}
            pattern += (
                re.escape(constant.pop().decode("latin-1"))
                if len(constant) == 1
                else "[+-]?[ ]*[0-9]*[.,]?[0-9]+"
            )
    text["pattern"] = pattern.replace("[ \\t]*[ \\t]*", "[ \\t]*")
    if slot.sign_at is not None and (slot.minus != b"-" or slot.plus[0] not in (b"", b"+")):
        text["signs"] = {slot.minus.decode("latin-1"): "-", slot.plus[0].decode("latin-1"): "+"}
    notes: tuple[str, ...] = ()
    if not slot.decimals:
        decimals = decimals_for(slot.motion, travel_mm)
        text["decimals"] = decimals
        doubts += doubts_of_scale(slot.motion, decimals)
        notes = (note_of_scale(travel_mm),)
    tables: dict[str, object] = {"framing": framing} if framing else {}
    tables["text"] = text
    return Candidate(tables, notes, doubts, rank)


def _literal(variants: Sequence[bytes], has_unit: bool) -> tuple[str, bool]:
    """A pattern for what stands between numbers, with the unit as a group where it is said."""
    texts = [variant.decode("latin-1") for variant in variants]
    if not has_unit and any(_UNIT.search(text) for text in texts):
        with_unit = next(text for text in texts if _UNIT.search(text))
        match = _UNIT.search(with_unit)
        if match is not None:
            before, after = with_unit[: match.start()], with_unit[match.end() :]
            group = '(?P<unit>[Mm][Mm]|[Ii][Nn](?:[Cc][Hh])?|")'
            group += "" if all(_UNIT.search(text) for text in texts) else "?"
            return f"{_escaped(before)}{group}{_escaped(after)}", True
    if len(texts) == 1:
        return _escaped(texts[0]), False
    return "(?:" + "|".join(map(_escaped, texts)) + ")", False


def _escaped(text: str) -> str:
    return re.sub(r"(\\ |\\\t)+", lambda _: "[ \\t]+", re.escape(text))
