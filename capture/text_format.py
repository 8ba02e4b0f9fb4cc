"""Frames of text that a profile file describes by a pattern: named groups value, unit and sign."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from calc.units import Unit
from capture.line import UNIT_TEXTS, Number, checked_number

_VALUE = re.compile(rb"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)").fullmatch

_SIGNS = {b"": "", b"+": "", b"-": "-"}


@dataclass(frozen=True, slots=True)
class TextFormat:
    r"""Reads frames by a pattern.

    >>> read = TextFormat(re.compile(rb"\d\dA(?P<sign>[+-])(?P<value>\d+\.\d+)"))
    >>> read(b"01A-00012.345")
    (Decimal('-12.345'), None)

    Attributes:
        pattern: Matches the whole frame; group ``value``, and ``sign`` and ``unit`` where the frame has them.
            Blanks around what the groups match do not matter.
        units: What ``unit`` may match, lower case, with its meaning; empty or unmatched is no unit.
        decimals: Digits after a point that the frame leaves out, 0 to 9.
    """

    pattern: re.Pattern[bytes]
    units: Mapping[bytes, Unit] | None = None
    decimals: int = 0

    def __call__(self, frame: bytes) -> Number | str:
        """Read one frame: its number, or why it is garbled."""
        match = self.pattern.fullmatch(frame)
        if match is None:
            return "it does not match the profile's pattern"
        groups = match.groupdict(default=b"")
        value = groups["value"].strip()
        sign = _SIGNS.get(groups.get("sign", b"").strip())
        if not _VALUE(value) or sign is None or ("sign" in groups and value[:1] in (b"+", b"-")):
            return "no number where the profile's pattern has one"
        unit_text = groups.get("unit", b"").strip().lower()
        unit = (UNIT_TEXTS if self.units is None else self.units).get(unit_text)
        if unit_text and unit is None:
            return "an unknown unit"
        return checked_number(sign + self._with_point(value.decode().replace(",", ".")), unit)

    def _with_point(self, text: str) -> str:
        if not self.decimals or "." in text:
            return text
        digits = text.lstrip("+-").zfill(self.decimals + 1)
        sign = "-" if text.startswith("-") else ""
        return f"{sign}{digits[: -self.decimals]}.{digits[-self.decimals :]}"
