"""Castle nuts against published back-offs, and by counting slots and holes one by one."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.limits import Limits, chances
from calc.nuts import Castle, NutError, axial_mm, moves_of, turn_deg
from calc.units import MM_PER_INCH

INCH = float(MM_PER_INCH)


@given(st.integers(1, 24), st.integers(1, 4))
def test_the_places_are_those_where_a_pin_goes_right_through(slots: int, holes: int) -> None:
    if slots % 2 == 1:
        with pytest.raises(NutError, match="odd number"):
            Castle(slots, holes)
        return
    ends = 2 * holes
    # The nut turned by x brings slot i over end j when i/slots + x = j/ends, in turns.
    met = {(Fraction(j, ends) - Fraction(i, slots)) % 1 for i in range(slots) for j in range(ends)}
    castle = Castle(slots, holes)
    assert castle.places == len(met)
    assert {Fraction(i, castle.places) for i in range(castle.places)} == met
    # A pin goes right through: at each place the slot opposite stands over the other end.
    assert all((one + Fraction(1, 2)) % 1 in met for one in met)


@pytest.mark.parametrize(
    ("slots", "holes", "pitch_mm", "step_mm"),
    [
        (
            6,
            1,
            INCH / 16,
            0.010417 * INCH,
        ),  # one slot of 6 at 16 threads an inch: 0.010417 in, published 0.01041
        (6, 1, 1.5, 0.25),  # M24 x 1.5, 6 slots: 0.25 mm a slot
        (6, 2, 1.5, 0.125),  # with two pin holes at 90 degrees 0.125 mm
    ],
)
def test_one_step_of_the_nut(slots: int, holes: int, pitch_mm: float, step_mm: float) -> None:
    assert axial_mm(Castle(slots, holes).step_deg, pitch_mm) == pytest.approx(step_mm, abs=2e-5)


@pytest.mark.parametrize(
    ("turn", "threads", "inches"),
    # Back-offs of TMC RP 618A, as reproduced on public service sheets: the size of a step, not an end play.
    [
        (Fraction(1, 6), 12, 0.01389),
        (Fraction(1, 4), 18, 0.01389),
        (Fraction(1, 4), 16, 0.015625),
        (Fraction(1, 2), 14, 0.0357),
    ],
)
def test_published_back_offs_as_steps(turn: Fraction, threads: int, inches: float) -> None:
    assert axial_mm(float(turn * 360), INCH / threads) == pytest.approx(inches * INCH, abs=1.5e-3)
    # Each is more than the 0.005 in that the same practice allows as end play: it cannot be the result.
    assert axial_mm(float(turn * 360), INCH / threads) > 0.005 * INCH


@given(st.sampled_from([(6, 1), (6, 2), (8, 1), (10, 4), (12, 3)]), st.floats(0, 359.999))
def test_on_to_the_next_place(kind: tuple[int, int], at_deg: float) -> None:
    castle = Castle(*kind)
    on = castle.on_deg(at_deg)
    assert 0 <= on <= castle.step_deg
    whole = (at_deg + on) / castle.step_deg
    assert whole == pytest.approx(round(whole), abs=1e-6)


@pytest.mark.parametrize("at_deg", [-1.0, 360.0, math.nan, math.inf])
def test_an_angle_is_within_a_turn(at_deg: float) -> None:
    with pytest.raises(NutError, match="less than a turn"):
        Castle(6, 2).on_deg(at_deg)


def test_a_nut_is_turned_on_for_less_end_play() -> None:
    limits = Limits(0.03, 0.20)
    found = moves_of(Castle(6, 1), 1.5, 0.31, 0.004, 9.0, limits, wished_mm=0.10)
    assert [(m.places, m.angle_deg, m.expected_mm, m.fits) for m in found.moves] == [
        (2, 120.0, -0.19, False),
        (1, 60.0, 0.06, True),
        (0, 0.0, 0.31, False),
    ]
    assert found.choice is found.moves[1]
    assert found.exact_deg == pytest.approx(0.21 / 1.5 * 360)
    assert found.choice.p_within == pytest.approx(chances(0.06, 0.004, 9.0, limits).within)
    settled = moves_of(Castle(6, 1), 1.5, 0.31, 0.003, 9.0, limits, settling_u_mm=0.004)
    assert settled.choice is not None
    assert settled.choice.u_mm == pytest.approx(0.005)
    assert settled.wished_mm == limits.middle_mm


def test_a_nut_is_backed_off_for_more() -> None:
    found = moves_of(Castle(6, 2), 1.5, 0.01, 0.0, math.inf, Limits(0.03, 0.20))
    assert found.choice is not None
    assert (found.choice.places, found.choice.angle_deg) == (-1, -30.0)
    assert found.choice.expected_mm == pytest.approx(0.135)


def test_a_place_that_leaves_no_end_play_never_fits() -> None:
    found = moves_of(Castle(6, 1), 1.5, 0.25, 0.0, math.inf, Limits(0.0, 0.20))
    assert [(m.places, m.expected_mm, m.fits) for m in found.moves] == [(1, 0.0, False), (0, 0.25, False)]
    assert found.choice is None


@given(
    end_play=st.floats(0.001, 1.0),
    pitch=st.sampled_from([1.0, 1.5, 2.0, INCH / 16, INCH / 12]),
    kind=st.sampled_from([(6, 1), (6, 2), (8, 2), (10, 3)]),
    at=st.floats(0, 359.0),
    least=st.floats(0, 0.1),
    width=st.floats(0, 0.3),
)
def test_the_choice_equals_a_search(  # noqa: PLR0917 - what was drawn
    end_play: float, pitch: float, kind: tuple[int, int], at: float, least: float, width: float
) -> None:
    castle, limits = Castle(*kind), Limits(least, least + width)
    found = moves_of(castle, pitch, end_play, 0.0, math.inf, limits, at_deg=at)
    past = castle.past_deg(at)
    angles = [n * castle.step_deg - past for n in range(-300, 301)]
    fitting = [a for a in angles if limits.allow(e := end_play - a / 360 * pitch) and round(e * 1e6) > 0]
    assert len(fitting) == sum(move.fits for move in found.moves)
    assert (found.choice is None) == (not fitting)
    if found.choice is not None:
        off = abs(found.choice.expected_mm - limits.middle_mm)
        assert off <= min(abs(end_play - a / 360 * pitch - limits.middle_mm) for a in fitting) + 2e-6
    assert found.moves[0].expected_mm < found.moves[-1].expected_mm or len(found.moves) == 1


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Castle(0, 2), "0 slots: a castle nut has 1 to 24"),
        (lambda: Castle(6, 5), "5 pin holes: a spindle has 1 to 4"),
        (lambda: axial_mm(60, 16.0), "16 mm from thread to thread is no spindle nut's"),
        (lambda: axial_mm(60, math.nan), "from thread to thread"),
        (lambda: turn_deg(0.0, 0.1, 1.5), "back the nut off until there is some"),
        (lambda: turn_deg(0.3, -0.1, 1.5), "cannot be wished for"),
        (lambda: turn_deg(50.0, 0.1, 1.5), "33.3 turns lie between"),
        (
            lambda: moves_of(Castle(6, 1), 1.5, 0.3, 0.0, math.inf, Limits(0.0, 5000.0), wished_mm=0.1),
            "check the unit of limits",
        ),
    ],
)
def test_what_cannot_be_is_said_in_one_line(call: object, said: str) -> None:
    assert callable(call)
    with pytest.raises(NutError, match=said) as caught:
        call()
    assert "\n" not in str(caught.value)
