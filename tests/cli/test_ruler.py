"""The picture must be to scale, fit its width, and say everything without colour."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.limits import Limits
from calc.units import Unit
from cli.ruler import Notch, Picture, Scale, draw, scale_for
from cli.screen import Screen

LIMITS = Limits(0.03, 0.20)
INCH_LIMITS = Limits(0.0254, 0.2032)  # 0.001 to 0.008 in
SIZES = [round(2.40 + 0.05 * i, 2) for i in range(28)]
COLOUR_CODE = re.compile("\x1b\\[[0-9;]*m")


def loose() -> Picture:
    """0.312 mm with a 3.20 mm shim: zero is 2.888 mm, 2.95 mm leaves 0.062 mm."""
    notches = tuple(Notch(s, s - 2.888, chosen=s == 2.95) for s in SIZES)
    return Picture(LIMITS, Unit.MM, 0.312, 0.030, "0.312 mm ± 0.030 mm (95 %)", notches)


def row_with(lines: list[str], letter: str) -> str:
    return next(line for line in lines if letter in line)


@pytest.mark.parametrize("drawn", [True, False])
@pytest.mark.parametrize("width", range(60, 121, 5))
def test_fits_the_width(width: int, drawn: bool) -> None:
    lines = draw(loose(), Screen(width, drawn=drawn))
    assert max(len(line) for line in lines) <= width


def test_without_drawing_letters_it_is_ascii() -> None:
    assert "\n".join(draw(loose(), Screen(80, drawn=False))).isascii()


def test_marks_stand_in_the_order_of_their_lengths() -> None:
    lines = draw(loose(), Screen(100))
    band = row_with(lines, "▐")
    reading = row_with(lines, "◆")
    notches = row_with(lines, "▼")
    assert band.index("▐") < notches.index("▼") < band.index("▌") < reading.index("◆")


def test_marks_stand_to_scale() -> None:
    screen = Screen(120)
    lines = draw(loose(), screen)
    scale = scale_for(loose(), 116)
    column = row_with(lines, "▼").index("▼") - 2  # the margin
    per_column = (scale.high_mm - scale.low_mm) / 115
    assert column * per_column == pytest.approx(0.062, abs=per_column / 2)
    reading = row_with(lines, "◆")
    assert (reading.index("◆") - 2) * per_column == pytest.approx(0.312, abs=per_column / 2)
    whisker = (reading.index("┤") - reading.index("├")) * per_column
    assert whisker == pytest.approx(0.060, abs=2 * per_column)


def test_tick_numbers_stand_at_their_ticks() -> None:
    lines = draw(loose(), Screen(100))
    axis = row_with(lines, "┼")
    numbers = lines[lines.index(axis) + 1]
    scale = scale_for(loose(), 96)
    for match in re.finditer(r"\d\.\d+", numbers):
        middle = (match.start() + match.end() - 1) // 2
        at = scale.column(float(match.group())) + 2
        assert abs(middle - at) <= 1 or match.start() == 2
        assert axis[at] in "┼├"


def test_the_chosen_shim_is_named_and_told_in_words() -> None:
    text = "\n".join(draw(loose(), Screen(80)))
    assert "[2.95]" in text
    assert "▼ shim to fit, 2.95 mm" in text


def test_sizes_off_the_scale_are_counted_in_words() -> None:
    picture = loose()
    text = "\n".join(draw(picture, Screen(80)))
    below = sum(n.expected_mm < 0 for n in picture.notches)
    shown = len(row_with(draw(picture, Screen(80)), "▼").replace(" ", ""))
    above = len(SIZES) - below - shown
    assert f"{below} sizes on hand would leave no end play" in text
    assert f"{above} sizes on hand beyond this scale" in text


def test_inches_have_an_inch_scale() -> None:
    notch = Notch(0.118 * 25.4, 0.002 * 25.4, chosen=True)
    picture = Picture(INCH_LIMITS, Unit.INCH, 0.017 * 25.4, 0.0004 * 25.4, "0.0170 in ± 0.0004 in", (notch,))
    lines = draw(picture, Screen(80))
    assert "0.010" in lines[4]
    assert lines[4].endswith("in")
    assert "limits 0.001 in to 0.008 in" in "\n".join(lines)


def test_colour_adds_codes_and_nothing_else() -> None:
    bare = draw(loose(), Screen(80))
    coloured = draw(loose(), Screen(80, colour=True))
    assert coloured != bare
    assert [COLOUR_CODE.sub("", line) for line in coloured] == bare


def test_within_and_without_differ_in_shape_not_in_colour_alone() -> None:
    inside = Picture(LIMITS, Unit.MM, 0.1, 0.01, "0.100 mm")
    outside = Picture(LIMITS, Unit.MM, 0.3, 0.01, "0.300 mm")
    for picture, within in ((inside, True), (outside, False)):
        lines = draw(picture, Screen(80))
        band = row_with(lines, "▐")
        column = row_with(lines, "◆").index("◆")
        assert (band.index("▐") < column < band.index("▌")) is within


def test_an_uncertainty_too_small_to_draw_is_said() -> None:
    lines = draw(Picture(LIMITS, Unit.MM, 0.1, 0.0001, "0.100 mm"), Screen(80))
    assert "├" not in row_with(lines, "◆").split("end play")[0]
    assert "95 % interval too small to draw" in "\n".join(lines)


def test_a_picture_without_a_reading_has_no_mark() -> None:
    assert "◆" not in "\n".join(draw(Picture(LIMITS, Unit.MM), Screen(80)))


def test_a_reading_below_zero_is_on_the_scale() -> None:
    picture = Picture(LIMITS, Unit.MM, -0.02, 0.01, "-0.020 mm")
    assert scale_for(picture, 76).holds(-0.03)


LENGTHS = st.floats(-1, 20, allow_nan=False)


@given(
    reading=LENGTHS,
    expanded=st.floats(0, 2),
    least=st.floats(0, 0.5),
    width=st.floats(0.001, 2),
    columns=st.integers(60, 120),
    expected=st.lists(LENGTHS, max_size=40),
    inch=st.booleans(),
    drawn=st.booleans(),
)
def test_any_measurement_can_be_drawn(  # noqa: PLR0917 - one for each thing drawn
    reading: float,
    expanded: float,
    least: float,
    width: float,
    columns: int,
    expected: list[float],
    inch: bool,
    drawn: bool,
) -> None:
    notches = tuple(Notch(3 + e, e, chosen=i == 0) for i, e in enumerate(expected))
    unit = Unit.INCH if inch else Unit.MM
    picture = Picture(
        Limits(least, least + width), unit, reading, expanded, "0.312 mm ± 0.008 mm (95 %)", notches
    )
    lines = draw(picture, Screen(columns, drawn=drawn))
    assert max(len(line) for line in lines) <= columns
    assert drawn or "\n".join(lines).isascii()


def test_a_scale_stops_at_its_ends() -> None:
    scale = Scale(0.0, 1.0, 11)
    assert [scale.column(x) for x in (-5.0, 0.0, 0.5, 1.0, 7.0)] == [0, 0, 5, 10, 10]
