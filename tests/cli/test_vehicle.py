"""A car over the years: no two cars mixed, no line drawn across a repair, and no forecast out of nothing."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from cli.whole import app
from joblog.jobs import EntryKind
from joblog.store import Store
from tests.cli.job_cards import Writer
from tests.cli.looking_back import keep, simulated

Do = Callable[[Writer], object]


def visit(log: Path, when: str, odometer: float | None, do: Do, **opened: Any) -> None:
    """One job at both rear corners."""
    with Store.open(log) as store:
        job = Writer(store, datetime.fromisoformat(f"{when}T08:00:00+00:00"))
        job.open(odometer=odometer, **opened)
        do(job)
        job.close()


def look(end_play_mm: float) -> Do:
    def do(job: Writer) -> None:
        job.measure("LR", "as-found", end_play_mm)

    return do


def run(log: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(app, ["vehicle", *map(str, words), "--log", str(log)])


def shown(log: Path, *words: str | Path) -> dict[str, Any]:
    result = run(log, "show", *words, "--json")
    assert result.exit_code == 0, result.stderr
    (line,) = result.stdout.splitlines()
    return dict(json.loads(line))


@pytest.fixture
def worn(tmp_path: Path) -> Path:
    """Loose, given another shim, and looked at four times since."""
    log = tmp_path / "log.sqlite"
    visit(log, "2021-04-01", 60_000, look(0.20))
    visit(log, "2022-04-01", 80_000, lambda job: job.rework("LR", 0.312, 0.062))
    for year, odometer, end_play in ((2023, 95_000, 0.08), (2024, 110_000, 0.098), (2025, 125_000, 0.116)):
        visit(log, f"{year}-04-01", odometer, look(end_play))
    return log


def test_the_trend_begins_with_the_last_as_left(worn: Path) -> None:
    told = shown(worn, "LG 1234")
    assert [one["line"] for one in told["readings"]] == [1, 1, 2, 2, 2, 2]
    assert [one["odometer_km"] for one in told["readings"]] == [60e3, 80e3, 80e3, 95e3, 110e3, 125e3]
    (trend,) = told["trends"]
    assert (trend["readings"], trend["distances"]) == (4, 4)
    mine = [one for one in told["readings"] if one["line"] == 2]
    x, y, u = (np.array([one[key] for one in mine]) for key in ("odometer_km", "end_play_mm", "u_mm"))
    slope, _ = np.polyfit(x - x.mean(), y, 1, w=1 / u)
    assert trend["line"]["slope_mm_per_km"] == pytest.approx(slope, rel=1e-9)
    reached = trend["reached_km"]
    assert reached["low"] < reached["estimate"] < reached["high"]
    line = trend["line"]
    assert line["intercept_mm"] + line["slope_mm_per_km"] * reached["estimate"] == pytest.approx(0.20)
    text = " ".join(run(worn, "show", "LG 1234").stdout.split())
    assert "would be reached at about" in text
    assert "no leave to drive on" in text
    assert "wear is counted from here" in text
    assert "C left rear" in text


def test_a_corner_that_is_apart_has_no_trend(worn: Path) -> None:
    visit(worn, "2026-04-01", 140_000, lambda job: job.add(EntryKind.TORN_DOWN, "LR"))
    trend = shown(worn, "LG 1234")["trends"][0]
    assert (trend["readings"], trend["line"], trend["too_few_to_tell"]) == (0, None, "too few points")
    assert "not measured as left yet" in run(worn, "show", "LG 1234").stdout


def test_a_renewed_part_begins_a_new_line(worn: Path) -> None:
    def renew(job: Writer) -> None:
        job.add(EntryKind.PART, "LR", {"name": "outer bearing", "action": "renewed", "with": []})
        job.measure("LR", "as-left", 0.07)

    visit(worn, "2026-04-01", 140_000, renew)
    assert shown(worn, "LG 1234")["readings"][-1]["line"] == 3


def test_a_correction_counts_as_of_what_it_corrects(worn: Path) -> None:
    def correct(job: Writer) -> None:
        wrong = job.add(EntryKind.REASSEMBLED, "LR", {"thicknesses_mm": [2.9]})
        job.measure("LR", "as-left", 0.07)
        job.add(EntryKind.REASSEMBLED, "LR", {"thicknesses_mm": [2.95]}, corrects=wrong.id)

    visit(worn, "2026-04-01", 140_000, correct)
    told = shown(worn, "LG 1234")
    assert told["readings"][-1]["line"] == 3
    assert told["trends"][0]["readings"] == 1  # the as left is on the line, not before it


def test_too_few_odometers_are_too_few_however_many_readings(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    for when, odometer in (("2022-01-01", 10_000), ("2022-01-02", 10_000), ("2023-01-01", 20_000)):
        visit(log, when, odometer, look(0.1))
    text = " ".join(run(log, "show", "LG 1234").stdout.split())
    assert "too few points to tell: 3 readings at 2 different odometers" in text


def test_what_does_not_rise_by_more_than_chance_reaches_nothing(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    for year, end_play in ((2022, 0.1), (2023, 0.096), (2024, 0.1)):
        visit(log, f"{year}-01-01", 1e4 * (year - 2021), look(end_play))
    (trend,) = shown(log, "LG 1234")["trends"]
    assert trend["too_few_to_tell"] == "not rising"
    assert trend["reached_km"] is None
    text = " ".join(run(log, "show", "LG 1234").stdout.split())
    assert "the slope is not above zero by more than chance" in text


def test_miles_and_kilometres_are_one_distance(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    visit(log, "2022-01-01", 100_000, look(0.1), unit="mi")
    visit(log, "2023-01-01", 170_000, look(0.12), unit="km")
    told = shown(log, "LG 1234")["readings"]
    assert [one["odometer_km"] for one in told] == [160_934.4, 170_000.0]  # 1 mi = 1.609344 km exactly
    assert told[0]["odometer"] == {"value": 100_000.0, "unit": "mi"}


def test_cars_are_known_by_registration_and_never_mixed(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    visit(log, "2022-01-01", 1000, look(0.1), registration="LG 1234")
    visit(log, "2022-01-02", 2000, look(0.1), registration="lg1234", vehicle="Heron GT, early")
    visit(log, "2022-01-03", 3000, look(0.1), registration="LG 5678")
    visit(log, "2022-01-04", 4000, look(0.1), registration=None)
    names = [line.split(":")[0] for line in run(log, "list").stdout.splitlines()]
    assert names == ["Heron GT, early, lg1234", "Heron GT, LG 5678", "Heron GT"]
    assert len(shown(log, "LG1234")["readings"]) == 2
    several = run(log, "show", "heron gt")
    assert several.exit_code == 2
    assert "fits" in several.stderr
    assert "LG 5678" in several.stderr
    assert "Heron GT (no registration)" in several.stderr
    assert len(shown(log, "heron gt", "--unregistered")["readings"]) == 1
    nobody = run(log, "show", "Kestrel")
    assert nobody.exit_code == 2
    assert "vehicle list" in " ".join(nobody.stderr.split())


def test_readings_without_a_job_card_are_there_without_an_odometer(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    keep(log, simulated(0.1, 1, job=None), simulated(0.12, 2, job=None, stage="as-left"))
    told = shown(log, "Heron GT, LG 1234")
    assert [(one["odometer"], one["line"]) for one in told["readings"]] == [(None, 1), (None, 2)]
    result = run(log, "show", "heron")
    assert result.exit_code == 0
    assert "no odometer" in result.stdout
    assert "year" in result.stdout


def test_a_trial_is_on_no_line(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    visit(log, "2022-01-01", 1000, lambda job: job.measure("LR", "trial", 0.3))
    assert shown(log, "LG 1234")["readings"][0]["line"] is None
    assert "Trend: too few points" in run(log, "show", "LG 1234").stdout


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_it_is_drawn_into_a_file_the_same_each_time(worn: Path, tmp_path: Path, ending: str) -> None:
    out = tmp_path / f"a.{ending}"
    assert run(worn, "show", "LG 1234", "--out", out).exit_code == 0
    first = out.read_bytes()
    again = run(worn, "show", "LG 1234", "--out", out)
    assert again.exit_code == 2
    assert "--force" in again.stderr
    assert run(worn, "show", "LG 1234", "--out", out, "--force").exit_code == 0
    assert out.read_bytes() == first


@pytest.mark.parametrize("name", ["$x^2$ \\frac", "<script>", "X" * 200, "Heron \x1b[31mGT"])
def test_any_name_can_be_shown_and_drawn(tmp_path: Path, name: str) -> None:
    log = tmp_path / "log.sqlite"
    visit(log, "2022-01-01", 1000, look(0.1), vehicle=name, registration=None)
    result = run(log, "show", name, "--out", tmp_path / "a.svg")
    assert result.exit_code == 0, result.stderr
    assert "\x1b" not in result.stdout


def test_the_page_of_contracts_has_every_key(worn: Path, tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "contracts.md").read_text(encoding="utf-8")
    section = page.partition("\n## Job sheets and vehicles\n")[2].partition("\n## ")[0]
    tables = [
        [key for row in block.splitlines()[2:] for key in re.findall(r"`(\w+)`", row.split("|")[1])]
        for block in re.findall(r"(?:^\|.*\|\n)+", section, re.MULTILINE)
    ]
    told = shown(worn, "LG 1234")
    (listed,) = (json.loads(line) for line in run(worn, "list", "--json").stdout.splitlines())
    out = tmp_path / "a.html"
    words = ["job", "sheet", "--json", "--out", str(out), "--log", str(worn)]
    sheet = json.loads(CliRunner().invoke(app, words).stdout)
    things = [sheet, listed, told, told["readings"][0], told["trends"][0]]
    assert [sorted(table) for table in tables] == [sorted(thing) for thing in things]
    for name in (*told["trends"][0]["line"], *told["trends"][0]["reached_km"]):
        assert f"`{name}`" in section
