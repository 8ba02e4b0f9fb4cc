"""What to do now at a corner."""

from __future__ import annotations

from typing import Any

import pytest

from bus.payloads import CornerStatus, Phase
from cli.todo import AtGauge, todo_at
from joblog.course import Place

HERE = AtGauge(there=True, phase=Phase.WAITING)
ASKED = ["Take the hub apart.", "Fit 2.85 mm."]


def card(place: Place, *todo: str) -> CornerStatus:
    known: dict[str, Any] = {"hub_title": "Heron GT rear hub", "least_mm": 0.03, "most_mm": 0.2}
    return CornerStatus(corner="LR", unit="mm", stage="as-left", place=place, todo=list(todo), **known)


APART = card(Place.REASSEMBLE, "Next: fit the 2.85 mm shim.", "Mind: the press.")
DUE = card(Place.AS_LEFT, "Now: measure as left.", "Mind: stands.")


@pytest.mark.parametrize(
    "gauge",
    [HERE, AtGauge(there=False), AtGauge(there=True, why_lost="unplugged"), AtGauge(there=True, held=True)],
)
def test_with_the_hub_apart_the_card_speaks_and_no_gauge_is_asked_for(gauge: AtGauge) -> None:
    assert todo_at(gauge, APART, ASKED, has_result=True) == APART.todo


def test_what_is_due_is_said_with_what_the_gauge_needs() -> None:
    assert todo_at(HERE, DUE, ASKED, has_result=True) == ["Push and pull the hub, stop to stop.", *DUE.todo]
    lost = AtGauge(there=True, why_lost="unplugged")
    assert todo_at(lost, DUE, (), has_result=False)[0] == "The gauge is not connected: unplugged."
    assert "put one there" in todo_at(AtGauge(there=False), DUE, (), has_result=False)[0]


def test_while_it_is_measured_nothing_else_comes_first() -> None:
    at_work = AtGauge(there=True, phase=Phase.MEASURING)
    assert todo_at(at_work, APART, ASKED, has_result=True)[0].startswith("Go on pushing")


def test_why_there_was_no_result_is_said_before_the_card() -> None:
    why = ["The strokes disagree.", "Then measure this corner again."]
    assert todo_at(HERE, DUE, why, has_result=False) == [*why, *DUE.todo]


def test_until_the_card_is_read_again_the_result_speaks() -> None:
    assert todo_at(HERE, card(Place.AS_FOUND), ASKED, has_result=True) == ASKED


def test_without_a_card_the_result_speaks_then_the_gauge() -> None:
    assert todo_at(HERE, None, ASKED, has_result=True) == ASKED
    assert todo_at(HERE, None, (), has_result=False) == ["Push and pull the hub, stop to stop."]
    settling = AtGauge(there=True, phase=Phase.SETTLING)
    assert todo_at(settling, None, (), has_result=False)[0].startswith("Wait")
