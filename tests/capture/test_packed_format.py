"""Packed fields: every coding in both byte orders, signs, points, units, flags, and what is too short or no
digit."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.flags import Flag
from capture.packed_format import Bits, Packed, PackedFormat

MILLI = {Unit.MM: Decimal("0.001")}


@pytest.mark.parametrize(
    ("field", "frame", "count"),
    [
        (Packed(0, 2), "04d2", 1234),
        (Packed(0, 2, order="little"), "d204", 1234),
        (Packed(1, 3, coding="twos"), "aafffb2e", -1234),
        (Packed(0, 4, order="little", coding="twos"), "2efbffff", -1234),
        (Packed(0, 2, coding="twos"), "8000", -32768),
        (Packed(0, 2, coding="twos", mask=0x0FFF), "5fff", -1),
        (Packed(0, 2, coding="twos", mask=0x0FFF), "57ff", 2047),
        (Packed(0, 3, mask=0x0FFFF0), "a04d2b", 0x04D2),
        (Packed(0, 2, zero=0x8000), "84d2", 1234),
        (Packed(0, 2, coding="bcd"), "1234", 1234),
        (Packed(0, 2, coding="bcd", order="little"), "3412", 1234),
        (Packed(0, 2, coding="bcd", nibbles="low"), "2143", 1234),
        (Packed(0, 2, coding="bcd", nibbles="low", order="little"), "4321", 1234),
        (Packed(0, 3, coding="bcd", mask=0x0FFFF0), "f1234f", 1234),
        (Packed(0, 2, coding="bcd"), "123a", None),
        (Packed(0, 4, coding="digits"), "01020304", 1234),
        (Packed(0, 4, coding="digits"), "51627384", 1234),  # the upper half does not matter
        (Packed(0, 4, coding="digits", order="little"), "04030201", 1234),
        (Packed(0, 2, coding="digits"), "010a", None),
        (Packed(0, 4, coding="ascii"), "31323334", 1234),
        (Packed(0, 4, coding="ascii", order="little"), "34333231", 1234),
        (Packed(0, 4, coding="ascii"), "31323341", None),
        (Packed(0, 3, coding="sevens"), "800952", 1234),
        (Packed(0, 3, coding="sevens", order="little"), "520980", 1234),
        (Packed(0, 3, coding="sevens"), "ff7f7f", -1),
    ],
)
def test_a_field(field: Packed, frame: str, count: int | None) -> None:
    assert field.read(bytes.fromhex(frame)) == count


@given(
    count=st.integers(-(2**31), 2**31 - 1),
    order=st.sampled_from(["big", "little"]),
    before=st.binary(max_size=3),
)
def test_what_is_packed_is_read_again(count: int, order: Literal["big", "little"], before: bytes) -> None:
    frame = before + count.to_bytes(4, order, signed=True)
    assert Packed(len(before), 4, order=order, coding="twos").read(frame) == count


def test_the_sign_has_bits_of_its_own() -> None:
    read = PackedFormat(Packed(0, 1), sign=Bits(1, 0x80), scale=MILLI)
    assert read(b"\x05\x80") == (Decimal("-0.005"), None)
    assert read(b"\x05\x7f") == (Decimal("0.005"), None)
    eight = PackedFormat(Packed(0, 1), sign=Bits(1, 0x0F), minus=8, scale=MILLI)
    assert eight(b"\x05\xf8") == (Decimal("-0.005"), None)
    assert eight(b"\x05\x81") == (Decimal("0.005"), None)


def test_the_unit_chooses_the_scale() -> None:
    both = {Unit.MM: Decimal("0.01"), Unit.INCH: Decimal("0.0005")}
    read = PackedFormat(Packed(0, 1), unit=Bits(1, 0x30), units={0: Unit.MM, 2: Unit.INCH}, scale=both)
    assert read(b"\x05\x00") == (Decimal("0.05"), Unit.MM)
    assert read(b"\x05\x20") == (Decimal("0.0025"), Unit.INCH)
    assert read(b"\x05\x10") == "an unknown unit"


def test_the_point_may_stand_in_the_frame() -> None:
    read = PackedFormat(Packed(0, 2), point=Bits(2, 0x0F))
    assert read(b"\x04\xd2\x03") == (Decimal("1.234"), None)
    assert read(b"\x04\xd2\x00") == (Decimal(1234), None)
    assert read(b"\x04\xd2\x0a") == "more than 9 digits after the point"


def test_what_gives_no_number() -> None:
    read = PackedFormat(Packed(0, 2, coding="bcd"), error=Bits(2, 0x40), scale=MILLI)
    assert read(b"\x12\x34\x00") == (Decimal("1.234"), None)
    assert read(b"\x12\x34\x40") == "the gauge says that it has no reading"
    assert read(b"\x12\x3f\x00") == "a digit above 9"
    assert read(b"\x12\x34") == "2 bytes are fewer than the 3 that the profile reads"
    assert read(b"") == "0 bytes are fewer than the 3 that the profile reads"
    assert PackedFormat(Packed(0, 4))(b"\x7f\xff\xff\xff") == "larger than any indicator's range (10000)"


def test_flags() -> None:
    read = PackedFormat(Packed(0, 1), flags={Flag.HOLD: Bits(1, 2), Flag.LOW_BATTERY: Bits(1, 4)})
    assert read.read_flags(b"\x00\x00") == frozenset()
    assert read.read_flags(b"\x00\x02") == {Flag.HOLD}
    assert read.read_flags(b"\x00\xff") == {Flag.HOLD, Flag.LOW_BATTERY}
