"""The printed trace keeps every peak, and marks what was found in it."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from cli.redoing import redo
from cli.stroke_list import strokes_of
from cli.trace_svg import thinned, trace_svg
from tests.cli.looking_back import simulated

SVG = "{http://www.w3.org/2000/svg}"


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=400), st.integers(1, 50))
def test_thinning_keeps_the_peaks_and_the_order(values: list[float], columns: int) -> None:
    times = [0.1 * i for i in range(len(values))]
    kept = thinned(times, values, columns)
    assert min(v for _, v in kept) == min(values)
    assert max(v for _, v in kept) == max(values)
    assert kept == sorted(kept, key=lambda pair: pair[0])
    assert kept[0] == (times[0], values[0])
    assert kept[-1] == (times[-1], values[-1])
    assert len(kept) <= 4 * columns
    assert set(kept) <= set(zip(times, values, strict=True))


def test_a_long_trace_becomes_short_and_keeps_its_spike() -> None:
    random = Random(3)
    values = [random.gauss(0, 0.001) for _ in range(50_000)]
    values[31_234] = 9.0
    kept = thinned([0.01 * i for i in range(50_000)], values, 200)
    assert len(kept) <= 800
    assert (312.34, 9.0) in [(round(t, 9), v) for t, v in kept]


def test_every_rest_has_a_bar_and_a_mark_and_both_units_stand_at_the_axes() -> None:
    m = simulated(0.31)
    strokes = strokes_of(redo(m).outcome)
    root = ET.fromstring(trace_svg(m.trace, strokes, m.unit))
    bars = [e for e in root.iter(f"{SVG}line") if e.get("stroke-width") == "2.6"]
    assert len(bars) == len(strokes)
    fills = [e.get("fill") for e in root.iter(f"{SVG}polygon")]
    outward = sum(1 for s in strokes if s.rest.on_stop and s.rest.side > 0)
    assert fills.count("#000") == outward
    texts = [e.text for e in root.iter(f"{SVG}text")]
    assert {"mm", "in", "time, s"} <= set(texts)


def test_one_reading_alone_can_be_drawn() -> None:
    m = simulated(0.31)
    one = replace(m.trace, times_s=m.trace.times_s[:1], counts=m.trace.counts[:1])
    assert ET.fromstring(trace_svg(one, (), Unit.INCH)).tag == f"{SVG}svg"
