"""A search of the log as a person sees it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from cli.selecting import local_time
from joblog.records import Measurement, new_id, utc_now
from joblog.reviews import Review, add_review
from joblog.store import Store
from tests.cli.looking_back import keep, run, simulated

ONE = simulated()


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    monkeypatch.setenv("COLUMNS", "80")
    return path


def another(**changes: Any) -> Measurement:
    return replace(ONE, id=new_id(), **changes)


def test_one_screenful_and_how_to_see_more(log: Path) -> None:
    keep(log, *(another(job=str(number)) for number in range(25)))
    lines = run("list").stdout.splitlines()
    assert len(lines) == 1 + 20 + 3
    assert lines[-1] == "The last 20 of 25 measurements; --latest N or --all shows more."
    assert run("list", "--all").stdout.splitlines()[-1] == "25 measurements."
    assert run("list", "--latest", "1").stdout.splitlines()[-1].startswith("The last 1 of 25")
    assert (
        run("list", "--latest", "0").stdout
        == "The last 0 of 25 measurements; --latest N or --all shows more.\n"
    )
    assert len(run("list", "--json").stdout.splitlines()) == 25
    assert run("list", "--all", "--latest", "3").exit_code == 2


def test_long_texts_are_cut_and_no_line_is_wider_than_the_screen(log: Path) -> None:
    refused: dict[str, Any] = {"state": "unfinished", "verdict": None}
    keep(log, another(vehicle="Heron GT " * 30), another(vehicle="Ünïcödé " * 20, **refused))
    lines = run("list").stdout.splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert lines[1].endswith("…")
    assert local_time(ONE.at) in lines[1]


def test_units_are_named_once_where_they_are_the_same(log: Path) -> None:
    keep(log, another())
    heading, row, *_ = run("list").stdout.splitlines()
    assert "END PLAY, mm" in heading
    assert " mm" not in row
    keep(log, another(unit=Unit.INCH))
    heading, row, inch, *_ = run("list").stdout.splitlines()
    assert "END PLAY " in heading
    assert "mm ±" in row
    assert "in ±" in inch


@pytest.mark.parametrize(
    ("words", "which"),
    [
        (["--vehicle", "lg 12"], [0, 1]),
        (["--vehicle", "HERON", "--stage", "as-left"], [1]),
        (["--gauge", "sn 7"], [1]),
        (["--gauge", "ttyusb0"], [0, 1, 2]),
        (["--verdict", "loose"], [0]),
        (["--refused"], [2]),
        (["--since", "2026-03-03", "--until", "2026-03-05"], [1]),
        (["--job", "1"], []),
    ],
)
def test_filters(words: list[str], which: list[int], log: Path) -> None:
    refused: dict[str, Any] = {
        "state": "refused",
        "verdict": None,
        "vehicle": "other",
        "at": "2026-04-01T12:00:00Z",
    }
    left: dict[str, Any] = {
        "stage": "as-left",
        "verdict": "within",
        "gauge_name": "SN 7",
        "at": "2026-03-05T12:00:00Z",
    }
    made = [another(), another(**left), another(**refused)]
    keep(log, *made)
    found = [json.loads(line)["measurement_id"] for line in run("list", "--json", *words).stdout.splitlines()]
    assert found == [made[i].id for i in which]


def test_nothing_found_is_one_line(log: Path) -> None:
    keep(log, another())
    result = run("list", "--vehicle", "no such")
    assert result.exit_code == 0
    assert result.stdout == "No measurement is like that: ask for less.\n"
    assert run("list", "--vehicle", "no such", "--json").stdout == ""


def test_a_review_is_marked(log: Path) -> None:
    keep(log, one := another())
    with Store.open(log) as store:
        add_review(
            store,
            Review(
                id=new_id(),
                measurement_id=one.id,
                at=utc_now(),
                version="1",
                settings={},
                analysis=one.analysis,
            ),
        )
    result = run("list").stdout
    assert "loose * r" in result
    assert "r reviewed: see trace show ID." in result
