"""The ``line`` format: exact numbers, and a refusal for everything that could mean two."""

from __future__ import annotations

import re
import time
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture import line
from capture.line import parse_line
from capture.readings import MOST_DECIMALS, MOST_VALUE

numbers = st.integers(-(10**13), 10**13).flatmap(
    lambda count: st.integers(0, 9).map(lambda places: Decimal(count).scaleb(-places))
)
usable = numbers.filter(lambda number: abs(number) <= MOST_VALUE)
UNIT_TEXTS = {
    "": None,
    "mm": Unit.MM,
    " MM": Unit.MM,
    "in": Unit.INCH,
    " Inch": Unit.INCH,
    '"': Unit.INCH,
    "″": Unit.INCH,
}


@given(number=usable, unit=st.sampled_from(sorted(UNIT_TEXTS)), comma=st.booleans(), plus=st.booleans())
def test_any_decimal_text_comes_back_exactly(number: Decimal, unit: str, comma: bool, plus: bool) -> None:
    text = format(number, "+f" if plus else "f")
    if comma:
        text = text.replace(".", ",")
    parsed = parse_line((text + unit).encode())
    assert parsed == (number, UNIT_TEXTS[unit])
    assert not isinstance(parsed, str)
    assert parsed[0].as_tuple() == number.as_tuple()  # 0.310 is not 0.31: its last digit is the gauge's


@given(number=usable, label=st.sampled_from(["D1", "2", "CH 7:", "A=", "left rear", "#3 |"]))
def test_a_label_does_not_change_the_number(number: Decimal, label: str) -> None:
    text = format(number, "+f")
    if "." not in text:
        text += " mm"
    parsed = parse_line(f"{label} {text}".encode())
    assert not isinstance(parsed, str)
    assert parsed[0] == number


@given(data=st.binary(max_size=128))
def test_whatever_comes_it_is_a_number_or_a_reason(data: bytes) -> None:
    parsed = parse_line(data)
    if isinstance(parsed, str):
        assert parsed
    else:
        assert parsed[0].is_finite()
        assert abs(parsed[0]) <= MOST_VALUE


@given(data=st.text('0123456789+-., mMinIN"D1:=eExX\t', max_size=14).map(str.encode))
def test_the_fast_way_and_the_careful_way_agree(data: bytes) -> None:
    fast = line._PLAIN(data)
    if fast is not None:
        assert line._parse_unusual(data) == parse_line(data)


def test_the_fast_way_takes_no_number_that_a_limit_forbids() -> None:
    assert line._PLAIN(b"9999.999999999") is not None
    assert line._PLAIN(b"10000") is None
    assert line._PLAIN(b"0.1234567890") is None


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"10000.000000001", "larger than any indicator's range"),
        (b"-99999", "larger than any indicator's range"),
        (b"0." + b"1" * 100, f"more than {MOST_DECIMALS} digits"),
        (b"9" * 120, "larger"),
        (b"1.000.000", "two decimal signs"),
        (b"0.1 0.2", "two numbers"),
        (b"1.5 7 mm", "two numbers"),
        (b"ERR 12", "error code"),
        (b"1 234.5", "thousands"),
        (b"gauge - 0.5", "dash"),
        (b"0.5\x00", "not text"),
        (b"0.5 \xb5m", "not text"),
        ("٣.٥".encode(), "not text"),
        (b"0.5 cm", "not one decimal number"),
        (b"(0.5)", "not one decimal number"),
        (b"0.5-", "not one decimal number"),
        (b"", "no number"),
    ],
)
def test_a_refusal_says_why(text: bytes, why: str) -> None:
    parsed = parse_line(text)
    assert isinstance(parsed, str)
    assert why in parsed


def test_the_largest_numbers_are_read() -> None:
    assert parse_line(b"10000.000000000") == (Decimal(10000), None)
    assert parse_line(b"-9999.999999999 mm") == (Decimal("-9999.999999999"), Unit.MM)


def test_a_hostile_line_takes_no_time() -> None:
    # 128 bytes of what the pattern could try in many ways; a pattern that did would need minutes
    began = time.perf_counter()
    for text in (b"1 " * 64, b"=" * 128, b" " * 128, b"1=" * 63 + b"x", b"- " * 64, b"1" * 127 + b"x"):
        for _ in range(200):
            parse_line(text)
    assert time.perf_counter() - began < 5


def test_every_unit_text_is_in_the_pattern() -> None:
    for text in line.UNIT_TEXTS:
        assert re.fullmatch(rb".*", text)
        assert parse_line(b"0.5" + text.upper()) == (Decimal("0.5"), line.UNIT_TEXTS[text])
