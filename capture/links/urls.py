"""Link URLs, ``scheme:place?option=value&option=value``, read with errors that say what to write."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from urllib.parse import unquote

from calc.units import UnitsError, parse_length
from capture.errors import LinkUsage

_YES_NO = {
    "1": True,
    "on": True,
    "yes": True,
    "true": True,
    "0": False,
    "off": False,
    "no": False,
    "false": False,
}


@dataclass(frozen=True, slots=True)
class LinkUrl:
    """A link's URL in its parts.

    Attributes:
        text: As given.
        scheme: Before the first colon, lower case.
        place: Between the colon and the question mark: a port, a file, an address.
        options: What follows the question mark, percent signs decoded.
    """

    text: str
    scheme: str
    place: str
    options: Mapping[str, str] = field(default_factory=dict)

    def refuse_unknown(self, known: Iterable[str]) -> None:
        """Hold the options to those that the link knows.

        Raises:
            LinkUsage: If there is another; it lists the known ones.
        """
        names = sorted(known)
        for option in self.options:
            if option not in names:
                raise LinkUsage(self.text, f'unknown option "{option}"; known are {", ".join(names)}')

    def number(self, option: str, default: float, least: float, most: float) -> float:
        """Give an option's number from ``least`` to ``most``, or the default where not given."""
        text = self.options.get(option)
        if text is None:
            return default
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise LinkUsage(self.text, f'{option}="{text}" is no number from {least:g} to {most:g}')
        return value

    def whole(self, option: str, default: int, least: int, most: int) -> int:
        """Give an option's whole number from ``least`` to ``most``, or the default where not given."""
        text = self.options.get(option)
        if text is None:
            return default
        if not (text.removeprefix("-").isdecimal() and len(text) <= 18 and least <= int(text) <= most):
            raise LinkUsage(self.text, f'{option}="{text}" is no whole number from {least} to {most}')
        return int(text)

    def length(self, option: str, default: Decimal, least: Decimal, most: Decimal) -> Decimal:
        """Give an option's length in exact millimetres; it is written with its unit, such as ``0.31mm``."""
        text = self.options.get(option)
        if text is None:
            return default
        try:
            value = parse_length(text)
        except UnitsError as error:
            raise LinkUsage(self.text, f"{option}: {error}") from error
        if not least <= value <= most:
            raise LinkUsage(self.text, f"{option}={text} is outside {least} to {most} mm")
        return value

    def flag(self, option: str) -> bool | None:
        """Give an option that is on or off; None where it is not given."""
        text = self.options.get(option)
        if text is None:
            return None
        try:
            return _YES_NO[text.lower()]
        except KeyError:
            raise LinkUsage(self.text, f'{option}="{text}" must be on or off') from None

    def choice(self, option: str, choices: Iterable[str]) -> str | None:
        """Give an option that is one of a few words; None where it is not given."""
        text = self.options.get(option)
        if text is None:
            return None
        words = list(choices)
        if text.lower() not in words:
            raise LinkUsage(self.text, f'{option}="{text}" must be one of {", ".join(words)}')
        return text.lower()

    def speed(self) -> float:
        """Give ``speed``: how many times faster than real time; infinity for ``max`` or 0, else 1."""
        if self.options.get("speed", "").lower() in {"max", "0"}:
            return math.inf
        return self.number("speed", 1.0, 0.01, 1e6)


def split_url(text: str) -> LinkUrl:
    """Take a URL apart.

    >>> split_url("serial:/dev/ttyUSB0?baud=4800").place
    '/dev/ttyUSB0'

    Raises:
        LinkUsage: If it has no scheme, or an option comes twice or has no value.
    """
    head, mark, query = text.partition("?")
    scheme, colon, place = head.partition(":")
    if not colon or not scheme.isascii() or not scheme.isalnum():
        raise LinkUsage(text, f"is no link; for a serial port write serial:{text or '/dev/ttyUSB0'}")
    options: dict[str, str] = {}
    for piece in query.split("&") if mark else ():
        if not piece:
            continue
        name, equals, value = piece.partition("=")
        if not equals or not name:
            raise LinkUsage(text, f'"{piece}" is no option; write name=value')
        if name in options:
            raise LinkUsage(text, f'the option "{name}" comes twice')
        options[name] = unquote(value)
    return LinkUrl(text, scheme.lower(), place, options)
