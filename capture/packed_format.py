"""Frames whose number is packed in bytes and bits: binary, two's complement, BCD, one digit a byte."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from calc.units import Unit
from capture.flags import Flag
from capture.line import Number, checked_number
from capture.readings import MOST_DECIMALS

WIDEST = 8
"""Most bytes of a number."""

CODINGS = ("binary", "twos", "bcd", "digits", "ascii", "sevens")
"""Unsigned; two's complement; two decimal digits a byte; one decimal digit in the low half of each byte;
one written as a character in each byte; two's complement in the lower seven bits of each byte."""


@dataclass(frozen=True, slots=True)
class Bits:
    """Some bits of one byte.

    Attributes:
        at: Which byte, from 0.
        mask: Which bits, 1 to 255.
    """

    at: int
    mask: int

    def read(self, frame: bytes) -> int:
        """The bits as a number, moved down to bit 0."""
        return (frame[self.at] & self.mask) >> _low_bit(self.mask)


@dataclass(frozen=True, slots=True)
class Packed:
    """Where a number stands and how it is coded.

    Attributes:
        at: Its first byte, from 0.
        width: How many bytes, 1 to 8.
        order: "big": the first byte weighs most; "little": it weighs least.
        nibbles: Which half of a byte weighs more: "high", or "low" where they are swapped.
        coding: One of ``CODINGS``.
        mask: Which bits of all its bytes, after they were put in order, belong to it; 0 for all.
        zero: What is taken away from a binary number: the count that means 0.
    """

    at: int
    width: int
    order: Literal["big", "little"] = "big"
    nibbles: Literal["high", "low"] = "high"
    coding: str = "binary"
    mask: int = 0
    zero: int = 0

    def read(self, frame: bytes) -> int | None:
        """The count; None where a digit is above 9."""
        raw = frame[self.at : self.at + self.width]
        if self.coding in _BYTEWISE:
            count = _BYTEWISE[self.coding](raw if self.order == "big" else raw[::-1])
            return None if count is None else count - self.zero
        if self.nibbles == "low":
            raw = bytes((byte >> 4) | ((byte & 0x0F) << 4) for byte in raw)
        count = int.from_bytes(raw, self.order)
        bits = 8 * self.width
        if self.mask:
            low = _low_bit(self.mask)
            count = (count & self.mask) >> low
            bits = self.mask.bit_length() - low
        if self.coding == "bcd":
            text = f"{count:x}"
            return int(text) if text.isdecimal() else None
        if self.coding == "twos" and count >> (bits - 1):
            count -= 1 << bits
        return count - self.zero


@dataclass(frozen=True, slots=True)
class PackedFormat:
    r"""Reads frames by their fields.

    >>> read = PackedFormat(Packed(1, 2, coding="bcd"), sign=Bits(3, 0x80), scale={Unit.MM: Decimal("0.01")})
    >>> read(b"\xaa\x12\x34\x80")
    (Decimal('-12.34'), None)

    Attributes:
        value: The number.
        sign: Bits that say the sign; None where the coding has it or there is none.
        minus: What the sign's bits are in a negative number.
        scale: How much one count is, in each unit; the frame's unit if it says one, else millimetres' row.
        point: Bits that say how many digits stand after the point; they come on top of the scale.
        unit: Bits that say the unit.
        units: What the unit's bits mean.
        error: Bits that are not 0 where the gauge has no reading.
        flags: Bits that are not 0 where a flag holds.
    """

    value: Packed
    sign: Bits | None = None
    minus: int = 1
    scale: Mapping[Unit, Decimal] = field(default_factory=lambda: {Unit.MM: Decimal(1)})
    point: Bits | None = None
    unit: Bits | None = None
    units: Mapping[int, Unit] = field(default_factory=lambda: {0: Unit.MM, 1: Unit.INCH})
    error: Bits | None = None
    flags: Mapping[Flag, Bits] = field(default_factory=dict)

    def __call__(self, frame: bytes) -> Number | str:
        """Read one frame: its number, or why it is garbled."""
        if len(frame) < self.least_bytes:
            return f"{len(frame)} bytes are fewer than the {self.least_bytes} that the profile reads"
        if self.error is not None and self.error.read(frame):
            return "the gauge says that it has no reading"
        count = self.value.read(frame)
        if count is None:
            return "a digit above 9"
        if self.sign is not None and self.sign.read(frame) == self.minus:
            count = -count
        unit = None
        if self.unit is not None:
            unit = self.units.get(self.unit.read(frame))
            if unit is None:
                return "an unknown unit"
        value = count * (self.scale.get(unit or Unit.MM) or self.scale[Unit.MM])
        if self.point is not None:
            digits = self.point.read(frame)
            if digits > MOST_DECIMALS:
                return f"more than {MOST_DECIMALS} digits after the point"
            value = value.scaleb(-digits)
        return checked_number(f"{value:f}", unit)

    @property
    def least_bytes(self) -> int:
        """How many bytes a frame needs to hold every field."""
        bits = (self.sign, self.point, self.unit, self.error, *self.flags.values())
        return max([self.value.at + self.value.width, *(one.at + 1 for one in bits if one is not None)])

    def read_flags(self, frame: bytes) -> frozenset[Flag]:
        """The flags of a good frame."""
        return frozenset(flag for flag, bits in self.flags.items() if bits.read(frame))


def _low_bit(mask: int) -> int:
    return (mask & -mask).bit_length() - 1


def _digits(raw: bytes) -> int | None:
    count = 0
    for byte in raw:
        digit = byte & 0x0F
        if digit > 9:
            return None
        count = count * 10 + digit
    return count


def _ascii(raw: bytes) -> int | None:
    return int(raw) if raw.isdigit() else None


def _sevens(raw: bytes) -> int | None:
    count = 0
    for byte in raw:
        count = (count << 7) | (byte & 0x7F)
    return count - (1 << (7 * len(raw))) if raw[0] & 0x40 else count


_BYTEWISE = {"digits": _digits, "ascii": _ascii, "sevens": _sevens}
