"""The serial line of an unknown gauge: parity that shows in the bytes, and its settings as a table."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from capture.profiles import SerialSettings

TEXT = frozenset(b"\t\r\n\x02\x03" + bytes(range(32, 127)))
"""Bytes of text: printable ASCII, tabs, line ends, STX and ETX."""


def without_parity(data: bytes, settings: SerialSettings) -> tuple[bytes, SerialSettings]:
    """Take the parity bit out of text that was sent with seven data bits and read with eight.

    Returns:
        The bytes and the settings as the gauge has them; both as given if it is no such text.
    """
    high = sum(byte > 127 for byte in data)
    if settings.bytesize != 8 or settings.parity != "none" or high < 0.05 * len(data):
        return data, settings
    plain = bytes(byte & 0x7F for byte in data)
    if sum(byte in TEXT for byte in plain) < 0.98 * len(plain):
        return data, settings
    odd = sum(byte.bit_count() & 1 for byte in data)
    if high >= 0.99 * len(data):
        parity = "mark"
    elif odd <= 0.01 * len(data):
        parity = "even"
    elif odd >= 0.99 * len(data):
        parity = "odd"
    else:
        return data, settings
    return plain, replace(settings, bytesize=7, parity=parity)


def serial_table(settings: SerialSettings) -> dict[str, object]:
    """The table ``serial`` of a profile file."""
    table: dict[str, object] = {"baud": settings.baud}
    if settings.bytesize != 8:
        table["bytesize"] = settings.bytesize
    if settings.parity != "none":
        table["parity"] = settings.parity
    if settings.stopbits != 1:
        table["stopbits"] = Decimal(str(settings.stopbits))
    for name in ("rtscts", "xonxoff", "dsrdtr"):
        if getattr(settings, name):
            table[name] = True
    for name in ("dtr", "rts"):
        if getattr(settings, name) is not None:
            table[name] = getattr(settings, name)
    if settings.request:
        table |= {"request": settings.request, "period": Decimal(str(settings.period_s))}
    return table
