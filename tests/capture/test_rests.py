"""Where a reading keeps its place, and where it does not."""

from __future__ import annotations

import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.units import Unit
from capture.readings import Reading
from capture.rests import MOST_BAD, Rest, RestFinder


def readings(texts: str, unit: Unit = Unit.MM, period: float = 0.1) -> list[Reading]:
    return [Reading(Decimal(text), unit, i * period) for i, text in enumerate(texts.split())]


def rests(
    texts: str, *, unit: Unit = Unit.MM, period: float = 0.1, resolution: float | None = None
) -> list[Rest]:
    finder = RestFinder(resolution)
    found = [finder.feed(reading) for reading in readings(texts, unit, period)]
    return [rest for rest in found if rest]


def test_a_reading_that_keeps_its_place_for_a_second_is_one_rest() -> None:
    (rest,) = rests("1.234 " * 40)
    assert rest == Rest(1.234, 0.0, 11, 0.0, 1.0, 0.001)


def test_just_under_a_second_is_none() -> None:
    assert rests("1.234 " * 10) == []


def test_two_steps_apart_is_a_rest_and_three_is_not() -> None:
    (rest,) = rests("1.000 1.002 1.001 " * 5)
    assert rest.level_mm == 1.001
    # s of these 11: 4 x 1.000, 4 x 1.002, 3 x 1.001 about 1.001: sqrt(8 / 10) counts
    assert rest.spread_mm == pytest.approx(0.001 * 0.8**0.5)
    assert rests("1.000 1.003 " * 20) == []


def test_two_rests_with_a_move_between_are_told_once_each() -> None:
    found = rests("0.000 " * 15 + "0.3 0.7 0.9 " + "1.000 " * 15 + "0.5 0.4 0.1 " + "0.000 " * 15)
    assert [rest.level_mm for rest in found] == [0.0, 1.0, 0.0]


@pytest.mark.parametrize("bad", ["-1.234", "12.340", "0.000 0.000"])
def test_a_bad_reading_or_one_sent_twice_changes_nothing(bad: str) -> None:
    (rest,) = rests("1.234 " * 6 + f"{bad} " + "1.234 " * 20)
    assert rest.level_mm == 1.234
    assert rest.from_s == 0.0


def test_more_bad_readings_than_that_are_a_move() -> None:
    (rest,) = rests("1.234 " * 6 + "9.9 " * (MOST_BAD + 1) + "1.234 " * 20)
    assert rest.from_s == pytest.approx(0.1 * (6 + MOST_BAD + 1))


def test_two_readings_a_second_apart_are_too_few() -> None:
    assert rests("1.234 1.234", period=1.0) == []
    assert len(rests("1.234 1.234 1.234", period=1.0)) == 1


def test_a_steady_climb_is_no_rest() -> None:
    assert rests(" ".join(f"{i * 0.001:.3f}" for i in range(100))) == []


def test_inches_and_a_stated_resolution() -> None:
    (rest,) = rests("0.1250 0.1255 " * 10, unit=Unit.INCH, resolution=0.0127)
    assert rest.step_mm == 0.0127
    assert rest.level_mm == pytest.approx(0.1250 * 25.4)


def test_a_display_that_steps_by_five_is_found_out() -> None:
    # 0.0005 in with four decimals, flickering: the last digit alone would never let it rest
    found = rests("0.1250 0.1255 " * 12, unit=Unit.INCH)
    assert found
    assert found[0].step_mm == pytest.approx(0.0127)


def test_presses_of_a_button_are_rests_and_a_bounce_is_none() -> None:
    finder = RestFinder(single=True)
    ats = [0.0, 0.05, 0.29, 2.0, 2.31, 5.0]
    found = [finder.feed(Reading(Decimal("0.310"), Unit.MM, at)) for at in ats]
    assert [rest.from_s for rest in found if rest] == [0.0, 2.0, 2.31, 5.0]


@given(st.integers(0, 10_000))
def test_a_noisy_rest_lies_where_it_was_put(seed: int) -> None:
    rng = random.Random(seed)
    true = rng.uniform(0.5, 5.0)
    finder = RestFinder(0.001)
    for i in range(60):
        value = Decimal(f"{true + rng.uniform(-0.0005, 0.0005):.3f}")
        rest = finder.feed(Reading(value, Unit.MM, i * 0.05))
        if rest:
            break
    assert rest is not None
    assert abs(rest.level_mm - true) <= 0.0011
