"""Numbers that a Bluetooth characteristic describes itself, by its presentation format descriptor (0x2904).

The descriptor says how the bytes of a value are a number, by which power of ten it is to be multiplied, and
in which unit it is. No unit is the millimetre: a gauge says metre with exponent -3 to -6, or inch. A whole
number times a power of ten is decimal already, so nothing is rounded.

Source: Bluetooth Core Specification, volume 3, part G, 3.3.3.5 (the descriptor); Bluetooth Assigned Numbers,
format types and units; IEEE 11073-20601 (the medical floats). From memory: formats u24, u48, u64, s48, s64.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from calc.units import Unit
from capture.errors import CaptureError
from capture.framing import BadFrame
from capture.line import Number
from capture.profiles import Profile
from capture.readings import MOST_DECIMALS, MOST_VALUE, Gauge, decimals_of

DESCRIPTOR_UUID = "00002904-0000-1000-8000-00805f9b34fb"
"""The descriptor's UUID, in full."""

PROFILE_NAME = "self-described"
"""Name of the profile that such a characteristic brings along."""

FLOAT_DECIMALS = {Unit.MM: 6, Unit.INCH: 7}
"""A binary float has no last digit of its own: it is rounded to so many digits after the point."""

_WHOLE: dict[int, tuple[str, int, bool]] = {
    0x04: ("u8", 1, False),
    0x06: ("u16", 2, False),
    0x07: ("u24", 3, False),
    0x08: ("u32", 4, False),
    0x09: ("u48", 6, False),
    0x0A: ("u64", 8, False),
    0x0C: ("s8", 1, True),
    0x0E: ("s16", 2, True),
    0x0F: ("s24", 3, True),
    0x10: ("s32", 4, True),
    0x11: ("s48", 6, True),
    0x12: ("s64", 8, True),
}
"""Whole numbers: what they are called, their bytes, and whether they have a sign (two's complement)."""

_FLOATS: dict[int, tuple[str, int]] = {
    0x14: ("float32", 4),
    0x15: ("float64", 8),
    0x16: ("medical float16", 2),
    0x17: ("medical float32", 4),
}

_NO_NUMBER = {0x19: "UTF-8 text", 0x1A: "UTF-16 text", 0x1B: "a structure"}
"""Formats that say nothing of how to read a number: a profile is needed as if there were no descriptor."""

_LENGTHS: dict[int, tuple[Unit | None, int]] = {
    0x2700: (None, 0),  # unitless: somebody else says the unit
    0x2701: (Unit.MM, 3),  # metre
    0x27A2: (Unit.INCH, 0),
}
"""Units that can be a gauge's: ours, and the power of ten from theirs to ours."""


class PresentationError(CaptureError):
    """A presentation format descriptor that no length can be read by.

    Attributes:
        descriptor: Its bytes.
        why: What is wrong with it, for a person.
    """

    def __init__(self, descriptor: bytes, why: str) -> None:
        super().__init__(f"its presentation format {descriptor.hex(' ').upper() or '(empty)'} {why}")
        self.descriptor = descriptor
        self.why = why


@dataclass(frozen=True, slots=True)
class Presentation:
    """How the bytes of a value are a length.

    Attributes:
        format: Number of the format.
        exponent: Power of ten, in the descriptor's unit; whole numbers alone heed it.
        unit: Millimetres for a descriptor in metres, inches, or None where it is unitless.
        shift: Power of ten from the descriptor's unit to ``unit``.
    """

    format: int
    exponent: int
    unit: Unit | None
    shift: int

    def __str__(self) -> str:
        name = (_WHOLE.get(self.format) or _FLOATS[self.format])[0]
        unit = self.unit or "of no unit"
        if self.format not in _WHOLE:
            return f"{name}, {unit}"
        return f"{name}, steps of {_plain(Decimal(1).scaleb(self.exponent + self.shift)):f} {unit}"

    def parse(self, frame: bytes) -> Number | str:
        """Read one value.

        Args:
            frame: The bytes of one notification.

        Returns:
            The number with its unit, or why it is garbled.
        """
        size = (_WHOLE.get(self.format) or _FLOATS[self.format])[1]
        if len(frame) != size:
            return f"{len(frame)} bytes where {size} were described"
        if self.format in _WHOLE:
            raw = int.from_bytes(frame, "little", signed=_WHOLE[self.format][2])
            value = _plain(Decimal(raw).scaleb(self.exponent + self.shift))
        else:
            decoded = _READ_FLOAT[self.format](frame)
            if decoded is None:
                return "not a number"
            value = self._rounded(decoded.scaleb(self.shift))
        if abs(value) > MOST_VALUE:
            return f"larger than any indicator's range ({MOST_VALUE})"
        return value, self.unit

    def _rounded(self, value: Decimal) -> Decimal:
        decimals = FLOAT_DECIMALS[self.unit or Unit.MM]
        if decimals_of(value) > decimals and abs(value) <= MOST_VALUE:
            value = value.quantize(Decimal(1).scaleb(-decimals))
        return _plain(value)


def presentation_of(descriptor: bytes) -> Presentation | None:
    """Read the descriptor of a characteristic.

    >>> str(presentation_of(bytes.fromhex("10 FA 01 27 01 00 00")))
    's32, steps of 0.001 mm'

    Args:
        descriptor: Its seven bytes: format, exponent (signed), unit, name space, description; little-endian.

    Returns:
        How to read the values; None for text and structures, of which it does not say how they are a number.

    Raises:
        PresentationError: If it is no descriptor, or what it describes is no length.
    """
    if len(descriptor) != 7:
        raise PresentationError(descriptor, f"has {len(descriptor)} bytes, not 7")
    kind, exponent, unit_code = struct.unpack_from("<BbH", descriptor)
    if kind in _NO_NUMBER:
        return None
    if kind not in _WHOLE and kind not in _FLOATS:
        raise PresentationError(descriptor, f"has the format 0x{kind:02X}, which is no number known here")
    if unit_code not in _LENGTHS:
        raise PresentationError(
            descriptor, f"has the unit 0x{unit_code:04X}, which is neither metre nor inch"
        )
    unit, shift = _LENGTHS[unit_code]
    if kind in _WHOLE and exponent + shift < -MOST_DECIMALS:
        raise PresentationError(
            descriptor, f"has the exponent {exponent}: more than {MOST_DECIMALS} digits after the point"
        )
    return Presentation(kind, exponent, unit, shift)


def profile_of(presentation: Presentation) -> Profile:
    """Make the profile that reads notifications as their characteristic describes them."""
    return Profile(
        name=PROFILE_NAME,
        title=str(presentation),
        parse=presentation.parse,
        gauge=Gauge(unit=presentation.unit),
        framing=PacketFraming(),
    )


@dataclass(frozen=True, slots=True)
class PacketFraming:
    """Each notification is one frame."""

    def framer(self) -> PacketFramer:
        """Give a new framer of this kind."""
        return PacketFramer()


class PacketFramer:
    """Takes each chunk as one frame; there is none under way that could be lost."""

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Give the chunk as it is."""
        return [data]

    def resync(self) -> None:
        """Do nothing: the next chunk is whole."""


def _plain(value: Decimal) -> Decimal:
    """A whole number with all its digits written out: 1E+3 is 1000."""
    exponent = value.as_tuple().exponent
    if not isinstance(exponent, int) or exponent <= 0:
        return value
    try:
        return value.quantize(Decimal(1))
    except InvalidOperation:  # far beyond every range, and refused as such
        return value


def _float32(frame: bytes) -> Decimal | None:
    (value,) = struct.unpack("<f", frame)
    if value - value != 0:
        return None
    texts = (
        f"{value:.{digits}g}" for digits in range(6, 10)
    )  # nine digits always lead back to the same float
    return Decimal(next(text for text in texts if struct.pack("<f", float(text)) == frame))


def _float64(frame: bytes) -> Decimal | None:
    (value,) = struct.unpack("<d", frame)
    return None if value - value != 0 else Decimal(repr(value))


def _medical(frame: bytes) -> Decimal | None:
    """A whole mantissa times a power of ten; five mantissas at the far end are no numbers."""
    raw = int.from_bytes(frame, "little")
    bits = 12 if len(frame) == 2 else 24
    mantissa, exponent = raw & ((1 << bits) - 1), raw >> bits
    if abs(mantissa - (1 << (bits - 1))) <= 2:
        return None
    if mantissa >= 1 << (bits - 1):
        mantissa -= 1 << bits
    most = 1 << (len(frame) * 8 - bits)
    if exponent >= most // 2:
        exponent -= most
    return Decimal(mantissa).scaleb(exponent)


_READ_FLOAT: dict[int, Callable[[bytes], Decimal | None]] = {
    0x14: _float32,
    0x15: _float64,
    0x16: _medical,
    0x17: _medical,
}
