"""``shimwright export`` and ``import``: from one log into another, and what a careless user gets."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from joblog.store import Store

GOLDEN = Path(__file__).parents[2] / "fixtures" / "logs"
IDS = [f"{digit * 8}-{digit * 4}-4{digit * 3}-8{digit * 3}-{digit * 12}" for digit in "123"]

Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(autouse=True)
def log(tmp_path: Path) -> Path:
    """The golden log: LR measured, RR refused, LF unfinished, and two checks of gauges."""
    path = tmp_path / "log.sqlite"
    shutil.copy(GOLDEN / "version-2.db", path)
    Store.open(path).close()
    return path


def ids_in(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as opened:
        return [row[0] for row in opened.execute("SELECT id FROM measurement ORDER BY id")]


@pytest.mark.parametrize("name", ["out.zip", "out", "out.jsonl", "out.sqlite", "out.db", "out.parquet"])
def test_there_and_back(name: str, tmp_path: Path, quick: Shimwright) -> None:
    out = quick("export", "--to", name)
    assert (out.returncode, out.stderr) == (0, "")
    assert out.stdout == f"3 measurements, 2 gauge checks written to {name}\n"
    back = quick("import", name, "--log", "back.sqlite")
    assert (back.returncode, back.stderr) == (0, "")
    assert "3 measurements, 2 gauge checks added; not queued to be published" in back.stdout
    assert (
        "nothing added; known already: 3 measurements" in quick("import", name, "--log", "back.sqlite").stdout
    )
    for one in IDS:
        shown = [
            quick("trace", "show", one, "--json", "--log", path).stdout
            for path in ("log.sqlite", "back.sqlite")
        ]
        assert shown[0] == shown[1] != ""
    with Store.open(tmp_path / "back.sqlite") as store:
        assert store.unsent() == []


@pytest.mark.parametrize(
    ("words", "chosen"),
    [
        (["--corner", "LR"], [0]),
        (["--refused"], [1]),
        (["--stage", "trial"], [2]),
        (["--verdict", "loose"], [0]),
        (["--gauge", "sn 12"], [0]),
        (["--latest", "2"], [1, 2]),
        (["--since", "2026-03-02T09:15:00+00:00"], [2]),
        (["--until", "2026-03-02T09:15:00+00:00"], [0, 1]),
        (["1111", "33"], [0, 2]),
    ],
)
def test_any_selection(words: list[str], chosen: list[int], tmp_path: Path, quick: Shimwright) -> None:
    result = quick("export", *words, "--to", "some.sqlite")
    assert (result.returncode, result.stderr) == (0, "")
    assert ids_in(tmp_path / "some.sqlite") == [IDS[number] for number in chosen]


def test_lines_go_to_standard_output_and_nothing_else_does(tmp_path: Path, shimwright: Shimwright) -> None:
    result = shimwright("export", "--format", "jsonl", afresh=True)
    assert (result.returncode, result.stderr) == (0, "3 measurements, 2 gauge checks written\n")
    assert [json.loads(line).get("record") for line in result.stdout.splitlines()].count("trace") == 3
    (tmp_path / "piped").write_text(result.stdout, encoding="utf-8")
    assert shimwright("import", "piped", "--log", "back.sqlite", afresh=True).returncode == 0
    assert ids_in(tmp_path / "back.sqlite") == IDS


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["export"], "--to: name the file to make"),
        (["export", "--to", "x.doc"], "x.doc does not say which format"),
        (["export", "--format", "csv"], "--to: name the file"),
        (["export", "--to", "x.zip", "--format", "xlsx"], '"xlsx" is not known'),
        (["export", "--format", "jsonl", "--json"], "--json: standard output holds the export itself"),
        (["export", "--to", "log.sqlite"], "log.sqlite exists and stays as it is"),
        (["export", "--to", "nowhere/x.zip"], "nowhere/x.zip cannot be written"),
        (["export", "--to", "x.zip", "--vehicle", "nobody's"], "no measurement in the log is as wanted"),
        (["export", "9999", "--to", "x.zip"], "no measurement '9999'"),
        (["export", "1111", "--corner", "LR", "--to", "x.zip"], "not both"),
        (["export", "--to", "x.zip", "--log", "none.sqlite"], "there is no log at none.sqlite"),
        (["import"], "FILE"),
        (["import", "none"], "none: No such file"),
        (["import", "words"], "words cannot be imported"),
    ],
)
def test_a_mistake_is_one_line_and_makes_nothing(
    words: list[str], said: str, tmp_path: Path, quick: Shimwright
) -> None:
    (tmp_path / "words").write_text("nothing to see\n")
    before = {path.name for path in tmp_path.iterdir()}
    result = quick(*words)
    assert (result.returncode, result.stdout) == (2, "")
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
    after = {path.name for path in tmp_path.iterdir()}
    assert {name for name in after - before if not name.startswith("log.sqlite-")} == set()


def test_one_bad_file_does_not_stop_the_others(tmp_path: Path, quick: Shimwright) -> None:
    quick("export", IDS[0], "--to", "one.zip")
    quick("export", IDS[1], "--to", "two.jsonl")
    (tmp_path / "words").write_text("nothing to see\n")
    result = quick("import", "one.zip", "words", "two.jsonl", "--log", "back.sqlite", "--json")
    assert result.returncode == 2
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert [one["file"] for one in told] == ["one.zip", "words", "two.jsonl"]
    assert [one["error"] is None for one in told] == [True, False, True]
    assert ids_in(tmp_path / "back.sqlite") == IDS[:2]


def test_what_differs_is_told_and_the_exit_code_says_so(log: Path, quick: Shimwright) -> None:
    quick("export", "--to", "out.sqlite")
    with closing(sqlite3.connect(log)) as opened, opened:
        opened.execute("DROP TRIGGER measurement_no_update")
        opened.execute("UPDATE measurement SET vehicle = 'another' WHERE corner = 'LR'")
    result = quick("import", "out.sqlite")
    assert result.returncode == 2
    assert result.stderr == (
        "out.sqlite: measurement 11111111 is in the log and differs in vehicle; what the log has stays\n"
    )
    assert "known already: 2 measurements, 2 gauge checks; 1 differing from what the log has" in result.stdout
    told = json.loads(quick("import", "out.sqlite", "--json").stdout)
    assert told["differing"] == [{"table": "measurement", "id": IDS[0], "columns": ["vehicle"]}]


def test_publish_and_dry_run(tmp_path: Path, quick: Shimwright) -> None:
    quick("export", "--to", "out.zip")
    dry = quick("import", "out.zip", "--log", "back.sqlite", "--dry-run")
    assert "3 measurements, 2 gauge checks would be added" in dry.stdout
    assert ids_in(tmp_path / "back.sqlite") == []
    assert (
        "; queued to be published" in quick("import", "out.zip", "--log", "back.sqlite", "--publish").stdout
    )
    with Store.open(tmp_path / "back.sqlite") as store:
        assert [one.measurement_id for one in store.unsent()] == IDS


def test_a_damaged_trace_is_named_and_nothing_is_made(log: Path, tmp_path: Path, quick: Shimwright) -> None:
    with closing(sqlite3.connect(log)) as opened, opened:
        opened.execute("DROP TRIGGER trace_no_update")
        opened.execute("UPDATE trace SET data = x'00' WHERE measurement_id = ?", (IDS[1],))
    for name in ("out.zip", "out", "out.jsonl", "out.sqlite", "out.parquet"):
        result = quick("export", "--to", name)
        assert result.returncode == 2
        assert IDS[1] in result.stderr
        assert result.stderr.count("\n") == 1
        assert not (tmp_path / name).exists()
        assert quick("export", IDS[0], "--to", name).returncode == 0, "what is sound is still handed on"


def test_a_full_disk_is_one_line_and_leaves_nothing(tiny_disk: Path, quick: Shimwright) -> None:
    (tiny_disk / "filler").write_bytes(b"x" * 778_000)
    for name in ("out", "out.jsonl", "out.sqlite"):
        result = quick("export", "--to", tiny_disk / name)
        assert result.returncode == 2
        assert result.stderr.count("\n") == 1
        assert "o space left" in result.stderr
        assert [path.name for path in tiny_disk.iterdir()] == ["filler"]
