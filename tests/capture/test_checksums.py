"""Every kind of checksum against published check values, and where a frame has it."""

from __future__ import annotations

import pytest

from capture.checksums import KINDS, Checksum

# "Check" values of the catalogue of parametrised CRC algorithms (CRC-8/SMBUS, CRC-16/MODBUS, CRC-16/IBM-3740,
# CRC-16/XMODEM) for the nine characters 123456789 [from memory]; the sums by hand: 0x31 + ... + 0x39 = 0x1DD.
NINE = b"123456789"
CHECKS = {
    "xor": 0x31,
    "sum8": 0xDD,
    "sum8-twos": 0x23,
    "sum8-ones": 0x22,
    "crc8": 0xF4,
    "sum16": 0x01DD,
    "crc16-modbus": 0x4B37,
    "crc16-ccitt": 0x29B1,
    "crc16-xmodem": 0x31C3,
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_published_value(kind: str) -> None:
    size = KINDS[kind][0]
    for order in ("big", "little"):
        said = CHECKS[kind].to_bytes(size, "big" if order == "big" else "little")
        checksum = Checksum(kind, order="big" if order == "big" else "little")
        assert checksum.good(NINE + said)
        assert not checksum.good(NINE + bytes([said[0] ^ 1, *said[1:]]))
        assert not checksum.good(b"123456788" + said)
        assert checksum.write(NINE + bytes(size)) == said


def test_a_modbus_request_as_every_manual_has_it() -> None:
    # read two holding registers of device 1 from address 0: 01 03 00 00 00 02 C4 0B [from memory]
    assert Checksum("crc16-modbus", order="little").good(bytes.fromhex("010300000002C40B"))


def test_hexadecimal_digits_in_either_case() -> None:
    checksum = Checksum("xor", first=1, stop=-3, form="hex")
    assert checksum.size == 2
    assert checksum.good(b"$123456789*31")
    assert Checksum("crc16-ccitt", form="hex").good(b"12345678929b1")
    assert Checksum("crc16-ccitt", form="hex").good(b"12345678929B1")
    assert not checksum.good(b"$123456789*3G")
    assert checksum.write(b"$123456789*00") == b"31"


def test_where_it_stands_and_what_it_covers() -> None:
    in_the_middle = Checksum("sum8", first=1, at=-2, stop=3)
    assert in_the_middle.good(b"\xaa\x01\x02\xff\x03\x0d")
    assert not in_the_middle.good(b"\xaa\x01\x02\xff\x04\x0d")
    assert Checksum("xor", at=0, first=1, stop=3).good(b"\x03\x01\x02")
    assert Checksum("xor").place(5) == 4


@pytest.mark.parametrize("frame", [b"", b"\x00", b"\x00\x00"])
def test_a_frame_too_short_for_it_is_wrong(frame: bytes) -> None:
    assert not Checksum("crc16-modbus", at=-4).good(frame)
    assert not Checksum("xor", at=7).good(frame)
