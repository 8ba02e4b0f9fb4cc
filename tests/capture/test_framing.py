"""Lines are cut the same however the bytes arrive, and garbage is one event."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.framing import MOST_FRAME_BYTES, BadFrame, Framer

CASES: list[tuple[bytes, list[bytes]]] = [
    (b"+0.123\r\n", [b"+0.123"]),
    (b"+0.123\r", [b"+0.123"]),
    (b"+0.123\n", [b"+0.123"]),
    (b"a\rb\nc\r\nd\n\re", [b"a", b"b", b"c", b"d"]),
    (b"\r\n\r\n\n\r", []),
    (b"no end", []),
    (b"", []),
    (b" \r\n", [b" "]),
    (b"\x0b\x0c\x1c\x85\r\n", [b"\x0b\x0c\x1c\x85"]),  # no line ends, though Unicode text would be cut here
    (b"\x00\xff\r", [b"\x00\xff"]),
    (b"x" * 128 + b"\r", [b"x" * 128]),
]


def feed_all(chunks: list[bytes]) -> list[bytes | BadFrame]:
    framer = Framer()
    return [frame for chunk in chunks for frame in framer.feed(chunk)]


@pytest.mark.parametrize(("data", "frames"), CASES)
def test_whole(data: bytes, frames: list[bytes]) -> None:
    assert feed_all([data]) == frames


@pytest.mark.parametrize(("data", "frames"), CASES)
def test_byte_by_byte(data: bytes, frames: list[bytes]) -> None:
    assert feed_all([bytes([byte]) for byte in data]) == frames


@pytest.mark.parametrize(("data", "frames"), CASES)
def test_with_trailing_bytes(data: bytes, frames: list[bytes]) -> None:
    assert feed_all([data, b"\n+0.5"])[: len(frames)] == frames
    assert feed_all([data + b"\r\n+0.5\r"])[-1] == b"+0.5"


def test_a_carriage_return_and_its_line_feed_may_come_apart() -> None:
    assert feed_all([b"+0.1\r", b"\n+0.2\r", b"\n"]) == [b"+0.1", b"+0.2"]


def test_one_byte_more_than_the_longest_frame_is_garbled() -> None:
    assert feed_all([b"y" * 129 + b"\r+0.1\r"]) == [
        BadFrame(b"y" * 64, "no end of line within 128 bytes"),
        b"+0.1",
    ]


def test_a_megabyte_of_garbage_is_one_event_and_the_stream_is_found_again() -> None:
    garbage = bytes(range(14, 256)) * 4300
    frames = feed_all([garbage, garbage, b"tail\r\n+0.1\r\n"])
    assert [type(frame) for frame in frames] == [BadFrame, bytes]
    assert frames[1] == b"+0.1"


def test_garbage_is_given_up_at_once_and_not_gathered() -> None:
    framer = Framer()
    assert len(framer.feed(b"z" * 129)) == 1
    for _ in range(1000):
        assert framer.feed(b"z" * 1000) == []
    assert framer._rest == b""


def test_after_a_resync_the_rest_of_the_line_is_dropped() -> None:
    framer = Framer()
    assert framer.feed(b"+0.1") == []
    framer.resync()
    assert framer.feed(b"5\r\n+0.2\r\n") == [b"+0.2"]


def test_the_cap_can_be_set_and_must_hold_a_byte() -> None:
    assert Framer(3).feed(b"abc\rabcd\rab\r") == [
        b"abc",
        BadFrame(b"abcd", "no end of line within 3 bytes"),
        b"ab",
    ]
    with pytest.raises(ValueError, match="1 or more"):
        Framer(0)


bytes_of_lines = st.lists(
    st.one_of(
        st.sampled_from([b"\r", b"\n", b"\r\n", b"+0.123", b"\x00", b"x" * 127]), st.binary(max_size=150)
    ),
    max_size=12,
).map(b"".join)


@given(data=bytes_of_lines, cuts=st.lists(st.integers(0, 1500), max_size=20))
def test_any_cutting_gives_the_same_frames(data: bytes, cuts: list[int]) -> None:
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    chunks = [data[a:b] for a, b in pairwise(places)]
    whole = feed_all([data])
    assert feed_all(chunks) == whole
    assert feed_all([bytes([byte]) for byte in data]) == whole
    assert all(0 < len(frame) <= MOST_FRAME_BYTES for frame in whole if isinstance(frame, bytes))
