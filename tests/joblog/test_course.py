"""The course of a corner: every path of the trade, and what has no place leaves it where it stood."""

from __future__ import annotations

import pytest

from joblog.course import NUT_SET, SHIMMED, Happened, Move, Place, Standing, Table, go_on, may_come


def after(*moves: Move | Happened, shimmed: bool = True, parts_done: bool = True) -> Standing:
    standing = Standing()
    for number, move in enumerate(moves):
        happened = (
            move if isinstance(move, Happened) else Happened(move, f"e{number}", measurement=f"m{number}")
        )
        standing = go_on(standing, happened, shimmed, parts_done)
    return standing


FITTED = Happened(Move.FITTED, "fitted", thickness_mm=3.2)
TOGETHER = Happened(Move.REASSEMBLED, "together", thickness_mm=2.95)
BEARINGS = Happened(Move.PART, "bearings", trial=True)
TRIAL_IN = Happened(Move.FITTED, "trial", thickness_mm=3.75, trial=True)


def test_within_as_found_is_done() -> None:
    assert after(Move.FOUND_WITHIN).place is Place.DONE


def test_the_usual_course() -> None:
    before: list[Move | Happened] = [Move.FOUND_OUTSIDE, Move.TORN_DOWN, Move.PART, FITTED, Move.CHOSEN]
    moves = [*before, TOGETHER, Move.LEFT_WITHIN]
    places = [after(*moves[:count]).place for count in range(len(moves) + 1)]
    assert places == [
        Place.AS_FOUND, Place.TEARDOWN, Place.FITTED, Place.FITTED, Place.CHOOSE, Place.REASSEMBLE,
        Place.AS_LEFT, Place.DONE,
    ]  # fmt: skip


def test_parts_come_before_the_fitted_shim() -> None:
    assert after(Move.FOUND_OUTSIDE, Move.TORN_DOWN, parts_done=False).place is Place.PARTS
    assert Move.FITTED not in may_come(Place.PARTS, shimmed=True)


def test_out_of_limits_as_left_goes_round_again_with_the_shim_just_fitted() -> None:
    first = (Move.FOUND_OUTSIDE, Move.TORN_DOWN, FITTED, Move.CHOSEN, TOGETHER, Move.LEFT_OUTSIDE)
    failed = after(*first)
    assert (failed.place, failed.fitted_mm, failed.basis) == (Place.TEARDOWN, 2.95, "m5")
    assert after(*first, Move.TORN_DOWN).place is Place.CHOOSE  # parts and thickness are known


def test_new_bearings_take_the_trial_shim() -> None:
    so_far = (Move.FOUND_OUTSIDE, Move.TORN_DOWN, BEARINGS)
    assert (after(*so_far).place, after(*so_far).needs_trial, after(*so_far).basis) == (
        Place.FITTED,
        True,
        None,
    )
    assert after(*so_far, TRIAL_IN).place is Place.REASSEMBLE
    together = Happened(Move.REASSEMBLED, "t", thickness_mm=3.75)
    assert after(*so_far, TRIAL_IN, together).place is Place.TRIAL
    measured = after(*so_far, TRIAL_IN, together, Move.TRIAL_MEASURED)
    assert (measured.place, measured.fitted_mm, measured.basis) == (Place.CHOOSE, 3.75, "m5")
    assert (
        after(*so_far, TRIAL_IN, together, Move.TRIAL_MEASURED, Move.CHOSEN, TOGETHER).place is Place.AS_LEFT
    )


def test_the_trial_shim_may_stay() -> None:
    together = Happened(Move.REASSEMBLED, "t", thickness_mm=3.75)
    so_far = (Move.FOUND_OUTSIDE, Move.TORN_DOWN, BEARINGS, TRIAL_IN, together, Move.TRIAL_MEASURED)
    assert after(*so_far, Move.SKIPPED, together).place is Place.AS_LEFT


def test_new_bearings_found_while_choosing_go_back_to_the_trial_shim() -> None:
    standing = after(Move.FOUND_OUTSIDE, Move.TORN_DOWN, FITTED, Move.CHOSEN, BEARINGS)
    assert (standing.place, standing.chosen) == (Place.FITTED, None)


def test_a_hub_whose_nut_sets_the_end_play() -> None:
    def at(*moves: Move) -> Place:
        return after(*moves, shimmed=False).place

    assert at(Move.FOUND_OUTSIDE) is Place.REASSEMBLE
    assert at(Move.FOUND_OUTSIDE, Move.REASSEMBLED) is Place.AS_LEFT
    assert at(Move.FOUND_OUTSIDE, Move.REASSEMBLED, Move.LEFT_OUTSIDE) is Place.REASSEMBLE
    assert at(Move.FOUND_OUTSIDE, Move.REASSEMBLED, Move.LEFT_WITHIN) is Place.DONE
    assert at(Move.FOUND_OUTSIDE, Move.TORN_DOWN) is Place.REASSEMBLE  # with its parts looked at


def test_a_choice_that_rested_on_a_wrong_figure_is_made_again() -> None:
    stale = Happened(Move.CHOSEN, "c", stale="fitted was put right")
    standing = after(Move.FOUND_OUTSIDE, Move.TORN_DOWN, FITTED, stale)
    assert (standing.place, standing.chosen, standing.again) == (Place.CHOOSE, None, "fitted was put right")


@pytest.mark.parametrize("place", [Place.PARTS, Place.FITTED, Place.CHOOSE, Place.REASSEMBLE])
def test_a_hub_that_is_apart_is_not_measured(place: Place) -> None:
    assert Standing(place).stage is None


def test_what_has_no_place_there_leaves_it_where_it_stood() -> None:
    assert after(Move.LEFT_WITHIN) == Standing()
    assert after(Move.FOUND_OUTSIDE, Move.TORN_DOWN, Move.FOUND_WITHIN).place is Place.FITTED


@pytest.mark.parametrize("table", [SHIMMED, NUT_SET])
def test_the_table_is_whole(table: Table) -> None:
    """From every place there is a way to the end, and none leads out of the table."""
    for place in table:
        seen, left = {place}, [place]
        while left:
            for there in table[left.pop()].values():
                assert there in table
                if there not in seen:
                    seen.add(there)
                    left.append(there)
        assert Place.DONE in seen
