"""The page's ruler: which shim is marked as the one to fit."""

from __future__ import annotations

from calc.units import Unit
from shopboard.ruler import mark_of, ruler_of
from tests.shopboard.parts import result


def chosen(verdict: str) -> list[str]:
    one = result(verdict=verdict)
    mark = mark_of(one, Unit.MM)
    assert mark is not None
    notches = ruler_of(0.03, 0.20, Unit.MM, [mark], one)["notches"]
    assert len(notches) > 3
    return [notch["text"] for notch in notches if notch["chosen"]]


def test_the_shim_to_fit_is_marked_where_one_is_to_be_fitted() -> None:
    assert chosen("loose") == ["2.95"]
    assert chosen("within") == []  # a hub within limits is left as it is
