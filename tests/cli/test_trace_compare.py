"""Measurements held against each other: numbers as the rooms below compute them, and words that fit them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

from calc.units import Unit
from capture.readings import Gauge
from capture.simulator import HubModel, simulate
from cli.comparing import OF_THE_GAUGE, pairs_of, sentence
from cli.redoing import redo, review_of
from joblog.records import new_id
from joblog.reviews import add_review
from joblog.store import Store
from tests.cli.looking_back import keep, recorded, run, said, simulated

FOUND = simulated(0.31, 2)
LEFT = simulated(0.062, 3, stage="as-left")
AGAIN = simulated(0.31, 4)
REFUSED = recorded(simulate(HubModel(strokes=3), 1).trace)
STATED = Gauge(permissible_error_mm=0.004)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    keep(path, FOUND, LEFT, AGAIN, REFUSED)
    return path


def test_as_found_against_as_left(log: Path) -> None:
    assert log.exists()
    result = run("compare", FOUND.id[:8], LEFT.id[:8])
    assert result.exit_code == 0
    text = said(result)
    assert "less end play than A: more than chance, which alone would make" in text
    assert "in under 0.1 % of cases" in text
    assert "SIMULATED" in text
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    assert sum(line.count("A") for line in result.stdout.splitlines() if "┤" in line or "│" in line) >= 5


def test_the_same_hub_twice_differs_by_chance(log: Path) -> None:
    assert log.exists()
    assert "no more than chance" in said(run("compare", FOUND.id, AGAIN.id))


def test_the_numbers_for_programs(log: Path) -> None:
    assert log.exists()
    found = json.loads(run("compare", FOUND.id, LEFT.id, AGAIN.id, "--json").stdout)
    assert [one["measurement_id"] for one in found["measurements"]] == [FOUND.id, LEFT.id, AGAIN.id]
    assert [len(one["strokes"]) for one in found["measurements"]] == [10, 10, 10]
    first, second = found["differences"]
    assert (first["first"], first["second"], second["second"]) == (FOUND.id, LEFT.id, AGAIN.id)
    u = [one["u_mm"] for one in found["measurements"][:2]]
    assert first["difference_mm"] == pytest.approx(
        LEFT.analysis["end_play_mm"] - FOUND.analysis["end_play_mm"]
    )
    assert first["u_mm"] == pytest.approx((u[0] ** 2 + u[1] ** 2) ** 0.5)
    # the degrees of freedom of the sum of two results, and a two-sided p, by SciPy
    dof = [one["dof"] for one in found["measurements"][:2]]
    both = first["u_mm"] ** 4 / sum(one**4 / n for one, n in zip(u, dof, strict=True))
    assert first["dof"] == pytest.approx(both)
    second_t = abs(second["difference_mm"]) / second["u_mm"]
    assert second["p"] == pytest.approx(2 * stats.t.sf(second_t, second["dof"]))
    assert second["expanded_mm"] == pytest.approx(stats.t.ppf(0.975, second["dof"]) * second["u_mm"])
    assert (first["more_than_chance"], second["more_than_chance"]) == (True, False)
    assert (first["alike"], second["alike"]) == (None, None)


def test_the_errors_of_one_gauge_are_counted_twice_and_said() -> None:
    one = simulated(0.31, 2, STATED, gauge_name="SN 7")
    near = simulated(0.314, 4, STATED, gauge_name="SN 7")
    (pair,) = pairs_of([one, near])
    assert pair.sources == OF_THE_GAUGE[:1]
    assert pair.alike is not None
    assert not pair.difference.more_than_chance
    assert pair.alike.more_than_chance
    assert pair.alike.budget.u_mm < pair.difference.budget.u_mm
    (other,) = pairs_of([one, replace(near, gauge_name="SN 8")])
    assert other.alike is None
    assert other.difference == pair.difference


def test_which_gauge_it_was() -> None:
    one = simulated(0.31, 2, STATED)
    near = simulated(0.31, 4, STATED)
    assert pairs_of([one, replace(near, link="serial:/dev/ttyUSB0?baud=4800")])[0].alike is not None
    assert pairs_of([one, replace(near, link="serial:/dev/ttyUSB1")])[0].alike is None
    assert pairs_of([replace(one, origin="a.csv"), replace(near, origin="a.csv")])[0].alike is None


def test_said_in_the_output(log: Path) -> None:
    one = simulated(0.31, 2, STATED, gauge_name="SN 7")
    near = simulated(0.314, 4, STATED, gauge_name="SN 7")
    keep(log, one, near)
    text = said(run("compare", one.id, near.id))
    assert (
        "Both are of the same gauge. Its errors (indicator's permissible error) are counted in both" in text
    )
    assert "were they the same in both, it would be 0.00" in text
    assert json.loads(run("compare", one.id, near.id, "--json").stdout)["differences"][0]["alike"][
        "sources"
    ] == ["indicator's permissible error"]


def test_no_number_is_finer_than_the_gauge() -> None:
    (pair,) = pairs_of([FOUND, LEFT])
    assert sentence(pair, Unit.MM).startswith("B has 0.24")
    assert " ± 0.00" in sentence(pair, Unit.MM)
    assert sentence(pair, Unit.INCH).startswith("B has 0.0097")


def test_a_refused_one_is_shown_without_a_difference(log: Path) -> None:
    assert log.exists()
    result = run("compare", FOUND.id, REFUSED.id)
    assert result.exit_code == 3
    assert f"no end play was found in {REFUSED.id[:8]}" in result.stderr
    assert "than A" not in result.stdout
    first = json.loads(run("compare", REFUSED.id, FOUND.id, "--json").stdout)
    assert first["differences"] == []


def test_an_accepted_review_is_mentioned_and_not_mixed_in(log: Path) -> None:
    with Store.open(log) as store:
        add_review(store, review_of(LEFT.id, redo(LEFT), accepted=True, why="looked at"))
    text = said(run("compare", FOUND.id, LEFT.id))
    assert "A review of B was accepted (see trace show); compared is what was recorded." in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([FOUND.id], "1 given: name 2 to 10 measurements"),
        ([FOUND.id, FOUND.id], "is named twice"),
        ([FOUND.id] * 11, "11 given"),
        ([FOUND.id, "zzzz"], "no measurement 'zzzz'"),
    ],
)
def test_a_mistake_is_one_line(words: list[str], told: str, log: Path) -> None:
    assert log.exists()
    result = run("compare", *words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


def test_chance_is_called_a_difference_seldom() -> None:
    """Of pairs of simulated measurements of one hub no more differ than chance lets: 5 %, and 3 sigma."""
    several = [simulated(0.31, seed, id=new_id()) for seed in range(120)]
    called = sum(
        pairs_of([one, other])[0].difference.more_than_chance
        for one, other in zip(several[::2], several[1::2], strict=True)
    )
    assert called <= 60 * 0.05 + 3 * (60 * 0.05 * 0.95) ** 0.5
