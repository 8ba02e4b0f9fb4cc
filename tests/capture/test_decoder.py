"""From chunks to readings: any cutting gives the same events, and every trouble is named."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.decoder import Decoded, Decoder
from capture.profiles import LINE, Profile
from capture.readings import Chunk, Garbled, Gauge, Overrun, Reading, UnitChanged, UnitMissing


def mm(text: str, at: float = 0.0) -> Reading:
    return Reading(Decimal(text), Unit.MM, at)


def feed(decoder: Decoder, *pieces: bytes) -> list[Decoded]:
    return [event for piece in pieces for event in decoder.feed(Chunk(piece, 0.0))]


pieces = st.one_of(
    st.sampled_from(
        [b"+0.123\r\n", b"0,5 mm\r", b"0.01 in\n", b"ERR\r\n", b"x" * 200, b"\r\n", b"D1 0.5\r\n", b"\x00"]
    ),
    st.binary(max_size=20),
)


@given(
    data=st.lists(pieces, max_size=15).map(b"".join),
    cuts=st.lists(st.integers(0, 800), max_size=12),
    unit=st.sampled_from([None, Unit.MM, Unit.INCH]),
    midway=st.booleans(),
)
def test_any_cutting_gives_the_same_events(
    data: bytes, cuts: list[int], unit: Unit | None, midway: bool
) -> None:
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    chunks = [data[a:b] for a, b in pairwise(places)]
    whole = feed(Decoder(LINE, unit, joined_midway=midway), data)
    assert feed(Decoder(LINE, unit, joined_midway=midway), *chunks) == whole
    assert feed(Decoder(LINE, unit, joined_midway=midway), *(bytes([byte]) for byte in data)) == whole


def test_each_event_has_the_time_of_the_bytes_that_completed_it() -> None:
    decoder = Decoder(LINE, Unit.MM)
    assert decoder.feed(Chunk(b"+0.1", 1.0)) == []
    assert decoder.feed(Chunk(b"23\r\n+0.12", 2.0)) == [mm("0.123", 2.0)]
    assert decoder.feed(Chunk(b"4\r\n", 3.0)) == [mm("0.124", 3.0)]
    assert decoder.good == 2


def test_a_changed_unit_is_an_event_before_the_first_reading_in_it() -> None:
    events = feed(Decoder(LINE), b"0.5mm\r0.6mm\r0.02in\r0.5mm\r")
    assert [type(event) for event in events] == [Reading, Reading, UnitChanged, Reading, UnitChanged, Reading]
    assert events[2] == UnitChanged(Unit.MM, Unit.INCH, 0.0)
    assert events[3] == Reading(Decimal("0.02"), Unit.INCH, 0.0)


def test_the_first_unit_is_no_change_even_where_another_was_expected() -> None:
    assert feed(Decoder(LINE, Unit.MM), b"0.02in\r") == [Reading(Decimal("0.02"), Unit.INCH, 0.0)]


def test_a_gauge_that_marks_only_inches_is_followed_with_a_default_unit() -> None:
    events = feed(Decoder(LINE, Unit.MM), b"0.5\r0.02in\r0.5\r")
    assert [type(event) for event in events] == [Reading, UnitChanged, Reading, UnitChanged, Reading]


def test_a_missing_unit_is_told_once_and_counted() -> None:
    decoder = Decoder(LINE)
    assert feed(decoder, b"0.5\r0.6\r0.7\r") == [UnitMissing("0.5", 0.0)]
    assert (decoder.unit_missing, decoder.good, decoder.garbled) == (3, 0, 0)
    assert decoder.looks_wrong(99.0) is None  # numbers do come


def test_the_profiles_unit_stands_in_for_a_missing_one() -> None:
    profile = Profile(name="x", parse=LINE.parse, gauge=Gauge(unit=Unit.INCH))
    assert feed(Decoder(profile), b"0.5\r") == [Reading(Decimal("0.5"), Unit.INCH, 0.0)]


def test_after_an_overrun_the_line_under_way_is_dropped() -> None:
    decoder = Decoder(LINE, Unit.MM)
    assert feed(decoder, b"+0.1") == []
    assert decoder.feed(Overrun(3, 1.0)) == [Overrun(3, 1.0)]
    # without the resync this would be the false reading 0.15
    assert feed(decoder, b"5\r\n+0.2\r\n") == [mm("0.2")]


def test_the_garbled_keep_their_first_bytes_only() -> None:
    decoder = Decoder(LINE, Unit.MM)
    events = feed(decoder, b"z" * 100 + b"\r" + b"y" * 1000 + b"\r")
    assert events == [
        Garbled(b"z" * 64, "no number in it", 0.0),
        Garbled(b"y" * 64, "no end of line within 128 bytes", 0.0),
    ]
    assert decoder.garbled == 2


@pytest.mark.parametrize(
    ("first", "second", "kept"),
    [
        (b"345", b"+12.346", False),
        (b".345", b"+12.346", False),
        (b"12.345", b"+12.346", False),
        (b"+12.345", b"+12.346", True),
        (b"-0.001", b"+0.001", True),
        (b"10.000", b"9.999", True),
        (b"0.5 mm", b"0.51", True),
    ],
)
def test_a_first_line_that_lacks_its_beginning_is_no_reading(first: bytes, second: bytes, kept: bool) -> None:
    decoder = Decoder(LINE, Unit.MM, joined_midway=True)
    assert decoder.feed(Chunk(first + b"\r\n", 1.0)) == []
    events = decoder.feed(Chunk(second + b"\r\n", 2.0))
    assert [event.at for event in events] == [1.0, 2.0]
    assert isinstance(events[0], Reading if kept else Garbled)
    assert isinstance(events[1], Reading)
    assert isinstance(feed(decoder, b"7\r\n")[0], Reading)  # only the first line is looked at


def test_joined_midway_in_garbage() -> None:
    events = feed(Decoder(LINE, Unit.MM, joined_midway=True), b"z" * 200, b"\r+0.5\r")
    assert [type(event) for event in events] == [Garbled, Reading]


# what is set wrong


def test_nothing_looks_wrong_before_enough_has_come() -> None:
    decoder = Decoder(LINE, Unit.MM)
    assert decoder.looks_wrong(99.0) is None  # silence is not garbage
    decoder.feed(Chunk(b"\xff" * 63, 10.0))
    assert decoder.looks_wrong() is None
    assert decoder.looks_wrong(11.9) is None
    assert decoder.looks_wrong(12.0) is not None


def test_sixty_four_bytes_of_garbage_look_wrong_at_once() -> None:
    decoder = Decoder(LINE, Unit.MM)
    decoder.feed(Chunk(b"\xff\x83" * 32, 10.0))
    wrong = decoder.looks_wrong(10.0)
    assert wrong is not None
    assert wrong.startswith("64 bytes came but no number: wrong baud rate? Try ?baud=4800, 9600, 19200")


def test_one_reading_clears_the_suspicion() -> None:
    decoder = Decoder(LINE, Unit.MM)
    decoder.feed(Chunk(b"\xff\x83" * 100 + b"\r", 10.0))
    assert decoder.looks_wrong() is not None
    decoder.feed(Chunk(b"+0.5\r", 10.0))
    assert decoder.looks_wrong() is None


def test_text_in_another_format_is_a_matter_of_the_profile() -> None:
    decoder = Decoder(LINE, Unit.MM)
    decoder.feed(Chunk(b"01A+00123.45\r" * 8, 10.0))
    wrong = decoder.looks_wrong()
    assert wrong is not None
    assert '"01A+00123.45"' in wrong
    assert '"line"' in wrong
    assert "baud" not in wrong
