"""The printed ruler has the scale of the one in the terminal, and is sound SVG whatever is written in it."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from calc.limits import Limits
from calc.units import Unit
from cli.ruler import Notch, Picture, scale_for
from cli.ruler_svg import COLUMNS, SIDE, WIDTH, ruler_svg

LIMITS = Limits(0.03, 0.20)
SIZES = [round(2.40 + 0.05 * i, 2) for i in range(28)]
SVG = "{http://www.w3.org/2000/svg}"


def loose(unit: Unit = Unit.MM) -> Picture:
    notches = tuple(Notch(s, s - 2.888, chosen=s == 2.95) for s in SIZES)
    return Picture(LIMITS, unit, 0.312, 0.030, "0.312 mm ± 0.030 mm (95 %)", notches)


def x_of(picture: Picture, length_mm: float) -> float:
    scale = scale_for(picture, COLUMNS)
    part = (length_mm - scale.low_mm) / (scale.high_mm - scale.low_mm)
    return SIDE + part * (WIDTH - 2 * SIDE)


def tips(svg: str, fill: str, corners: int) -> list[float]:
    """Where the first corners of the shapes with this filling stand."""
    found = [p for p in ET.fromstring(svg).iter(f"{SVG}polygon") if p.get("fill") == fill]
    points = [str(p.get("points")).split() for p in found]
    return [float(p[0].split(",")[0]) for p in points if len(p) == corners]


def test_marks_stand_to_scale() -> None:
    svg = ruler_svg(loose())
    assert tips(svg, "#000", 4) == [pytest.approx(x_of(loose(), 0.312), abs=0.01)]  # the reading's diamond
    assert tips(svg, "#000", 3) == [pytest.approx(x_of(loose(), 0.062), abs=0.01)]  # the shim to fit
    heavy = [e for e in ET.fromstring(svg).iter(f"{SVG}line") if e.get("stroke-width") == "2.2"]
    assert [float(str(e.get("x1"))) for e in heavy] == [
        pytest.approx(x_of(loose(), limit), abs=0.01) for limit in (0.03, 0.20)
    ]
    (whisker,) = (
        e
        for e in ET.fromstring(svg).iter(f"{SVG}line")
        if e.get("stroke-width") == "1.6" and e.get("y1") == e.get("y2")
    )
    assert float(str(whisker.get("x1"))) == pytest.approx(x_of(loose(), 0.282), abs=0.01)
    assert float(str(whisker.get("x2"))) == pytest.approx(x_of(loose(), 0.342), abs=0.01)


def test_shims_on_hand_are_white_and_told_where_they_are_off_the_scale() -> None:
    svg = ruler_svg(loose())
    scale = scale_for(loose(), COLUMNS)
    on_scale = [s for s in SIZES if scale.low_mm <= s - 2.888 <= scale.high_mm and s != 2.95]
    assert len(tips(svg, "#fff", 3)) == len(on_scale)
    texts = [e.text for e in ET.fromstring(svg).iter(f"{SVG}text")]
    assert "10 sizes on hand would leave no end play; 10 sizes on hand beyond this scale" in texts
    assert "2.95" in texts


@pytest.mark.parametrize("unit", list(Unit))
def test_both_units_are_on_it(unit: Unit) -> None:
    texts = [e.text for e in ET.fromstring(ruler_svg(loose(unit))).iter(f"{SVG}text")]
    assert "mm" in texts
    assert "in" in texts


def test_no_two_labels_of_shims_lie_on_each_other() -> None:
    crowded = Picture(LIMITS, Unit.MM, notches=tuple(Notch(2.9 + 0.005 * i, 0.005 * i) for i in range(30)))
    spans: dict[str, list[tuple[float, float]]] = {}
    for e in ET.fromstring(ruler_svg(crowded)).iter(f"{SVG}text"):
        half = 0.5 * 4.5 * len(str(e.text))
        x = float(str(e.get("x")))
        if e.get("text-anchor") == "middle":
            assert all(x + half <= low or x - half >= high for low, high in spans.get(str(e.get("y")), []))
            spans.setdefault(str(e.get("y")), []).append((x - half, x + half))


def test_nothing_is_told_by_colour() -> None:
    colours = set(re.findall(r'(?:fill|stroke)="(#[0-9a-f]+)"', ruler_svg(loose())))
    assert colours <= {"#000", "#fff"}


def test_text_is_escaped() -> None:
    svg = ruler_svg(Picture(LIMITS, Unit.MM, 0.1, 0.01, '</text><script>"&'))
    assert "<script>" not in svg
    assert any(e.text == '</text><script>"&' for e in ET.fromstring(svg).iter(f"{SVG}text"))


def test_without_a_reading_there_is_none() -> None:
    assert "95 %" not in ruler_svg(Picture(LIMITS, Unit.MM))
