"""Frames that a pattern describes: sign, value and unit wherever they stand, exact, and never guessed."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.text_format import TextFormat

FLAGGED = TextFormat(
    re.compile(rb"(?P<sign>[ +-])(?P<value>[0-9]+)(?P<unit>[01 ])"), {b"0": Unit.MM, b"1": Unit.INCH}, 3
)


@pytest.mark.parametrize(
    ("frame", "number"),
    [
        (b"+000310 ", (Decimal("0.310"), None)),
        (b"-0003100", (Decimal("-0.310"), Unit.MM)),
        (b" 121", (Decimal("0.012"), Unit.INCH)),
        (b"-0000", (Decimal("0.000"), Unit.MM)),
    ],
)
def test_a_point_left_out_a_separate_sign_and_a_flag_for_the_unit(
    frame: bytes, number: tuple[Decimal, Unit | None]
) -> None:
    assert FLAGGED(frame) == number


@given(count=st.integers(-(10**7), 10**7), decimals=st.integers(0, 9))
def test_a_point_left_out_is_put_in_exactly(count: int, decimals: int) -> None:
    read = TextFormat(re.compile(rb"(?P<value>[+-]?[0-9]+)"), decimals=decimals)
    parsed = read(b"%+d" % count)
    exact = Decimal(count).scaleb(-decimals)
    assert parsed == ((exact, None) if abs(exact) <= 10_000 else "larger than any indicator's range (10000)")


def test_a_point_that_is_there_is_kept() -> None:
    read = TextFormat(re.compile(rb"(?P<value>[0-9.,]+)(?P<unit>[a-zA-Z]*)"), decimals=3)
    assert read(b"1,25MM") == (Decimal("1.25"), Unit.MM)
    assert read(b"1250") == (Decimal("1.250"), None)


@pytest.mark.parametrize(
    ("pattern", "frame", "why"),
    [
        (rb"A(?P<value>[0-9]+)", b"B12", "does not match"),
        (rb"A(?P<value>[0-9]+)", b"A12\x00", "does not match"),
        (rb"(?P<value>.*)", b"", "no number where"),
        (rb"(?P<value>.*)", b"1.2.3", "no number where"),
        (rb"(?P<value>.*)", b"nan", "no number where"),
        (rb"(?P<value>.*)", b"1e3", "no number where"),
        (rb"(?P<sign>.)(?P<value>.*)", b"--5", "no number where"),
        (rb"(?P<sign>.)(?P<value>.*)", b"x5", "no number where"),
        (rb"(?P<value>[0-9]+)(?P<unit>.*)", b"5um", "an unknown unit"),
        (rb"(?P<value>.*)", b"10001", "larger than"),
        (rb"(?P<value>.*)", b"0.1234567891", "more than 9 digits"),
    ],
)
def test_a_refusal_says_why(pattern: bytes, frame: bytes, why: str) -> None:
    parsed = TextFormat(re.compile(pattern))(frame)
    assert isinstance(parsed, str)
    assert why in parsed
