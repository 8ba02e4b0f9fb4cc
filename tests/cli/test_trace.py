"""What the log holds, shown, analysed again and handed out."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from calc.hub import load_hub
from capture.profiles import BUILT_IN
from capture.traces import read_csv
from cli.live import Live
from cli.measuring import Order, carry_out
from cli.whole import app
from joblog.records import Measurement
from joblog.store import Store


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["trace", *map(str, words)])


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    return path


@pytest.fixture
def measured(log: Path, hub_file: Path) -> list[Measurement]:
    """A loose left rear, a tight right rear of another car, and a hub that was turned."""
    plain = Order(
        hub=load_hub(hub_file),
        corner="LR",
        stage="as-found",
        link="simulated:?end_play=0.312mm&seed=4&speed=max",
        profile=BUILT_IN["line"],
        fitted_mm=3.20,
        vehicle="Heron GT",
        job="12",
    )
    orders = [
        plain,
        dataclasses.replace(
            plain, corner="RR", link="simulated:?end_play=0.02mm&seed=5&speed=max", vehicle="other"
        ),
        dataclasses.replace(plain, link="simulated:?motion=turned&speed=max"),
    ]
    with Store.open(log) as store:
        return [carry_out(order, store, Live(order.hub.unit, quiet=True)).measurement for order in orders]


def test_list_in_words(measured: list[Measurement]) -> None:
    result = run("list")
    assert result.exit_code == 0
    heading, *rows, _, simulated, total = result.stdout.splitlines()
    assert heading.startswith("ID        TIME (LOCAL)")
    assert [row[:8] for row in rows] == [m.id[:8] for m in measured]
    assert "0.31" in rows[0]
    assert "loose *" in rows[0]
    assert "Heron GT, 12" in rows[0]
    assert "tight *" in rows[1]
    assert "refused *" in rows[2]
    assert simulated == "* SIMULATED: no real hub was measured."
    assert total == "3 measurements."
    assert all(len(line) <= 80 for line in result.stdout.splitlines())


def test_list_for_programs(measured: list[Measurement]) -> None:
    objects = [json.loads(line) for line in run("list", "--json").stdout.splitlines()]
    assert [one["measurement_id"] for one in objects] == [m.id for m in measured]
    assert [one["state"] for one in objects] == ["measured", "measured", "refused"]
    assert objects[0]["end_play_mm"] == measured[0].analysis["end_play_mm"]
    assert objects[0]["readings"] == len(measured[0].trace)


@pytest.mark.parametrize(
    ("words", "which"),
    [
        (["--corner", "rr"], [1]),
        (["--vehicle", "Heron GT"], [0, 2]),
        (["--job", "12"], [0, 1, 2]),
        (["--latest", "2"], [1, 2]),
        (["--since", "2999-01-01"], []),
    ],
)
def test_list_what_was_asked_for(words: list[str], which: list[int], measured: list[Measurement]) -> None:
    objects = [json.loads(line) for line in run("list", "--json", *words).stdout.splitlines()]
    assert [one["measurement_id"] for one in objects] == [measured[i].id for i in which]


def test_an_empty_list_says_so(log: Path) -> None:
    Store.open(log).close()
    assert run("list").stdout == "No measurements.\n"
    assert run("list", "--json").stdout == ""


def test_show_is_what_was_seen_at_the_hub(measured: list[Measurement]) -> None:
    result = run("show", measured[0].id[:8])
    assert result.exit_code == 0
    for said in (measured[0].id, "SIMULATED", "LOOSE", "▐", "Shim to fit: 2.95 mm", "Heron GT, 12"):
        assert said in result.stdout
    assert f"{len(measured[0].trace)} readings" in result.stdout
    assert json.loads(run("show", measured[0].id, "--json").stdout) == json.loads(
        json.dumps(measured[0].measure_object())
    )


def test_show_of_a_refused_one_gives_its_reasons(measured: list[Measurement]) -> None:
    text = run("show", measured[2].id).stdout
    assert "No end play:" in text
    assert measured[2].analysis["reasons"][0]["text"][:40] in " ".join(text.split())


def test_redo_is_equal_to_the_last_digit(measured: list[Measurement]) -> None:
    result = run("redo", measured[0].id, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout) == measured[0].analysis | {"measurement_id": measured[0].id}
    assert "Equal to what was recorded, to the last digit." in run("redo", measured[0].id).stdout


def test_redo_of_a_refused_one_is_refused_again(measured: list[Measurement]) -> None:
    result = run("redo", measured[2].id)
    assert result.exit_code == 3
    assert "Equal to what was recorded" in result.stdout


def test_redo_says_where_it_differs(log: Path, measured: list[Measurement]) -> None:
    other = dict(measured[0].analysis) | {"strokes": 99}
    changed = dataclasses.replace(
        measured[0], id="00000000-0000-4000-8000-000000000001", analysis=other, version="0.0.9"
    )
    with Store.open(log) as store:
        store.add(changed)
    assert "Differs from what version 0.0.9 recorded in: strokes." in run("redo", changed.id).stdout


def test_redo_of_one_that_was_broken_off_compares_nothing(log: Path, measured: list[Measurement]) -> None:
    why = {"code": "unit-changed", "text": "the gauge changed from mm to in in mid measurement"}
    off = dict(measured[0].analysis) | {"usable": False, "reasons": [why], "end_play_mm": None}
    one = dataclasses.replace(
        measured[0], id="00000000-0000-4000-8000-000000000002", analysis=off, state="refused"
    )
    with Store.open(log) as store:
        store.add(one)
    said = " ".join(run("redo", one.id).stdout.split())
    assert f"It was broken off ({why['text']}); this is what the readings before that hold." in said
    assert "Differs" not in said


def test_export_gives_every_reading_back(measured: list[Measurement], tmp_path: Path) -> None:
    file = tmp_path / "out.csv"
    result = run("export", measured[0].id, "--to", file)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert read_csv(file) == measured[0].trace
    assert run("export", measured[0].id).stdout == file.read_text()


def test_export_overwrites_nothing(measured: list[Measurement], tmp_path: Path) -> None:
    file = tmp_path / "out.csv"
    file.write_text("mine")
    result = run("export", measured[0].id, "--to", file)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert file.read_text() == "mine"


@pytest.mark.parametrize("command", ["show", "redo", "export"])
@pytest.mark.parametrize("asked", ["zzzz", "", "11111111-1111-4111-8111-111111111111"])
def test_an_unknown_id_is_one_line(command: str, asked: str, measured: list[Measurement]) -> None:
    assert measured
    result = run(command, asked)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "trace list" in result.stderr


@pytest.mark.parametrize("words", [["list"], ["show", "1"], ["redo", "1"], ["export", "1"]])
def test_a_log_that_is_missing_or_none_is_one_line(words: list[str], log: Path) -> None:
    for content, said in ((None, "there is no log"), ("notes\n" * 300, "is not a measurement log")):
        if content is not None:
            log.write_text(content)
        result = run(*words)
        assert result.exit_code == 2
        assert result.stderr.count("\n") == 1
        assert said in result.stderr


def test_a_refused_corner_option_names_those_known(log: Path) -> None:
    Store.open(log).close()
    result = run("list", "--corner", "X")
    assert result.exit_code == 2
    assert "LF, RF, LR or RR" in result.stderr
