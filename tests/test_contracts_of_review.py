"""docs/contracts.md against the objects of looking back: the review, the comparison, the whole log."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calc.alignment import Geometry
from calc.hub import load_hub
from capture.readings import Gauge
from cli.redo_all import change_of, summary_of
from cli.redoing import Settings, redo, review_of
from joblog.records import new_id
from tests.cli.looking_back import keep, run, simulated
from tests.test_contracts import CONTRACTS, REAR, keys, never_null, nulls, tables

ONE = simulated(0.31, 2)
FULL = Settings(
    without=(3,),
    resolution_mm=0.002,
    permissible_error_mm=0.004,
    misalignment_deg=3.0,
    geometry=Geometry.LEVER,
    hub=load_hub(REAR),
)


def test_the_review_object() -> None:
    own, settings = tables(CONTRACTS, "The review object")
    again = redo(ONE, FULL)
    review = review_of(ONE.id, again, why="x", who="A. Fitter").review_object()
    assert list(review) == [*again.analysis, *keys(own)]
    assert nulls(review) == set()
    bare = review_of(ONE.id, redo(replace(ONE, trace=ONE.trace.cut(0, 20)))).review_object()
    assert nulls(bare) - set(again.analysis) == set(keys(own)) - never_null(own)
    kept = again.settings_object()
    assert list(kept) == keys(settings)
    inside = {row[0]: row[1] for row in settings}
    for name in ("without", "hub"):
        example = kept[name][0] if name == "without" else kept[name]
        assert all(f'"{key}"' in inside[name] for key in example)


def test_what_was_not_kept_lacks_the_last_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(tmp_path / "log.sqlite"))
    keep(tmp_path / "log.sqlite", ONE)
    (own, _) = tables(CONTRACTS, "The review object")
    found = json.loads(run("redo", ONE.id, "--without", "3", "--json").stdout)
    assert list(found) == [*ONE.analysis, *keys(own)[: keys(own).index("review_id")]]


def test_the_comparison(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(tmp_path / "log.sqlite"))
    of, between = tables(CONTRACTS, "The comparison")
    stated = Gauge(permissible_error_mm=0.004)
    one, two = (simulated(0.31, seed, stated, gauge_name="SN 7") for seed in (2, 4))
    keep(tmp_path / "log.sqlite", one, two, ONE)
    found = json.loads(run("compare", one.id, two.id, ONE.id, "--json").stdout)
    assert list(found) == ["measurements", "differences"]
    assert [list(each) for each in found["measurements"]] == [keys(of)] * 3
    assert [list(each) for each in found["differences"]] == [keys(between)] * 2
    assert nulls(found["differences"][0]) == set()
    assert nulls(found["differences"][1]) == {"alike"}
    assert list(found["measurements"][0]["strokes"][0]) == ["stroke", "direction", "height_mm"]
    numbers = keys(between)
    inside = numbers[numbers.index("difference_mm") : numbers.index("more_than_chance") + 1]
    assert list(found["differences"][0]["alike"]) == ["sources", *inside]


def test_a_whole_log_analysed_again() -> None:
    each, whole = tables(CONTRACTS, "A whole log analysed again")
    other = replace(ONE, id=new_id(), analysis=ONE.analysis | {"end_play_mm": 0.2})
    found = change_of(other)
    assert isinstance(found, dict)
    assert list(found) == keys(each)
    assert nulls(found) == set()
    words = next(row[1] for row in each if row[0] == "recorded")
    assert all(f'"{key}"' in words for key in found["recorded"])
    summary: dict[str, Any] = summary_of(1, Counter({"numbers": 1}), [found], 0.5)
    assert list(summary) == keys(whole)
    assert nulls(summary) == set()
    assert nulls(summary_of(1, Counter({"same": 1}), [], 0.5)) == set(keys(whole)) - never_null(whole)
