"""``trace redo`` of one measurement: side by side, kept only when asked, and never instead of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from joblog.fetch import load_measurement
from joblog.records import Measurement
from joblog.reviews import list_reviews
from tests.cli.looking_back import keep, run, said, simulated

ONE = simulated(0.31, 2)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    keep(path, ONE)
    return path


def stored(log: Path) -> Measurement:
    return load_measurement(log, ONE.id)


def test_plain_redo_is_as_the_contract_says(log: Path) -> None:
    assert json.loads(run("redo", ONE.id, "--json").stdout) == ONE.analysis | {"measurement_id": ONE.id}
    assert "Equal to what was recorded" in run("redo", ONE.id).stdout
    assert list_reviews(log) == []


def test_other_settings_stand_beside_the_recorded_ones(log: Path) -> None:
    result = run("redo", ONE.id[:8], "--without", "3", "--permissible-error", "0.004mm")
    assert result.exit_code == 0
    text = said(result)
    assert "Set otherwise: stroke 3 struck out; permissible error ± 0.0040 mm." in text
    assert "SIMULATED" in text
    lines = result.stdout.splitlines()
    heading, end_play = [line for line in lines if "RECORDED" in line or line.startswith("end play")]
    assert heading.split() == ["RECORDED", "REDONE"]
    assert end_play.count("mm ±") == 2
    assert "10 strokes" in text
    assert "8 strokes" in text
    assert "never for its number" in text
    assert "Nothing was kept: add --keep" in text
    assert list_reviews(log) == []
    assert stored(log) == ONE


def test_keep_puts_it_beside_the_measurement(log: Path) -> None:
    words = ["--without", "3", "--why", "the wheel was touched", "--who", "A. Fitter", "--keep", "--accept"]
    result = run("redo", ONE.id, *words)
    assert result.exit_code == 0
    assert "accepted in place of the measurement's own number" in said(result)
    assert "The measurement itself stays as it was recorded." in said(result)
    (review,) = list_reviews(log)
    assert (review.measurement_id, review.accepted, review.who) == (ONE.id, True, "A. Fitter")
    assert review.settings["without"][0]["stroke"] == 3
    assert stored(log) == ONE
    shown = said(run("show", ONE.id))
    assert "Reviews (the measurement itself stays as it was recorded):" in shown
    assert "by A. Fitter" in shown
    assert "ACCEPTED Set otherwise: stroke 3 struck out. Why: the wheel was touched" in shown
    (kept,) = json.loads(run("show", ONE.id, "--json").stdout)["reviews"]
    assert kept == json.loads(json.dumps(review.review_object()))


def test_json_is_the_review_object_kept_or_not(log: Path) -> None:
    found = json.loads(run("redo", ONE.id, "--resolution", "0.01mm", "--json").stdout)
    assert found["settings"] == {"resolution_mm": 0.01}
    assert "review_id" not in found
    kept = json.loads(run("redo", ONE.id, "--resolution", "0.01mm", "--keep", "--json").stdout)
    assert list(kept)[: len(found)] == list(found)
    assert kept["review_id"] == list_reviews(log)[0].id


def test_a_plain_look_can_be_kept_too(log: Path) -> None:
    result = run("redo", ONE.id, "--keep", "--accept", "--why", "looked at")
    assert result.exit_code == 0
    assert "Set otherwise: nothing." in said(result)
    assert list_reviews(log)[0].settings == {}


def test_too_little_left_is_refused_and_may_be_kept_but_not_accepted(log: Path) -> None:
    out = ["--without", "2,4,6,8", "--why", "all of them knocked"]
    result = run("redo", ONE.id, *out)
    assert result.exit_code == 3
    assert "strike out fewer, or measure again" in said(result)
    assert run("redo", ONE.id, *out, "--keep", "--accept").exit_code == 2
    assert run("redo", ONE.id, *out, "--keep").exit_code == 3
    assert [one.verdict for one in list_reviews(log)] == [None]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--without", "3", "--keep"], "--why: to keep an analysis without some strokes"),
        (["--without", "3", "--keep", "--why", " "], "--why: the reason is empty"),
        (["--without", "77"], "there is no stroke 77"),
        (["--without", "three"], "is no list of strokes"),
        (["--accept"], "--accept: is for a review that is kept: add --keep"),
        (["--resolution", "0mm"], "--resolution"),
        (["--resolution", "0.01"], "has no unit"),
        (["--permissible-error", "-1mm"], "outside 0 to 1 mm"),
        (["--misalignment", "95"], "outside 0 to 60"),
        (["--geometry", "lever"], "add --misalignment"),
        (["--geometry", "round", "--misalignment", "3"], "unknown"),
        (["--hub", "no-such.toml"], "no-such.toml"),
        (["--corner", "LR"], "--all: is missing"),
        (["--all"], "means every measurement"),
    ],
)
def test_a_mistake_is_one_line(words: list[str], told: str, log: Path) -> None:
    result = run("redo", ONE.id, *words)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert told in result.stderr
    assert result.stdout == ""
    assert list_reviews(log) == []


def test_nothing_named_is_one_line(log: Path) -> None:
    assert "name a measurement (see trace list), or give --all" in run("redo").stderr
    assert "keeps nothing" in run("redo", "--all", "--keep").stderr
    assert "keeps nothing" in run("redo", "--all", "--without", "3").stderr
    assert list_reviews(log) == []
