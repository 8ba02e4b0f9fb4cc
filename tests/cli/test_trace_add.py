"""A trace from a file becomes a measurement like any other, marked, and never twice by mistake."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from capture.end_play import analyse_trace, analysis_object
from capture.readings import Gauge
from capture.simulator import HubModel, Motion, simulate
from capture.traces import read_csv, write_csv
from cli.redoing import comparison, redo
from cli.selecting import local_time
from joblog.fetch import holders_of, load_measurement
from joblog.reader import list_measurements
from joblog.records import utc_text
from joblog.store import Store
from tests.cli.looking_back import run, said

MEASURED = datetime(2025, 3, 2, 13, 30, tzinfo=UTC)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    monkeypatch.chdir(tmp_path)
    return path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A trace of ten strokes, 0.31 mm, dated."""
    return written(tmp_path / "old.csv", HubModel(strokes=10), 3)


def written(path: Path, model: HubModel, seed: int) -> Path:
    with path.open("w", newline="") as out:
        write_csv(simulate(model, seed).trace, out)
    os.utime(path, (MEASURED.timestamp(), MEASURED.timestamp()))
    return path


def add(file: Path, hub_file: Path, *words: str) -> list[str]:
    return ["add", str(file), "--corner", "LR", "--hub", str(hub_file), *words]


def test_it_is_a_measurement_like_any_other(log: Path, file: Path, hub_file: Path) -> None:
    words = [
        "--vehicle",
        "Heron GT",
        "--job",
        "12",
        "--fitted",
        "3.20mm",
        "--stage",
        "trial",
        "--gauge",
        "SN 7",
    ]
    result = run(*add(file, hub_file, *words, "--json"))
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["origin"] == "old.csv"
    (listed,) = list_measurements(log)
    assert (listed.origin, listed.vehicle, listed.job, listed.gauge_name) == (
        "old.csv",
        "Heron GT",
        "12",
        "SN 7",
    )
    assert (listed.corner, listed.stage, listed.state, listed.verdict) == ("LR", "trial", "measured", "loose")
    assert not listed.simulated
    one = load_measurement(log, listed.id)
    assert one.trace == read_csv(file)
    assert one.shim is not None
    assert one.analysis == json.loads(json.dumps(analysis_object(analyse_trace(one.trace))))
    assert comparison(one, redo(one).analysis) == "Equal to what was recorded, to the last digit."
    with Store.open(log) as store:
        assert [waiting.measurement_id for waiting in store.unsent()] == [one.id]
    assert "Not measured live: the trace was brought in from old.csv." in said(run("show", one.id))


def test_the_file_s_time_is_taken_and_said(log: Path, file: Path, hub_file: Path) -> None:
    result = run(*add(file, hub_file))
    moment = utc_text(MEASURED)
    assert list_measurements(log)[0].at == moment
    assert f"taken from the file's own time, {local_time(moment)} (local)" in result.stderr
    assert "LOOSE" in result.stdout


def test_a_time_that_is_given_is_local(log: Path, file: Path, hub_file: Path) -> None:
    result = run(*add(file, hub_file, "--at", "2024-05-06T07:08"))
    assert "file's own time" not in result.stderr
    assert local_time(list_measurements(log)[0].at) == "2024-05-06 07:08"


def test_the_same_readings_are_refused_whatever_their_file_is_called(
    log: Path, file: Path, hub_file: Path, tmp_path: Path
) -> None:
    assert run(*add(file, hub_file)).exit_code == 0
    copy = tmp_path / "copy.csv"
    copy.write_text(file.read_text().replace("\n", "\r\n"))
    for again in (file, copy):
        result = run(*add(again, hub_file))
        assert result.exit_code == 2
        assert result.stderr.count("\n") == 1
        assert f"are in the log already, as {list_measurements(log)[0].id[:8]}" in result.stderr
    assert len(list_measurements(log)) == 1
    assert run(*add(copy, hub_file, "--again")).exit_code == 0
    assert holders_of(log, read_csv(file)) == [one.id for one in list_measurements(log)]
    other = written(tmp_path / "other.csv", HubModel(strokes=10), 4)
    assert holders_of(log, read_csv(other)) == []


def test_what_was_exported_from_here_does_not_come_in_again(log: Path, file: Path, hub_file: Path) -> None:
    run(*add(file, hub_file))
    run("export", list_measurements(log)[0].id, "--to", "out.csv")
    assert run(*add(Path("out.csv"), hub_file)).exit_code == 2


def test_a_trace_without_end_play_is_kept_as_refused(log: Path, hub_file: Path, tmp_path: Path) -> None:
    turned = written(tmp_path / "turned.csv", HubModel(motion=Motion.TURNED), 1)
    result = run(*add(turned, hub_file, "--simulated"))
    assert result.exit_code == 3
    (listed,) = list_measurements(log)
    assert (listed.state, listed.verdict, listed.simulated) == ("refused", None, True)
    assert f"its trace is in the log as {listed.id[:8]}" in result.stderr
    assert result.stdout == ""


def test_what_is_known_of_the_gauge_counts_and_is_kept(log: Path, file: Path, hub_file: Path) -> None:
    run(*add(file, hub_file, "--permissible-error", "0.004mm", "--misalignment", "3"))
    one = load_measurement(log, list_measurements(log)[0].id)
    assert one.gauge == Gauge(
        permissible_error_mm=0.004, permissible_error_source="given with the file", misalignment_deg=3.0
    )
    assert redo(one).analysis == one.analysis
    assert {row["source"] for row in one.analysis["budget"]} >= {
        "indicator's permissible error",
        "indicator not square to the axis",
    }


def test_a_fitted_shim_that_cannot_be_is_told_and_the_trace_is_kept(
    log: Path, hub_file: Path, tmp_path: Path
) -> None:
    loose = written(tmp_path / "loose.csv", HubModel(strokes=10, end_play_mm=0.9), 3)
    result = run(*add(loose, hub_file, "--fitted", "0.5mm"))
    assert result.exit_code == 2
    assert "--fitted" in result.stderr
    assert len(list_measurements(log)) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--corner", "X"], "LF, RF, LR or RR"),
        (["--stage", "later"], "as-found, trial or as-left"),
        (["--at", "yesterday"], "is no time: write such as 2025-03-02T14:30"),
        (["--fitted", "3"], "has no unit"),
        (["--permissible-error", "3mm"], "outside 0 to 1 mm"),
        (["--hub", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_a_mistake_is_one_line_and_makes_no_record(
    words: list[str], told: str, log: Path, file: Path, hub_file: Path
) -> None:
    result = run(*add(file, hub_file), *words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1
    assert not log.exists() or list_measurements(log) == []


def test_a_time_to_come_or_a_file_that_is_none(log: Path, file: Path, hub_file: Path) -> None:
    later = f"{datetime.now(UTC) + timedelta(days=40):%Y-%m-%dT%H:%M}"
    assert "lies in the future" in run(*add(file, hub_file, "--at", later)).stderr
    assert "nowhere.csv" in run(*add(Path("nowhere.csv"), hub_file)).stderr
    assert "the header is" in run(*add(hub_file, hub_file)).stderr
    assert not log.exists()
