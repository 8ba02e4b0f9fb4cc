"""Frames cut by marks, by length or by an end of their own: whole, byte by byte, and found again after
garbage."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.checksums import Checksum
from capture.framing import BadFrame
from capture.packets import (
    WRONG_CHECKSUM,
    Framing,
    LineFraming,
    Mark,
    MarkedFraming,
    SizedFraming,
    finish_of,
    may_lack_beginning,
    one_alone,
)

STX_ETX = MarkedFraming(b"\x03", b"\x02")
STX_ETX_XOR = MarkedFraming(b"\x03", b"\x02", trailer=1, checksum=Checksum("xor", first=1))
INSIDE = MarkedFraming(b"\r\n", b"$", checksum=Checksum("xor", first=1, at=-4, stop=-5, form="hex"))
SEMICOLON = MarkedFraming(b";", most_bytes=16)
TWO_ENDS = MarkedFraming(b"<>", most_bytes=16)
CHECKED_LINE = LineFraming(checksum=Checksum("sum8", form="hex"))
FIXED = SizedFraming(b"\xaa", 4, checksum=Checksum("xor"))
BARE = SizedFraming(b"\xaa", 4, confirm=True)
MARKED_BITS = SizedFraming(length=2, marks=(Mark(0, 0x80, 0x80), Mark(1, 0x80, 0)), most_bytes=8)
BY_BYTE = SizedFraming(b"\x55", length_at=1, length_add=2, checksum=Checksum("sum8"), most_bytes=10)
ALL: dict[str, Framing] = {
    "stx etx": STX_ETX,
    "stx etx xor": STX_ETX_XOR,
    "checksum inside": INSIDE,
    "semicolon": SEMICOLON,
    "two ends": TWO_ENDS,
    "checked line": CHECKED_LINE,
    "fixed": FIXED,
    "bare": BARE,
    "marked bits": MARKED_BITS,
    "length byte": BY_BYTE,
}


def bad(data: bytes, why: str = "bytes that belong to no frame") -> BadFrame:
    return BadFrame(data, why)


CASES: list[tuple[Framing, bytes, list[bytes | BadFrame]]] = [
    (STX_ETX, b"\x02+0.1\x03\x02+0.2\x03", [b"+0.1", b"+0.2"]),
    (STX_ETX, b"0.1\x03\x02+0.2\x03\r\n\x02-1\x03", [bad(b"0.1\x03"), b"+0.2", bad(b"\r\n"), b"-1"]),
    (STX_ETX, b"\x02+0.\x02+0.2\x03", [bad(b"\x02+0."), b"+0.2"]),  # the first was cut off
    (STX_ETX, b"\x02\x03", [b""]),
    (STX_ETX_XOR, b"\x02A\x03\x42\x02B\x03\x41", [b"A", b"B"]),
    (STX_ETX_XOR, b"\x02\x01\x03\x02\x02B\x03\x41", [b"\x01", b"B"]),  # a checksum that is a start mark
    (
        STX_ETX_XOR,
        b"\x02A\x03\x42\x02B\x03\x40\x02B\x03\x41",
        [b"A", bad(b"\x02B\x03\x40", WRONG_CHECKSUM), b"B"],
    ),
    (INSIDE, b"$AB*03\r\n$A*42\r\n", [b"AB*"]),
    (SEMICOLON, b"+0.1;+0.2;;+0", [b"+0.1", b"+0.2"]),
    (SEMICOLON, b"x" * 17 + b";+0.1;", [BadFrame(b"x" * 17, "no end of frame within 16 bytes"), b"+0.1"]),
    (SEMICOLON, b"x" * 500 + b";+0.1;", [BadFrame(b"x" * 17, "no end of frame within 16 bytes"), b"+0.1"]),
    (TWO_ENDS, b"a<b<>c<>", [b"a<b", b"c"]),
    (TWO_ENDS, b"x" * 16 + b"<>", [b"x" * 16]),
    (TWO_ENDS, b"x" * 99 + b"<>a<>", [BadFrame(b"x" * 17, "no end of frame within 16 bytes"), b"a"]),
    (CHECKED_LINE, b"AB83\r\nAB84\nAB83\r", [b"AB", bad(b"AB84", WRONG_CHECKSUM), b"AB"]),
    (FIXED, b"\xaa\x01\x02\xa9\xaa\xaa\x02\x02", [b"\xaa\x01\x02\xa9", b"\xaa\xaa\x02\x02"]),
    (
        FIXED,
        b"\x01\xaa\x01\x02\xa9\xaa\x01\x02\xa8\xaa\x01\x02\xa9",
        [bad(b"\x01"), b"\xaa\x01\x02\xa9", bad(b"\xaa\x01\x02\xa8", WRONG_CHECKSUM), b"\xaa\x01\x02\xa9"],
    ),
    (
        BARE,
        b"\x01\xaa\x02\x03\xaa\x01\x02\x03\xaa\x01\x02\x03\xaa",
        [bad(b"\x01\xaa\x02\x03"), b"\xaa\x01\x02\x03", b"\xaa\x01\x02\x03"],
    ),
    (MARKED_BITS, b"\x01\x80\x01\x81\x02", [bad(b"\x01"), b"\x80\x01", b"\x81\x02"]),
    (BY_BYTE, b"\x55\x01\x56\x55\x02\x07\x5e", [b"\x55\x01\x56", b"\x55\x02\x07\x5e"]),
    (BY_BYTE, b"\x55\xf0\x55\x01\x56", [bad(b"\x55\xf0"), b"\x55\x01\x56"]),  # a length beyond the cap
]  # fmt: skip


def feed_all(framing: Framing, chunks: list[bytes]) -> list[bytes | BadFrame]:
    framer = framing.framer()
    return [frame for chunk in chunks for frame in framer.feed(chunk)]


@pytest.mark.parametrize(("framing", "data", "frames"), CASES)
def test_whole_and_byte_by_byte(framing: Framing, data: bytes, frames: list[bytes | BadFrame]) -> None:
    assert feed_all(framing, [data]) == frames
    assert feed_all(framing, [bytes([byte]) for byte in data]) == frames
    assert feed_all(framing, [data, b"\x00more"])[: len(frames)] == frames


PIECES = st.sampled_from(
    [bytes([byte]) for byte in b"\x02\x03\xaa\x55;<>\r\n$*"]
    + [b"+0.123", b"\x00" * 20, b"\x02A\x03\x42", b"$AB*03\r\n"]
    + [b"AB83\r", b"\xaa\x01\x02\xa9", b"\x80\x01", b"\x55\x01\x56"]
)
STREAMS = st.lists(st.one_of(PIECES, st.binary(max_size=20)), max_size=14).map(b"".join)


@pytest.mark.parametrize("name", ALL)
@settings(max_examples=30)
@given(data=STREAMS, cuts=st.lists(st.integers(0, 300), max_size=12))
def test_any_cutting_gives_the_same_frames(name: str, data: bytes, cuts: list[int]) -> None:
    framing = ALL[name]
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    whole = feed_all(framing, [data])
    assert feed_all(framing, [data[a:b] for a, b in pairwise(places)]) == whole
    assert feed_all(framing, [bytes([byte]) for byte in data]) == whole


@pytest.mark.parametrize("name", ALL)
@settings(max_examples=30)
@given(data=STREAMS)
def test_the_stream_is_found_again_after_anything(name: str, data: bytes) -> None:
    good = {
        "stx etx": b"\x02A\x03",
        "stx etx xor": b"\x02A\x03\x42",
        "checksum inside": b"$AB*03\r\n",
        "semicolon": b"A;",
        "two ends": b"A<>",
        "checked line": b"AB83\r",
        "fixed": b"\xaa\x01\x02\xa9",
        "bare": b"\xaa\x01\x02\x03",
        "marked bits": b"\x80\x01",
        "length byte": b"\x55\x01\x56",
    }[name]
    framing = ALL[name]
    expected = feed_all(framing, [good * 3])[0]
    assert isinstance(expected, bytes)
    found = feed_all(framing, [data, good * 40])
    assert found[-5:] == [expected] * 5


@pytest.mark.parametrize("name", ALL)
def test_a_flood_is_one_event_and_nothing_is_gathered(name: str) -> None:
    framer = ALL[name].framer()
    events = [frame for _ in range(500) for frame in framer.feed(b"\xf5" * 1000)]
    if name != "marked bits":
        assert len(events) == 1
        assert isinstance(events[0], BadFrame)
        assert len(events[0].data) <= 64
    inner: Any = getattr(framer, "_lines", framer)
    assert len(inner._rest) < 300


@pytest.mark.parametrize("name", ALL)
def test_after_a_resync_a_part_is_not_joined_to_what_follows(name: str) -> None:
    framer = ALL[name].framer()
    framer.feed(b"\x02+0.1")
    framer.resync()
    found = framer.feed(b"5\x03\r\n;<>\x02")
    assert not any(isinstance(frame, bytes) and b"+0.1" in frame for frame in found)


def test_what_kind_of_framing_it_is() -> None:
    assert finish_of(LineFraming()) == b"\r\n"
    assert finish_of(SEMICOLON) == b";"
    assert finish_of(STX_ETX) == finish_of(FIXED) == b""
    lacking = [name for name, framing in ALL.items() if may_lack_beginning(framing)]
    assert lacking == ["semicolon", "two ends"]
    assert may_lack_beginning(LineFraming())
    assert feed_all(one_alone(BARE), [b"\xaa\x01\x02\x03"]) == [b"\xaa\x01\x02\x03"]
    assert feed_all(BARE, [b"\xaa\x01\x02\x03"]) == []
