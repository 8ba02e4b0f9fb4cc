"""Lengths from text and back, against SP 811, scipy and pint."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.errors import CalcError
from calc.units import (
    MM_PER_INCH,
    Unit,
    UnitsError,
    exact_mm,
    format_length,
    format_size,
    from_mm,
    parse_length,
    to_mm,
)

DECIMALS = st.decimals(min_value=-10_000, max_value=10_000, allow_nan=False, allow_infinity=False, places=9)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.31mm", "0.31"),
        ("0,31 mm", "0.31"),
        (" 0.31 MM ", "0.31"),
        (".31mm", "0.31"),
        ("+0.31mm", "0.31"),
        ("-0.31mm", "-0.31"),
        ("\u22120.31mm", "-0.31"),
        ("310um", "0.310"),
        ("310 µm", "0.310"),
        ("310 \u03bcm", "0.310"),
        ("0.012in", "0.3048"),
        ("0.012 inch", "0.3048"),
        ('0.012"', "0.3048"),
        ("0.012\u2033", "0.3048"),
        ("12thou", "0.3048"),
        ("12.5 thou", "0.3175"),
        ("0in", "0"),
    ],
)
def test_a_length_is_read_exactly(text: str, mm: str) -> None:
    assert parse_length(text) == Decimal(mm)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "write a number with its unit"),
        ("  ", "write a number with its unit"),
        ("mm", "is no length"),
        ("0.31", "has no unit: write 0.31mm or 0.31in"),
        ("0,31", "has no unit: write 0,31mm or 0,31in"),
        ("12 mil", "write 12thou or 12mm"),
        ("12mils", "write 12thou or 12mm"),
        ("1.2cm", "unknown unit"),
        ("0.31mmm", "unknown unit"),
        ("0.31 mm mm", "unknown unit"),
        ("1'", "unknown unit"),
        ("1.234,5mm", "is no length"),
        ("1.2.3mm", "is no length"),
        ("--1mm", "is no length"),
        ("1e-3mm", "unknown unit"),
        ("nan mm", "is no length"),
        ("inf mm", "is no length"),
        ("٣mm", "is no length"),
        ("1/8in", "unknown unit"),
        ("9" * 60 + "mm", "longer than 40"),
    ],
)
def test_what_is_no_length_is_said_in_one_line(text: str, says: str) -> None:
    with pytest.raises(UnitsError) as caught:
        parse_length(text)
    message = str(caught.value)
    assert says in message
    assert "\n" not in message
    assert caught.value.value == text
    assert isinstance(caught.value, CalcError)


def test_an_error_never_prints_a_control_character() -> None:
    with pytest.raises(UnitsError) as caught:
        parse_length("1\x1b[2Jmm\n")
    assert str(caught.value).isprintable()


@given(DECIMALS)
def test_a_decimal_length_round_trips(value: Decimal) -> None:
    assert parse_length(f"{value:f}mm") == value
    assert parse_length(f"{value:f}in") == value * MM_PER_INCH
    assert exact_mm(value, Unit.INCH) / MM_PER_INCH == value


@given(DECIMALS)
def test_millimetres_are_rounded_once(value: Decimal) -> None:
    # Fraction arithmetic is exact, and its float() is correctly rounded: the nearest double there is.
    assert to_mm(value, Unit.INCH) == float(Fraction(value) * Fraction(254, 10))
    assert to_mm(value, Unit.MM) == float(Fraction(value))


@given(st.integers(min_value=0, max_value=100_000))
def test_a_written_length_is_read_back(thousandths: int) -> None:
    mm = thousandths / 1000
    assert parse_length(format_length(mm, Unit.MM)) == Decimal(thousandths) / 1000
    assert float(parse_length(format_length(mm, Unit.INCH))) == pytest.approx(mm, abs=0.00127 + 1e-12)


def test_an_exact_conversion_of_many_digits_loses_none() -> None:
    digits = "0." + "1234567890" * 6
    assert Fraction(exact_mm(Decimal(digits), Unit.INCH)) == Fraction(digits) * Fraction(254, 10)


@pytest.mark.parametrize(
    ("mm", "unit", "step_mm", "text"),
    [
        (0.31, Unit.MM, None, "0.310 mm"),
        (0.31, Unit.INCH, None, "0.0122 in"),
        (0.31, Unit.MM, 0.01, "0.31 mm"),
        (0.31, Unit.MM, 0.0005, "0.3100 mm"),
        (0.25, Unit.MM, 0.25, "0.25 mm"),
        (2.4, Unit.MM, 0.05, "2.40 mm"),
        (3.0, Unit.MM, 1.0, "3 mm"),
        (2.9972, Unit.INCH, 0.0254, "0.118 in"),
        (2.9972, Unit.INCH, 0.0508, "0.118 in"),
        (2.9972, Unit.INCH, 0.0127, "0.1180 in"),
        (0.31, Unit.INCH, 0.01, "0.0122 in"),
        (-0.0001, Unit.MM, None, "0.000 mm"),
        (-0.31, Unit.MM, None, "-0.310 mm"),
    ],
)
def test_a_length_is_written_to_its_step(mm: float, unit: Unit, step_mm: float | None, text: str) -> None:
    assert format_length(mm, unit, step_mm) == text


@pytest.mark.parametrize(
    ("mm", "unit", "text"),
    [
        (2.85, Unit.MM, "2.85 mm"),
        (2.8, Unit.MM, "2.80 mm"),
        (2.845, Unit.MM, "2.845 mm"),
        (2.85 - 2.79, Unit.MM, "0.06 mm"),
        (2.9972, Unit.INCH, "0.118 in"),
        (0.3175, Unit.INCH, "0.0125 in"),
        (-1e-9, Unit.MM, "0.00 mm"),
    ],
)
def test_a_size_is_written_short(mm: float, unit: Unit, text: str) -> None:
    assert format_size(mm, unit) == text


def test_the_inch_is_that_of_sp_811() -> None:
    # NIST SP 811 (2008), appendix B.8 (from memory; the digits agree with scipy below).
    from scipy import constants  # noqa: PLC0415  (slow to import)

    assert from_mm(25.4, Unit.INCH) == 1
    assert to_mm(Decimal(1), Unit.INCH) == pytest.approx(constants.inch * 1000, rel=1e-15)
    assert float(parse_length("1thou")) == pytest.approx(constants.mil * 1000, rel=1e-15)


def test_pint_agrees_on_lengths() -> None:
    # pint's own "mil" is an angle; its thousandth of an inch is "thou".
    from pint import UnitRegistry  # noqa: PLC0415  (slow to import)

    ureg: Any = UnitRegistry()
    for name in ("mm", "um", "inch", "thou"):
        ours = float(parse_length(f"7.25{name}"))
        assert ours == pytest.approx(ureg.Quantity(7.25, name).to("mm").magnitude, rel=1e-12)


def test_end_play_limits_of_tmc_rp_618a() -> None:
    # TMC RP 618A (read in reproductions): accept 0.001 to 0.005 in, printed beside it as 0.025 to 0.127 mm.
    assert format_length(float(parse_length("0.001in")), Unit.MM) == "0.025 mm"
    assert format_length(float(parse_length("0.005in")), Unit.MM) == "0.127 mm"
