r"""The ``line`` format: one decimal number a line, sign and unit optional, a label before it tolerated.

A wrong number is worse than none, so a line that could mean two numbers is refused by name.
``docs/gauges.md`` has the whole rule; the examples in ``profiles.py`` are its first tests.
"""

from __future__ import annotations

import re
from decimal import Decimal

from calc.units import Unit
from capture.readings import MOST_DECIMALS, MOST_VALUE

Number = tuple[Decimal, Unit | None]
"""A number exactly as written, and its unit where the line says it."""

UNIT_TEXTS = {
    b"mm": Unit.MM,
    b"in": Unit.INCH,
    b"inch": Unit.INCH,
    b'"': Unit.INCH,
    b"\xe2\x80\xb3": Unit.INCH,
}

_PLAIN = re.compile(
    rb"[ \t]*([+-]?(?:[0-9]{1,4}(?:[.,][0-9]{0,9})?|[.,][0-9]{1,9}))"
    rb'[ \t]*(mm|inch|in|"|\xe2\x80\xb3)?[ \t]*',
    re.IGNORECASE,
).fullmatch
"""The usual line; its number is within every limit as it stands, so that nothing is left to check."""

_ANY = re.compile(
    r"\s*(?:(?P<label>.*?[^\s:=+-])[\s:=]+)?"  # a sign that stands alone belongs to the number
    r"(?P<sign>[+-]?)(?P<pad>\s*)(?P<number>[0-9]+(?P<point>[.,][0-9]*)?|[.,][0-9]+)"
    r'\s*(?P<unit>mm|inch|in|")?\s*',
    re.IGNORECASE,
).fullmatch

_DECIMAL_IN_LABEL = re.compile(r"[0-9][.,]|[.,][0-9]").search

_TWO_POINTS = re.compile(r"[0-9]*[.,][0-9]*[.,][0-9]*").search


def parse_line(frame: bytes) -> Number | str:
    """Read one line.

    >>> parse_line(b"D1 +0,310 mm")
    (Decimal('0.310'), <Unit.MM: 'mm'>)
    >>> parse_line(b"ERR")
    'no number in it'

    Args:
        frame: The line without its end.

    Returns:
        The number with its unit, None where the line does not say it; or, for a garbled line, why it is so.
    """
    plain = _PLAIN(frame)
    if plain is None:
        return _parse_unusual(frame)
    number, unit = plain.groups()
    value = Decimal(number.decode().replace(",", "."))
    return value, (None if unit is None else UNIT_TEXTS[unit.lower()])


def _parse_unusual(frame: bytes) -> Number | str:
    text = _text_of(frame)
    if text is None:
        return "not text"
    match = _ANY(text)
    if match is None:
        return _why_none(text)
    why = _why_doubtful(match)
    if why is not None:
        return why
    return checked_number(
        match["sign"] + match["number"].replace(",", "."),
        UNIT_TEXTS[match["unit"].lower().encode()] if match["unit"] else None,
    )


def checked_number(text: str, unit: Unit | None) -> Number | str:
    """Make a number of decimal text, or say which limit it breaks.

    Args:
        text: Sign, digits and point that ``Decimal`` reads.
        unit: Its unit, None when unknown.
    """
    value = Decimal(text)
    exponent = value.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < -MOST_DECIMALS:
        return f"more than {MOST_DECIMALS} digits after the point"
    if abs(value) > MOST_VALUE:
        return f"larger than any indicator's range ({MOST_VALUE})"
    return value, unit


def _text_of(frame: bytes) -> str | None:
    """The frame as text, or None if it holds anything but printable ASCII, tabs and the double prime."""
    plain = frame.replace(b"\xe2\x80\xb3", b'"').replace(b"\t", b" ")
    if not plain.isascii():
        return None
    text = plain.decode("ascii")
    return text if text.isprintable() else None


def _why_none(text: str) -> str:
    if not any(c.isdigit() for c in text):
        return "no number in it"
    if _TWO_POINTS(text):
        return "a number with two decimal signs"
    return "not one decimal number at the end of the line"


def _why_doubtful(match: re.Match[str]) -> str | None:
    label = match["label"]
    if label is None:
        return None
    if _DECIMAL_IN_LABEL(label):
        return "two numbers in one line"
    if match["point"] is None and not match["number"].startswith((".", ",")) and not match["unit"]:
        return "a whole number after a text may be an error code"
    if match["sign"] == "-" and match["pad"]:
        return "a dash between blanks may be a sign or not"
    whole_digits = len(match["number"].replace(",", ".").partition(".")[0])
    if label.isdigit() and not match["sign"] and whole_digits == 3:
        return "a blank may part thousands here"
    return None
