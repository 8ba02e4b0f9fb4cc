"""Misuse is told in one line that names the option, the value and what to write."""

from __future__ import annotations

import pytest

from calc.units import Unit
from cli.arguments import corner_of, length_mm, lengths_mm, stage_of, unit_of
from cli.errors import MisuseError


def test_a_length_needs_its_unit() -> None:
    assert length_mm("--fitted", "0.133in") == pytest.approx(3.3782, abs=1e-12)
    with pytest.raises(MisuseError, match=r"^--fitted: .*3.20.* unit.*3.20mm"):
        length_mm("--fitted", "3.20")


@pytest.mark.parametrize(
    ("text", "sizes"),
    [
        ("2.90mm,2.95mm", [2.90, 2.95]),
        ("2.90, 2.95 mm", [2.90, 2.95]),
        ("0.114,0.118in", [2.8956, 2.9972]),
        ("114thou, 2.95mm", [2.8956, 2.95]),
    ],
)
def test_sizes_may_share_the_last_unit(text: str, sizes: list[float]) -> None:
    assert lengths_mm("--sizes", text) == sizes


@pytest.mark.parametrize("text", ["", ",", "2.9mm,", "2.9,2.95", "big,small"])
def test_sizes_that_are_none(text: str) -> None:
    with pytest.raises(MisuseError, match=r"^--sizes: "):
        lengths_mm("--sizes", text)


def test_a_corner_in_either_case() -> None:
    assert [corner_of(c) for c in ("lf", "RF", "Lr", "rR")] == ["LF", "RF", "LR", "RR"]


@pytest.mark.parametrize("text", ["", "XX", "left", "L R"])
def test_an_unknown_corner_names_those_known(text: str) -> None:
    with pytest.raises(MisuseError, match=r"^--corner: .*LF, RF, LR or RR"):
        corner_of(text)


def test_an_unknown_stage_names_those_known() -> None:
    assert stage_of("AS-FOUND") == "as-found"
    with pytest.raises(MisuseError, match=r'^--stage: "before" .*as-found, trial or as-left'):
        stage_of("before")


def test_units() -> None:
    assert [unit_of("--unit", u) for u in ("mm", "in", "inch", '"', "MM")] == [
        Unit.MM, Unit.INCH, Unit.INCH, Unit.INCH, Unit.MM,
    ]  # fmt: skip
    with pytest.raises(MisuseError, match=r'^--unit: "cm" .*mm or in'):
        unit_of("--unit", "cm")
