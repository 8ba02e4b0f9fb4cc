"""Dates as people type them, and what several filters mean together."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from cli.errors import MisuseError
from cli.selecting import local_time, wanted_of
from joblog.reader import ANY, Wanted


@pytest.fixture(autouse=True)
def _in_a_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """One hour ahead of UTC in winter, two in summer; the rule stands in the variable itself."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("text", "begin", "end"),
    [
        ("2026-03-02", "2026-03-01T23:00:00.000Z", "2026-03-02T23:00:00.000Z"),
        ("2026-03", "2026-02-28T23:00:00.000Z", "2026-03-31T22:00:00.000Z"),  # summer time begins in it
        ("2026-12", "2026-11-30T23:00:00.000Z", "2026-12-31T23:00:00.000Z"),
        ("2026", "2025-12-31T23:00:00.000Z", "2026-12-31T23:00:00.000Z"),
        ("2026-07-02T14:30", "2026-07-02T12:30:00.000Z", "2026-07-02T12:30:00.000Z"),
        ("2026-07-02T14:30:00Z", "2026-07-02T14:30:00.000Z", "2026-07-02T14:30:00.000Z"),
        ("2024-02-29", "2024-02-28T23:00:00.000Z", "2024-02-29T23:00:00.000Z"),
    ],
)
def test_a_date_is_local_and_whole(text: str, begin: str, end: str) -> None:
    assert wanted_of(since=text).since == begin
    assert wanted_of(until=text).until == end


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2026-13", "2026-02-30", "2026-00", "0000", "26", "9999", "2.3.26"]
)
def test_what_is_no_date_is_told(text: str) -> None:
    with pytest.raises(MisuseError, match="is no date: write 2026-03-02"):
        wanted_of(until=text)


def test_a_time_is_shown_local_to_the_minute() -> None:
    assert local_time("2026-03-02T08:30:05.250Z") == "2026-03-02 09:30"
    assert local_time("2026-07-02T22:30:05.250Z") == "2026-07-03 00:30"


def test_words_are_checked_and_put_together() -> None:
    assert wanted_of() == ANY
    found = wanted_of(corner="lr", stage="as-left", verdict="Loose", vehicle="heron", job="12", gauge="sn")
    assert found == Wanted("LR", "as-left", None, "loose", "heron", "12", "sn")
    assert wanted_of(refused=True).state == "refused"
    for wrong in ({"corner": "X"}, {"stage": "later"}, {"verdict": "good"}):
        with pytest.raises(MisuseError, match="is not known: use"):
            wanted_of(**wrong)  # type: ignore[arg-type]
    with pytest.raises(MisuseError, match="no verdict"):
        wanted_of(refused=True, verdict="loose")
    with pytest.raises(MisuseError, match="exchange them"):
        wanted_of(since="2026-03", until="2026-02")
    assert wanted_of(since="2026-03", until="2026-03").until is not None
