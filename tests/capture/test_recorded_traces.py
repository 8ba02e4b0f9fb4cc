"""Recorded traces, all simulated: end play within the stated interval, and the numbers given before."""

from __future__ import annotations

import importlib.util
import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from capture.end_play import EndPlay, analyse_trace
from capture.readings import Trace
from capture.traces import read_csv

FOLDER = Path(__file__).parents[2] / "fixtures" / "traces"
TRUTH: dict[str, float] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))["end_play_mm"]
GOLDEN: dict[str, dict[str, float]] = json.loads((FOLDER / "golden.json").read_text(encoding="utf-8"))


@cache
def recorded(name: str) -> Trace:
    return read_csv(FOLDER / f"{name}.csv")


@cache
def measured(name: str) -> EndPlay:
    outcome = analyse_trace(recorded(name))
    assert isinstance(outcome, EndPlay), outcome
    return outcome


def test_every_trace_has_its_truth_and_its_golden_numbers() -> None:
    assert {path.stem for path in FOLDER.glob("*.csv")} == set(TRUTH) == set(GOLDEN)


@pytest.mark.parametrize("name", TRUTH)
def test_the_truth_lies_within_the_stated_interval(name: str) -> None:
    outcome = measured(name)
    assert abs(outcome.end_play_mm - TRUTH[name]) <= outcome.expanded_mm


@pytest.mark.parametrize("name", GOLDEN)
def test_the_numbers_are_those_given_before(name: str) -> None:
    outcome = measured(name)
    found = {
        "end_play_mm": outcome.end_play_mm,
        "expanded_mm": outcome.expanded_mm,
        "dof": outcome.dof,
        "drift_mm_per_s": outcome.drift_mm_per_s,
        "slip_mm": outcome.slip.size_mm if outcome.slip else 0.0,
        "strokes": outcome.strokes,
        "half_strokes": outcome.half_strokes,
    }
    assert found == pytest.approx(GOLDEN[name], abs=1e-9, rel=1e-9)


def test_each_trace_is_of_the_trouble_that_it_is_named_after() -> None:
    assert measured("good-half-thou").resolution_mm == pytest.approx(0.0127)
    assert measured("half-strokes").half_strokes >= 2
    slip = measured("slip").slip
    assert slip is not None
    assert slip.size_mm == pytest.approx(0.15, abs=0.01)
    assert 60 * measured("drift").drift_mm_per_s == pytest.approx(0.4, abs=0.05)
    before = recorded("set-up-and-zero").readings_mm[:100]
    assert max(before) - min(before) > 1.0
    assert len(recorded("good-mm")) > 100


def make_traces() -> Any:
    spec = importlib.util.spec_from_file_location("make_traces", FOLDER / "make_traces.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_script_makes_the_same_bytes_again(tmp_path: Path) -> None:
    make_traces().make(tmp_path)
    made = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {str(path.relative_to(FOLDER)) for path in FOLDER.rglob("*.csv")} | {"truth.json"}
    assert made == kept
    for name in sorted(made):
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name
