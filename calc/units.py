"""Lengths in millimetres and inches: read from text exactly, converted once, and written for people.

Inside the program a length is a ``float`` in millimetres and its name ends in ``_mm``. Text is read as
``Decimal``, so that 0.118 in is exactly 2.9972 mm before it is rounded to a float, once.
"""

from __future__ import annotations

import math
import re
from decimal import Context, Decimal
from enum import StrEnum

from calc.errors import CalcError

MM_PER_INCH = Decimal("25.4")
"""Exact. Source: NIST SP 811 (2008), appendix B.8, inch."""

LONGEST_TEXT = 40
"""Characters in the longest length that is read; a longer text is a mistake."""

_EXACT = Context(prec=10_000)

_LENGTH = re.compile(r"(?P<number>[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*(?P<unit>[^0-9.,+\s-].*)?")


class Unit(StrEnum):
    """A unit of length that people and gauges use here."""

    MM = "mm"
    INCH = "in"


_MM_EACH: dict[str, Decimal] = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), Decimal(1)),
    **dict.fromkeys(("um", "\u00b5m", "\u03bcm", "micron", "microns"), Decimal("0.001")),
    **dict.fromkeys(("in", "in.", "inch", "inches", '"', "''", "\u2033", "\u201d"), MM_PER_INCH),
    **dict.fromkeys(("thou", "thous"), MM_PER_INCH / 1000),
}


class UnitsError(CalcError):
    """A text is no length, no torque, or lacks its unit.

    Attributes:
        value: The text as given.
    """

    def __init__(self, value: str, why: str) -> None:
        super().__init__(f'"{_shorten(value)}" {why}')
        self.value = value


def exact_mm(value: Decimal, unit: Unit) -> Decimal:
    """Convert a number in ``unit`` to millimetres without rounding.

    >>> exact_mm(Decimal("0.118"), Unit.INCH)
    Decimal('2.9972')

    Args:
        value: A finite number in ``unit``.
        unit: Millimetres or inches.

    Source: NIST SP 811 (2008), appendix B.8: 1 in = 25.4 mm exactly.
    """
    return value if unit is Unit.MM else _EXACT.multiply(value, MM_PER_INCH)


def to_mm(value: Decimal, unit: Unit) -> float:
    """Convert a number in ``unit`` to millimetres: an exact product, then one correctly rounded float.

    >>> to_mm(Decimal("0.017"), Unit.INCH)
    0.4318

    Args:
        value: A finite number in ``unit``.
        unit: Millimetres or inches.
    """
    return float(exact_mm(value, unit))


def from_mm(length_mm: float, unit: Unit) -> float:
    """Give a length of ``length_mm`` millimetres in ``unit``."""
    return length_mm if unit is Unit.MM else length_mm / 25.4


def parse_length(text: str) -> Decimal:
    """Read a length with its unit, as a person types it, in exact millimetres.

    Units: mm, um (or µm), in (or inch, "), thou. Comma or point is the decimal sign. A mil is refused: some
    mean a thousandth of an inch by it, others a millimetre.

    >>> parse_length("0.31mm"), parse_length("310 um"), parse_length("12thou")
    (Decimal('0.31'), Decimal('0.310'), Decimal('0.3048'))

    Args:
        text: For example ``0.31mm``, ``0,31 mm``, ``310um``, ``0.012in``, ``12thou``.

    Raises:
        UnitsError: If the text is no number with a unit of length.
    """
    stripped = text.strip().replace("\u2212", "-")
    if not stripped:
        raise UnitsError(text, "is no length: write a number with its unit, such as 0.31mm or 0.012in")
    if len(stripped) > LONGEST_TEXT:
        raise UnitsError(text, f"is longer than {LONGEST_TEXT} characters: write such as 0.31mm or 0.012in")
    match = _LENGTH.fullmatch(stripped)
    if match is None:
        raise UnitsError(text, "is no length: write a number with its unit, such as 0.31mm or 0.012in")
    number, unit = match["number"], (match["unit"] or "").strip().casefold()
    if not unit:
        raise UnitsError(text, f"has no unit: write {number}mm or {number}in")
    if unit in {"mil", "mils"}:
        raise UnitsError(
            text, f"could mean thousandths of an inch or of a metre: write {number}thou or {number}mm"
        )
    if unit not in _MM_EACH:
        raise UnitsError(text, f"has an unknown unit: write {number}mm, or use um, in or thou")
    return _EXACT.multiply(Decimal(number.replace(",", ".")), _MM_EACH[unit])


def format_length(mm: float, unit: Unit, step_mm: float | None = None) -> str:
    """Write a length for people, with as many decimals as its step is worth.

    >>> format_length(0.31, Unit.MM), format_length(0.31, Unit.INCH), format_length(0.31, Unit.MM, 0.01)
    ('0.310 mm', '0.0122 in', '0.31 mm')

    Args:
        mm: The length, millimetres, finite.
        unit: Unit to write it in.
        step_mm: Smallest step worth showing (a gauge's resolution), millimetres, above 0. Without it three
            decimals of a millimetre or four of an inch.
    """
    decimals = _default_decimals(unit) if step_mm is None else _decimals_for(from_mm(step_mm, unit))
    return f"{_fixed(from_mm(mm, unit), decimals)} {unit}"


def format_size(mm: float, unit: Unit) -> str:
    """Write a length as short as the trade would: 2.85 mm, 0.118 in, but 0.025 mm and 0.0125 in.

    Never fewer than two decimals of a millimetre or three of an inch, never more than three or four.

    >>> format_size(2.85, Unit.MM), format_size(2.9972, Unit.INCH), format_size(0.0375, Unit.MM)
    ('2.85 mm', '0.118 in', '0.037 mm')

    Args:
        mm: The length, millimetres, finite.
        unit: Unit to write it in.
    """
    digits = _fixed(from_mm(mm, unit), _default_decimals(unit))
    return f"{digits.removesuffix('0')} {unit}"


def _default_decimals(unit: Unit) -> int:
    return 3 if unit is Unit.MM else 4


def _decimals_for(step: float) -> int:
    """Decimals that show every multiple of ``step``, or the first that is finer when no short one does."""
    least = max(0, math.ceil(-math.log10(step) - 1e-9))
    for decimals in (least, least + 1):
        if math.isclose(round(step, decimals), step, rel_tol=1e-9):
            return decimals
    return least


def _fixed(value: float, decimals: int) -> str:
    """Fixed decimals, the last one rounded half to even, and no minus sign on a zero."""
    digits = f"{value:.{decimals}f}"
    return digits.removeprefix("-") if float(digits) == 0 else digits


def _shorten(text: str) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in text)
    return printable if len(printable) <= LONGEST_TEXT else printable[: LONGEST_TEXT - 3] + "..."
