"""Reviews stand beside their measurement, and are never changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from joblog.errors import RecordError
from joblog.fetch import load_measurement
from joblog.reader import list_measurements
from joblog.records import Measurement, new_id, utc_now
from joblog.reviews import Review, add_review, list_reviews
from joblog.store import Store

Make = Callable[..., Measurement]


def review_of(measurement: Measurement) -> Review:
    return Review(
        id=new_id(),
        measurement_id=measurement.id,
        at=utc_now(),
        version="0.2.0",
        settings={"without": [{"stroke": 3, "from_s": 4.25, "to_s": 5.0000000001}]},
        analysis=measurement.analysis | {"end_play_mm": 0.1 + 0.7},
        verdict="loose",
        p_within=0.001,
        accepted=True,
        who="A. Fitter",
        why="the hub was not at its stop – ½ turn",
    )


def test_a_review_comes_back_as_it_was(tmp_path: Path, make: Make) -> None:
    path, measurement = tmp_path / "log.sqlite", make()
    one = review_of(measurement)
    two = replace(
        one, id=new_id(), settings={}, verdict=None, p_within=None, accepted=False, who=None, why=None
    )
    with Store.open(path) as store:
        store.add(measurement)
        store.add(other := make())
        add_review(store, one)
        add_review(store, two)
    assert list_reviews(path) == [one, two]
    assert list_reviews(path, measurement.id) == [one, two]
    assert list_reviews(path, other.id) == []
    assert load_measurement(path, measurement.id) == measurement  # as it was
    assert [row.reviews for row in list_measurements(path)] == [2, 0]


def test_a_review_is_searched_by_its_numbers(tmp_path: Path, make: Make) -> None:
    path, measurement = tmp_path / "log.sqlite", make()
    with Store.open(path) as store:
        store.add(measurement)
        add_review(store, review_of(measurement))
    with closing(sqlite3.connect(path)) as log:
        (row,) = log.execute("SELECT end_play_mm, u_mm, expanded_mm FROM review")
    assert row == (0.1 + 0.7, measurement.analysis["u_mm"], measurement.analysis["expanded_mm"])


def test_a_review_is_never_changed(tmp_path: Path, make: Make) -> None:
    path, measurement = tmp_path / "log.sqlite", make()
    one = review_of(measurement)
    with Store.open(path) as store:
        store.add(measurement)
        add_review(store, one)
        with pytest.raises(RecordError, match="never changed"):
            add_review(store, replace(one, why="another reason"))
    with closing(sqlite3.connect(path)) as log:
        for change in ("UPDATE review SET why = 'x'", "DELETE FROM review"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                log.execute(change)


def test_a_review_needs_its_measurement_and_finite_numbers(tmp_path: Path, make: Make) -> None:
    measurement = make()
    with Store.open(tmp_path / "log.sqlite") as store:
        with pytest.raises(RecordError, match="review"):
            add_review(store, review_of(measurement))
        store.add(measurement)
        with pytest.raises(RecordError, match="settings"):
            add_review(store, replace(review_of(measurement), settings={"resolution_mm": float("nan")}))
    assert list_reviews(tmp_path / "log.sqlite") == []


def test_an_empty_log_has_none(tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").touch()
    assert list_reviews(tmp_path / "log.sqlite") == []
