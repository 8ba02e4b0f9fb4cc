"""The ruler's scale: what it must hold, whatever is shown, and numbers that people can read."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.limits import Limits
from calc.ruler import ends_mm, ticks
from calc.units import Unit

LENGTHS = st.floats(0.001, 5.0)


@given(LENGTHS, LENGTHS, st.lists(st.tuples(LENGTHS, st.floats(0.0, 1.0)), max_size=3), st.floats(-2.0, 5.0))
def test_limits_readings_and_the_shim_to_fit_are_always_on_it(
    least_mm: float, width_mm: float, readings: list[tuple[float, float]], chosen_mm: float
) -> None:
    limits = Limits(least_mm, least_mm + width_mm)
    low, high = ends_mm(limits, readings, [(max(0.0, chosen_mm), True)])
    assert low <= 0.0
    assert low <= least_mm < limits.most_mm < high
    assert max(0.0, chosen_mm) < high
    assert all(low <= value - spread and value + spread < high for value, spread in readings)


def test_a_shim_far_beyond_the_limits_does_not_stretch_it() -> None:
    limits = Limits(0.03, 0.20)
    alone = ends_mm(limits, [], [])
    assert ends_mm(limits, [], [(0.31, False), (-0.5, False)]) == alone
    assert ends_mm(limits, [], [(0.29, False)])[1] > alone[1]
    assert ends_mm(limits, [], [(0.31, True)])[1] > 0.31


@pytest.mark.parametrize("unit", Unit)
@given(low=st.floats(-0.5, 0.0), span=st.floats(0.01, 5.0), most=st.floats(2.0, 20.0))
def test_numbers_are_round_even_and_not_too_many(unit: Unit, low: float, span: float, most: float) -> None:
    found = ticks(low, low + span, unit, most)
    assert len(found) <= most + 1.001
    steps = {round(float(b) - float(a), 9) for (_, a), (_, b) in itertools.pairwise(found)}
    assert len(steps) <= 1
    for step in steps:
        assert f"{step:.0e}"[0] in "125"
    for at_mm, text in found:
        assert float(text) * (25.4 if unit is Unit.INCH else 1.0) == pytest.approx(at_mm, abs=1e-9)
