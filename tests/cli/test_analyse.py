"""``shimwright analyse``: one object a file in order, and one bad file does not stop the others."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from calc.units import Unit
from capture.readings import Trace
from capture.simulator import HubModel, Motion, simulate
from capture.traces import write_csv
from cli.whole import app

ANALYSIS = [
    "usable",
    "reasons",
    "end_play_mm",
    "u_mm",
    "expanded_mm",
    "coverage_factor",
    "dof",
    "strokes",
    "half_strokes",
    "resolution_mm",
    "drift_mm_per_s",
    "budget",
]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["analyse", *map(str, words)])


def saved(trace: Trace, path: Path) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        write_csv(trace, file)
    return path


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return saved(simulate(HubModel(end_play_mm=0.31), 1).trace, tmp_path / "good.csv")


@pytest.fixture
def refused(tmp_path: Path) -> Path:
    return saved(simulate(HubModel(motion=Motion.STILL), 1).trace, tmp_path / "still.csv")


def test_the_object_has_the_contracts_keys_in_order(good: Path) -> None:
    result = run("--json", good)
    assert result.exit_code == 0
    assert result.stderr == ""
    found = json.loads(result.stdout)
    assert list(found) == ["file", *ANALYSIS]
    assert found["file"] == str(good)
    assert found["usable"] is True
    assert found["reasons"] == []
    assert abs(found["end_play_mm"] - 0.31) < 0.008
    assert all(list(row) == ["source", "kind", "u_mm", "dof"] for row in found["budget"])
    # GUM 5.1.2 and 6.2.1: the rows make u, and u times the factor makes the expanded uncertainty
    assert sum(row["u_mm"] ** 2 for row in found["budget"]) == pytest.approx(found["u_mm"] ** 2)
    assert found["coverage_factor"] * found["u_mm"] == pytest.approx(found["expanded_mm"])


def test_a_refused_file_has_reasons_and_no_numbers(refused: Path) -> None:
    result = run("--json", refused)
    assert result.exit_code == 3
    found = json.loads(result.stdout)
    assert list(found) == ["file", *ANALYSIS]
    assert found["usable"] is False
    assert [list(reason) for reason in found["reasons"]] == [["code", "text"]]
    assert found["budget"] == []
    assert {found[key] for key in ANALYSIS if key not in {"usable", "reasons", "budget"}} == {None}


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["good"], 0),
        (["good", "still"], 3),
        (["still", "good"], 3),
        (["missing", "good"], 2),
        (["still", "missing", "good"], 2),
        (["bad", "good", "still"], 2),
    ],
)
def test_one_bad_file_does_not_stop_the_others(
    names: list[str], code: int, tmp_path: Path, good: Path, refused: Path
) -> None:
    (tmp_path / "bad.csv").write_text("time_s,reading_mm\n0.0,0.310\n0.02,NaN\n")
    files = {"good": good, "still": refused, "missing": tmp_path / "gone.csv", "bad": tmp_path / "bad.csv"}
    asked = [files[name] for name in names]
    result = run("--json", *asked)
    assert result.exit_code == code
    objects = [json.loads(line) for line in result.stdout.splitlines()]
    assert [one["file"] for one in objects] == [str(file) for file in asked]
    assert [one["usable"] for one in objects] == [name == "good" for name in names]
    assert result.stderr.count("\n") == sum(name in {"missing", "bad"} for name in names)
    assert run(*asked).exit_code == code


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"time_s,reading_mm\n", "no readings"),
        (b"time,reading\n0,1\n", "line 1: the header"),
        (b"time_s,reading_mm\n0.0,0.1\n0.1\n", "line 3: 1 columns"),
        (b"time_s,reading_mm\n1.0,0.1\n0.5,0.1\n", "line 3: the time goes back"),
        (b"time_s,reading_mm\n1.0,0.1\n1.5,zero\n", 'line 3: the reading "zero"'),
        (b"\xff\xfe\x00", "is not text"),
    ],
)
def test_an_unreadable_file_is_one_line_that_names_file_and_line(
    content: bytes, said: str, tmp_path: Path
) -> None:
    file = tmp_path / "bad.csv"
    file.write_bytes(content)
    result = run(file)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert f"{file}" in result.stderr
    assert said in result.stderr


def test_inches_are_told_in_inches(tmp_path: Path) -> None:
    model = HubModel(end_play_mm=0.4318, unit=Unit.INCH, decimals=4, step=5)
    file = saved(simulate(model, 2).trace, tmp_path / "inch.csv")
    result = run(file)
    assert result.exit_code == 0
    assert re.search(r"End play 0\.01(69|70|71) in ± 0\.000\d in \(95 %\)", result.stdout)


def test_a_person_reads_where_the_uncertainty_comes_from_and_why_not(good: Path, refused: Path) -> None:
    assert "Standard uncertainty comes from: repeatability between strokes" in run(good).stdout
    text = run(refused).stdout
    assert "No end play:\n  - " in text


def test_the_gauges_permissible_error_comes_from_its_profile(good: Path, tmp_path: Path) -> None:
    profile = tmp_path / "gauge.toml"
    profile.write_text(
        'name = "shop indicator"\n[gauge]\nunit = "mm"\npermissible_error = 0.02\n'
        'permissible_error_source = "its data sheet"\n'
    )
    plain = json.loads(run("--json", good).stdout)
    result = run("--json", "--profile", profile, good)
    assert result.exit_code == 0, result.stderr
    wider = json.loads(result.stdout)
    assert wider["end_play_mm"] == plain["end_play_mm"]
    row = next(row for row in wider["budget"] if "permissible" in row["source"])
    assert row["u_mm"] == pytest.approx(0.02 / 3**0.5)  # GUM 4.3.7, rectangular
    assert wider["expanded_mm"] > plain["expanded_mm"]
