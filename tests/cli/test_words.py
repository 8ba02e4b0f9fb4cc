"""The words a person reads: digits that make sense, and the caution that belongs to the work."""

from __future__ import annotations

import pytest

from calc.presented import number_with_uncertainty
from calc.units import Unit
from cli.words import place, strokes


@pytest.mark.parametrize(
    ("value", "expanded", "unit", "step", "text"),
    [
        (0.31234, 0.0082, Unit.MM, 0.001, "0.312 mm ± 0.008 mm (95 %)"),
        (0.31234, 0.0134, Unit.MM, 0.001, "0.312 mm ± 0.013 mm (95 %)"),
        (0.31234, 0.134, Unit.MM, 0.001, "0.31 mm ± 0.13 mm (95 %)"),
        (0.31234, 0.0134, Unit.MM, 0.01, "0.31 mm ± 0.02 mm (95 %)"),  # 0.01 would lose a quarter
        (0.31234, 0.0004, Unit.MM, 0.01, "0.31 mm ± 0.01 mm (95 %)"),  # never "± 0"
        (0.4318, 0.01016, Unit.INCH, 0.0127, "0.0170 in ± 0.0004 in (95 %)"),  # a 0.0005 in indicator
        (0.31234, 0.0082, Unit.INCH, 0.001, "0.01230 in ± 0.00032 in (95 %)"),
        (-0.0001, 0.002, Unit.MM, 0.001, "0.000 mm ± 0.002 mm (95 %)"),
        (0.31234, 0.0082, Unit.MM, None, "0.3123 mm ± 0.0082 mm (95 %)"),
    ],
)
def test_digits(value: float, expanded: float, unit: Unit, step: float | None, text: str) -> None:
    assert number_with_uncertainty(value, expanded, unit, step) == text


def test_places_and_strokes_in_words() -> None:
    assert place("LR", "as-found") == "left rear, as found"
    assert strokes(1, 0) == "1 stroke"
    assert strokes(6, 1) == "6 strokes, 1 half stroke set aside"
