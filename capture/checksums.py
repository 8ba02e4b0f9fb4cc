"""Checksums of frames: a table of kinds, and where in a frame the sum stands and what it covers."""

from __future__ import annotations

import binascii
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal


def _crc_table(bits: int, polynomial: int, *, reflected: bool) -> tuple[int, ...]:
    """One entry for each byte: a CRC's remainder, by the textbook shift register."""
    top, full = 1 << (bits - 1), (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte if reflected else byte << (bits - 8)
        for _ in range(8):
            if reflected:
                value = (value >> 1) ^ (polynomial if value & 1 else 0)
            else:
                value = ((value << 1) & full) ^ (polynomial if value & top else 0)
        table.append(value)
    return tuple(table)


_CRC8 = _crc_table(8, 0x07, reflected=False)
_MODBUS = _crc_table(16, 0xA001, reflected=True)


def _crc8(data: bytes) -> int:
    return reduce(lambda value, byte: _CRC8[value ^ byte], data, 0)


def _modbus(data: bytes) -> int:
    return reduce(lambda value, byte: (value >> 8) ^ _MODBUS[(value ^ byte) & 0xFF], data, 0xFFFF)


KINDS: dict[str, tuple[int, Callable[[bytes], int], str]] = {
    "xor": (1, lambda data: reduce(xor, data, 0), "exclusive or of all bytes"),
    "sum8": (1, lambda data: sum(data) & 0xFF, "sum of all bytes modulo 256"),
    "sum8-twos": (1, lambda data: -sum(data) & 0xFF, "makes the sum 0 modulo 256 (two's complement)"),
    "sum8-ones": (1, lambda data: ~sum(data) & 0xFF, "the sum with all bits turned (one's complement)"),
    "crc8": (1, _crc8, "polynomial 0x07, begun with 0"),
    "sum16": (2, lambda data: sum(data) & 0xFFFF, "sum of all bytes modulo 65536"),
    "crc16-modbus": (2, _modbus, "polynomial 0x8005 reflected, begun with 0xFFFF"),
    "crc16-ccitt": (2, lambda data: binascii.crc_hqx(data, 0xFFFF), "polynomial 0x1021, begun with 0xFFFF"),
    "crc16-xmodem": (2, lambda data: binascii.crc_hqx(data, 0), "polynomial 0x1021, begun with 0"),
}
"""Every kind by name: its size in bytes, its sum over the covered bytes, and what it is."""


@dataclass(frozen=True, slots=True)
class Checksum:
    r"""Where the sum stands in a frame, and what it covers.

    Positions are counted from the frame's first byte, from 0; negative ones from its end, from -1.

    >>> Checksum("xor", first=1).good(b"\x02\x31\x32\x03")
    True

    Attributes:
        kind: One of ``KINDS``.
        first: First byte that it covers.
        at: Its own first byte; None where it is the end of the frame.
        stop: The byte after the last that it covers; None where that is the sum itself.
        form: "binary", or "hex" where each byte is written as two hexadecimal digits.
        order: Byte order of a sum of two bytes.
    """

    kind: str
    first: int = 0
    at: int | None = None
    stop: int | None = None
    form: Literal["binary", "hex"] = "binary"
    order: Literal["big", "little"] = "big"

    @property
    def size(self) -> int:
        """How many bytes of the frame the sum takes."""
        return KINDS[self.kind][0] * (2 if self.form == "hex" else 1)

    def place(self, length: int) -> int:
        """Where the sum stands in a frame of so many bytes; less than 0 where the frame is too short."""
        at = -self.size if self.at is None else self.at
        return at if at >= 0 else length + at

    def good(self, frame: bytes) -> bool:
        """Tell whether the frame's sum is right; a frame too short to hold it is wrong."""
        place = self.place(len(frame))
        said = frame[max(place, 0) : max(place, 0) + self.size]
        if place < 0 or len(said) < self.size:
            return False
        if self.form == "hex":
            try:
                said = binascii.unhexlify(said)
            except binascii.Error:
                return False
        covered = frame[self.first : place if self.stop is None else self.stop]
        return KINDS[self.kind][1](covered) == int.from_bytes(said, self.order)

    def write(self, frame: bytes) -> bytes:
        """The sum of a frame whose place for it is filled with anything."""
        covered = frame[self.first : self.place(len(frame)) if self.stop is None else self.stop]
        value = KINDS[self.kind][1](covered).to_bytes(KINDS[self.kind][0], self.order)
        return value.hex().upper().encode() if self.form == "hex" else value
