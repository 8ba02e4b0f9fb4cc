"""Studies in a real log: what was put down is there, in order, and nothing is changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from joblog.errors import RecordError
from joblog.records import Measurement, new_id, utc_now
from joblog.store import Store
from joblog.studies import (
    AmbiguousStudy,
    NoSuchStudy,
    Order,
    Plan,
    Study,
    StudyValue,
    Turn,
    add_study,
    add_value,
    left_behind,
    list_studies,
    load_study,
    turns_of,
)

Make = Callable[..., Measurement]

PLAN = Plan(
    people=("Bo", "Ann"),
    parts=("RF", "LF"),
    turns=turns_of(["Ann", "Bo"], ["LF", "RF"], 2, Order.RANDOM, 7),
    seed=7,
    hub_text='title = "½"',
    unit="mm",
    corner=None,
)


def study() -> Study:
    return Study(id=new_id(), at="2026-03-01T08:00:00.000Z", title="two people", version="0", plan=PLAN)


def value(turn: Turn, value_mm: float, **more: str | bool | None) -> StudyValue:
    return replace(StudyValue(id=new_id(), at=utc_now(), turn=turn, value_mm=value_mm), **more)  # type: ignore[arg-type]


def test_a_study_and_its_values_come_back_whole(tmp_path: Path, make: Make) -> None:
    path, planned, measurement = tmp_path / "log.sqlite", study(), make()
    first = value(PLAN.turns[0], 0.1 + 0.2)
    second = value(PLAN.turns[1], 0.31, measurement_id=measurement.id, simulated=True)
    with Store.open(path) as store:
        store.add(measurement)
        add_study(store, planned)
        add_value(store, planned.id, first)
        add_value(store, planned.id, second)
    assert load_study(path, planned.id[:6].upper()) == replace(planned, values=(first, second))
    assert [one.id for one in list_studies(path)] == [planned.id]


def test_a_correction_stands_in_place_and_the_old_one_stays(tmp_path: Path) -> None:
    path, planned = tmp_path / "log.sqlite", study()
    wrong = value(PLAN.turns[0], 3.1)
    right = value(PLAN.turns[0], 0.31, corrects=wrong.id)
    with Store.open(path) as store:
        add_study(store, planned)
        add_value(store, planned.id, wrong)
        add_value(store, planned.id, right)
    found = load_study(path, planned.id)
    assert found.values == (wrong, right)
    assert found.current == {PLAN.turns[0]: right}
    assert len(found.missing) == len(PLAN.turns) - 1
    assert [one.value_mm for one in found.study_values()] == [0.31]
    with closing(sqlite3.connect(path)) as log, pytest.raises(sqlite3.IntegrityError, match="never changed"):
        log.execute("UPDATE study_value SET value_mm = 0.3")


def test_the_newest_counts_in_whichever_order_they_came() -> None:
    old = replace(value(PLAN.turns[0], 0.1), at="2026-03-01T09:00:00.000Z")
    new = replace(value(PLAN.turns[0], 0.2), at="2026-03-01T10:00:00.000Z")
    slow_clock = replace(value(PLAN.turns[0], 0.3, corrects=new.id), at="2026-03-01T08:00:00.000Z")
    for order in ((old, new), (new, old)):
        assert replace(study(), values=order).current[PLAN.turns[0]] == new
    assert replace(study(), values=(new, slow_clock)).current[PLAN.turns[0]] == slow_clock


def test_what_the_log_cannot_take_is_told(tmp_path: Path) -> None:
    with Store.open(tmp_path / "log.sqlite") as store:
        with pytest.raises(RecordError):
            add_value(store, new_id(), value(PLAN.turns[0], 0.3))
        planned = study()
        add_study(store, planned)
        with pytest.raises(RecordError):
            add_value(store, planned.id, value(PLAN.turns[0], 0.3, corrects=new_id()))


def test_ids_that_fit_none_or_several(tmp_path: Path) -> None:
    path, one = tmp_path / "log.sqlite", study()
    other = replace(one, id=one.id[:-1] + ("1" if one.id[-1] == "0" else "0"))
    with Store.open(path) as store:
        add_study(store, one)
        add_study(store, other)
    with pytest.raises(AmbiguousStudy):
        load_study(path, one.id[:8])
    for wrong in ("", "zzz"):
        with pytest.raises(NoSuchStudy):
            load_study(path, wrong)


def test_a_measurement_whose_value_was_not_put_down_any_more_is_found(tmp_path: Path, make: Make) -> None:
    path, planned = tmp_path / "log.sqlite", study()
    turn, other = PLAN.turns[:2]
    kept = make(job=planned.job_of(turn))
    refused = make(job=planned.job_of(other), state="refused", verdict=None, analysis={})
    with Store.open(path) as store:
        add_study(store, planned)
        store.add(kept)
        store.add(refused)
        found = left_behind(path, load_study(path, planned.id))
        assert found == [(turn, kept.id, kept.analysis["end_play_mm"])]
        add_value(store, planned.id, value(turn, found[0][2], measurement_id=kept.id))
    assert left_behind(path, load_study(path, planned.id)) == []


@pytest.mark.parametrize("order", list(Order))
def test_every_order_has_every_turn_once_round_by_round(order: Order) -> None:
    people, parts = ["Ann", "Bo", "Cy"], ["LF", "RF", "LR", "RR"]
    turns = turns_of(people, parts, 3, order, 5)
    assert len(set(turns)) == len(turns) == 36
    assert [turn.repeat for turn in turns] == [1] * 12 + [2] * 12 + [3] * 12
    assert turns == turns_of(people, parts, 3, order, 5)
    changes = sum(a.person != b.person for a, b in pairwise(turns))
    if order is Order.RANDOM:
        assert turns != turns_of(people, parts, 3, order, 6)
        assert changes > 10
    else:
        assert changes <= 8
