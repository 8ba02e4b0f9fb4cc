"""The presentation format descriptor: byte vectors, exact lengths, and what is refused."""

from __future__ import annotations

import struct
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.decoder import Decoder
from capture.described import Described, GaugeFacts
from capture.presentation import (
    DESCRIPTOR_UUID,
    PROFILE_NAME,
    Presentation,
    PresentationError,
    presentation_of,
    profile_of,
)
from capture.profiles import LINE
from capture.readings import Chunk, Garbled, Overrun, Reading, UnitMissing

MICROMETRES = "10 FA 01 27 01 00 00"  # s32, metre with exponent -6
TENTHS_OF_A_THOU = "10 FC A2 27 01 00 00"  # s32, inch with exponent -4


def described(text: str) -> Presentation:
    found = presentation_of(bytes.fromhex(text))
    assert found is not None
    return found


def frame(value: int, size: int = 4) -> bytes:
    return value.to_bytes(size, "little", signed=value < 0)


@pytest.mark.parametrize(
    ("descriptor", "data", "value", "unit"),
    [
        # Source: made from the layout in the Bluetooth Core Specification, volume 3, part G, 3.3.3.5, and the
        # format and unit numbers of the Bluetooth Assigned Numbers.
        (MICROMETRES, "36 01 00 00", "0.310", Unit.MM),
        (MICROMETRES, "CA FE FF FF", "-0.310", Unit.MM),
        (MICROMETRES, "00 00 00 00", "0.000", Unit.MM),
        (TENTHS_OF_A_THOU, "7A 00 00 00", "0.0122", Unit.INCH),
        (TENTHS_OF_A_THOU, "86 FF FF FF", "-0.0122", Unit.INCH),
        ("04 FD 01 27 01 00 00", "0C", "12", Unit.MM),  # u8, millimetres
        ("06 FB 01 27 01 00 00", "1F 00", "0.31", Unit.MM),  # u16, hundredths
        ("06 FB 01 27 01 00 00", "FF FF", "655.35", Unit.MM),
        ("07 FA 01 27 01 00 00", "7F 96 98", "9999.999", Unit.MM),  # u24
        ("08 F9 01 27 01 00 00", "01 00 00 00", "0.0001", Unit.MM),  # u32, tenths of a micrometre
        ("0C FA 01 27 01 00 00", "FF", "-0.001", Unit.MM),  # s8
        ("0E FA 01 27 01 00 00", "00 80", "-32.768", Unit.MM),  # s16
        ("0F FA 01 27 01 00 00", "00 00 80", "-8388.608", Unit.MM),  # s24
        ("12 F4 01 27 01 00 00", "01 00 00 00 00 00 00 00", "0.000000001", Unit.MM),  # s64, nine digits
        ("10 00 01 27 01 00 00", "02 00 00 00", "2000", Unit.MM),  # whole metres
        ("10 FA 01 27 00 00 00", "36 01 00 00", "0.310", Unit.MM),  # the name space says nothing of the value
        ("10 FD 00 27 01 00 00", "36 01 00 00", "0.310", None),  # unitless: somebody else says the unit
    ],
)
def test_whole_numbers_are_exact(descriptor: str, data: str, value: str, unit: Unit | None) -> None:
    found = described(descriptor).parse(bytes.fromhex(data))
    assert not isinstance(found, str)
    assert (format(found[0], "f"), found[1]) == (value, unit)  # to the last digit, none added and none lost


def test_the_specification_s_own_example() -> None:
    # Source: Bluetooth Core Specification, volume 3, part G, 3.3.3.5.3: exponent -3 with 3892 is 3.892
    found = described("06 FD 00 27 01 00 00").parse(frame(3892, 2))
    assert found == (Decimal("3.892"), None)


@pytest.mark.parametrize(
    ("descriptor", "data", "value"),
    [
        ("14 00 01 27 01 00 00", struct.pack("<f", 0.00031), "0.310"),
        ("14 00 A2 27 01 00 00", struct.pack("<f", -0.0122), "-0.0122"),
        ("14 FA 01 27 01 00 00", struct.pack("<f", 0.00031), "0.310"),  # a float heeds no exponent
        ("15 00 01 27 01 00 00", struct.pack("<d", 0.1e-3 + 0.2e-3), "0.300"),
        ("15 00 01 27 01 00 00", struct.pack("<d", 0.025123), "25.123"),
        ("14 00 01 27 01 00 00", struct.pack("<f", 0.0), "0"),
        # medical floats: mantissa times ten to the exponent, 12 + 4 and 24 + 8 bits
        ("16 00 01 27 01 00 00", bytes.fromhex("1F B0"), "0.31"),  # 31e-5 m
        ("17 00 01 27 01 00 00", bytes.fromhex("36 01 00 FA"), "0.310"),  # 310e-6 m
        ("17 00 A2 27 01 00 00", bytes.fromhex("86 FF FF FC"), "-0.0122"),  # -122e-4 in
    ],
)
def test_floats_give_the_number_that_was_meant(descriptor: str, data: bytes, value: str) -> None:
    found = described(descriptor).parse(data)
    assert not isinstance(found, str)
    assert found[0] == Decimal(value)


@pytest.mark.parametrize(
    ("descriptor", "data", "why"),
    [
        (MICROMETRES, b"", "0 bytes where 4 were described"),
        (MICROMETRES, b"\0\0\0", "3 bytes where 4 were described"),
        (MICROMETRES, b"\0\0\0\0\0", "5 bytes where 4 were described"),
        (MICROMETRES, b"\xff\xff\xff\x7f", "larger than any indicator's range (10000)"),
        ("10 7F 01 27 01 00 00", b"\1\0\0\0", "larger than any indicator's range (10000)"),
        ("14 00 01 27 01 00 00", struct.pack("<f", float("nan")), "not a number"),
        ("15 00 01 27 01 00 00", struct.pack("<d", float("inf")), "not a number"),
        ("14 00 01 27 01 00 00", struct.pack("<f", 1e30), "larger than any indicator's range (10000)"),
        # NaN, not at this resolution, both infinities, reserved. Source: IEEE 11073-20601, from memory
        *[("16 00 01 27 01 00 00", frame(code, 2), "not a number") for code in range(0x07FE, 0x0803)],
        *[("17 00 01 27 01 00 00", frame(code), "not a number") for code in range(0x7FFFFE, 0x800003)],
    ],
)
def test_what_is_no_number_says_why(descriptor: str, data: bytes, why: str) -> None:
    assert described(descriptor).parse(data) == why


@pytest.mark.parametrize("kind", ["19", "1A", "1B"])
def test_text_and_structures_leave_it_to_a_profile(kind: str) -> None:
    assert presentation_of(bytes.fromhex(f"{kind} 00 00 27 01 00 00")) is None


@pytest.mark.parametrize(
    ("descriptor", "why"),
    [
        ("", "(empty) has 0 bytes, not 7"),
        ("10 FA 01 27 01 00", "has 6 bytes, not 7"),
        ("01 00 01 27 01 00 00", "has the format 0x01, which is no number known here"),  # boolean
        ("FF 00 01 27 01 00 00", "has the format 0xFF"),
        ("10 FA 2F 27 01 00 00", "has the unit 0x272F, which is neither metre nor inch"),  # degree Celsius
        ("10 FA 41 27 01 00 00", "has the unit 0x2741"),  # newton metre
        ("10 F3 01 27 01 00 00", "has the exponent -13: more than 9 digits after the point"),
        ("10 F6 A2 27 01 00 00", "has the exponent -10"),
    ],
)
def test_a_descriptor_of_no_length_is_refused(descriptor: str, why: str) -> None:
    with pytest.raises(PresentationError) as caught:
        presentation_of(bytes.fromhex(descriptor))
    assert why in str(caught.value)
    assert caught.value.descriptor == bytes.fromhex(descriptor)


@given(st.binary(min_size=7, max_size=7), st.binary(max_size=9))
def test_no_bytes_raise_anything_else(descriptor: bytes, data: bytes) -> None:
    try:
        found = presentation_of(descriptor)
    except PresentationError:
        return
    if found is not None:
        assert str(found)
        number = found.parse(data)
        assert isinstance(number, str) or abs(number[0]) <= 10_000


@given(st.integers(-(10**7), 10**7))
def test_every_micrometre_count_comes_back(count: int) -> None:
    number = described(MICROMETRES).parse(struct.pack("<i", count))
    assert number == (Decimal(count).scaleb(-3), Unit.MM)


@given(st.floats(-10, 10, width=32))
def test_a_float_is_never_off_by_more_than_its_own_rounding(metres: float) -> None:
    number = described("14 00 01 27 01 00 00").parse(struct.pack("<f", metres))
    assert not isinstance(number, str)
    # half a step of the last digit kept, and what nine digits leave of a float
    assert abs(number[0] - Decimal(metres) * 1000) <= Decimal("0.0000005") + abs(Decimal(metres)) / 10**4


# the decoder that is told


def said(descriptor: str) -> Described:
    return Described(GaugeFacts("DI-12"), profile_of(described(descriptor)), 0.0)


def test_what_the_gauge_says_comes_before_any_profile() -> None:
    decoder = Decoder(LINE, joined_midway=True)
    told = said(MICROMETRES)
    assert decoder.feed(told) == [told]
    assert decoder.profile.name == PROFILE_NAME
    assert decoder.feed(Chunk(frame(310), 1.0)) == [Reading(Decimal("0.310"), Unit.MM, 1.0)]
    assert decoder.feed(Overrun(3, 2.0)) == [Overrun(3, 2.0)]
    assert decoder.feed(Chunk(frame(311), 2.0)) == [Reading(Decimal("0.311"), Unit.MM, 2.0)]
    (garbled,) = decoder.feed(Chunk(b"\1", 3.0))
    assert isinstance(garbled, Garbled)
    assert (decoder.good, decoder.garbled) == (2, 1)


def test_a_gauge_that_leaves_it_open_is_read_by_the_profile() -> None:
    decoder = Decoder(LINE, Unit.MM)
    decoder.feed(Described(GaugeFacts(), None, 0.0))
    assert decoder.profile is LINE
    assert decoder.feed(Chunk(b"0.310\r\n", 1.0)) == [Reading(Decimal("0.310"), Unit.MM, 1.0)]


def test_a_unitless_number_takes_the_unit_that_was_said() -> None:
    decoder = Decoder(LINE, Unit.INCH)
    decoder.feed(said("10 FC 00 27 01 00 00"))
    assert decoder.feed(Chunk(frame(122), 1.0)) == [Reading(Decimal("0.0122"), Unit.INCH, 1.0)]
    silent = Decoder(LINE)
    silent.feed(said("10 FC 00 27 01 00 00"))
    (missing,) = silent.feed(Chunk(frame(122), 1.0))
    assert isinstance(missing, UnitMissing)


def test_packets_that_nothing_reads_suggest_what_a_bluetooth_link_can_change() -> None:
    decoder = Decoder(LINE, Unit.MM)
    decoder.feed(Described(GaugeFacts(), None, 0.0))
    decoder.feed(Chunk(b"\x80\x81\x82\x83\n" * 20, 1.0))
    wrong = decoder.looks_wrong()
    assert wrong is not None
    assert "another ?characteristic= in the link" in wrong
    assert "baud" not in wrong


def test_facts_in_words() -> None:
    full = GaugeFacts("DI-12", "Larkfield", "DI-12", "0042", "1.3", 87)
    assert str(full) == (
        "gauge DI-12, Larkfield, model DI-12, serial number 0042, firmware 1.3, battery 87 %"
    )
    assert "battery 15 % (low: charge or change it soon)" in str(GaugeFacts(battery_percent=15))
    assert str(said(MICROMETRES)) == ("gauge DI-12; it says itself how to read it: s32, steps of 0.001 mm")
    assert str(said(TENTHS_OF_A_THOU)).endswith("s32, steps of 0.0001 in")
    assert str(described("14 00 01 27 01 00 00")) == "float32, mm"
    assert str(described("10 FD 00 27 01 00 00")) == "s32, steps of 0.001 of no unit"


def test_the_descriptor_s_number() -> None:
    assert DESCRIPTOR_UUID.startswith("00002904-")
