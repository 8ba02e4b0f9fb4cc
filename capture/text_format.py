"""Frames of text that a profile file describes by a pattern: named groups value, unit, sign and flags."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from calc.units import Unit
from capture.flags import Flag
from capture.line import UNIT_TEXTS, Number, checked_number

_VALUE = re.compile(rb"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)").fullmatch

SIGNS = {b"": "", b"+": "", b"-": "-"}
"""What the group ``sign`` may match where the profile does not say."""


@dataclass(frozen=True, slots=True)
class TextFormat:
    r"""Reads frames by a pattern.

    >>> read = TextFormat(re.compile(rb"\d\dA(?P<sign>[+-])(?P<value>\d+\.\d+)"))
    >>> read(b"01A-00012.345")
    (Decimal('-12.345'), None)

    Attributes:
        pattern: Matches the whole frame; group ``value``, and ``sign``, ``unit``, ``flags`` where the frame
            has them. Blanks around what the groups match do not matter.
        units: What ``unit`` may match, lower case, with its meaning; empty or unmatched is no unit.
        decimals: Digits after a point that the frame leaves out, 0 to 9.
        decimals_in: The same where the frame says inches; None for as many.
        signs: What ``sign`` may match, with "" or "-".
        flags: Which character of what ``flags`` matches is which flag; other characters mean nothing.
    """

    pattern: re.Pattern[bytes]
    units: Mapping[bytes, Unit] | None = None
    decimals: int = 0
    decimals_in: int | None = None
    signs: Mapping[bytes, str] = field(default_factory=lambda: SIGNS)
    flags: Mapping[str, Flag] = field(default_factory=dict)

    def __call__(self, frame: bytes) -> Number | str:
        """Read one frame: its number, or why it is garbled."""
        match = self.pattern.fullmatch(frame)
        if match is None:
            return "it does not match the profile's pattern"
        groups = match.groupdict(default=b"")
        value = groups["value"].strip()
        sign = self.signs.get(groups.get("sign", b"").strip())
        if not _VALUE(value) or sign is None or ("sign" in groups and value[:1] in (b"+", b"-")):
            return "no number where the profile's pattern has one"
        unit_text = groups.get("unit", b"").strip().lower()
        unit = (UNIT_TEXTS if self.units is None else self.units).get(unit_text)
        if unit_text and unit is None:
            return "an unknown unit"
        decimals = self.decimals
        if unit is Unit.INCH and self.decimals_in is not None:
            decimals = self.decimals_in
        return checked_number(sign + _with_point(value.decode().replace(",", "."), decimals), unit)

    def read_flags(self, frame: bytes) -> frozenset[Flag]:
        """The flags of a good frame."""
        match = self.pattern.fullmatch(frame)
        text = b"" if match is None else match.groupdict(default=b"").get("flags", b"")
        return frozenset(self.flags[letter] for letter in text.decode("latin-1") if letter in self.flags)


def _with_point(text: str, decimals: int) -> str:
    if not decimals or "." in text:
        return text
    digits = text.lstrip("+-").zfill(decimals + 1)
    sign = "-" if text.startswith("-") else ""
    return f"{sign}{digits[:-decimals]}.{digits[-decimals:]}"
