"""What is put away, and what is still told, when the log fails at the end."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import pytest

from calc.hub import load_hub
from capture.end_play import analyse_trace
from capture.profiles import BUILT_IN
from capture.traces import read_csv
from cli.errors import ExitCode
from cli.live import Live
from cli.measure import announce
from cli.measuring import Finished, Order, carry_out, keep_trace
from joblog.reader import list_measurements
from joblog.store import Store


def order(hub_file: Path) -> Order:
    return Order(
        hub=load_hub(hub_file),
        corner="LR",
        stage="as-found",
        link="simulated:?end_play=0.312mm&seed=4&speed=max",
        profile=BUILT_IN["line"],
        fitted_mm=3.20,
    )


def measure(hub_file: Path, store: Store) -> Finished:
    made = order(hub_file)
    return carry_out(made, store, Live(made.hub.unit, quiet=True))


def fill_up(store: Store) -> None:
    """Leave the log no page to grow by, as a full disk does; SQLite itself then says that it is full."""
    (pages,) = store._db.execute("PRAGMA page_count").fetchone()
    store._db.execute(f"PRAGMA max_page_count = {pages}")


def test_a_full_disk_at_the_end_loses_nothing(
    hub_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store.open(tmp_path / "log.sqlite") as store:
        fill_up(store)
        finished = measure(hub_file, store)
        assert finished.error is not None
        assert finished.error.exit_code == ExitCode.MISUSE
        with pytest.raises(type(finished.error)):
            announce(finished, store.path, as_json=True)
    assert list_measurements(tmp_path / "log.sqlite") == []
    shown = json.loads(capsys.readouterr().out)  # the result is shown all the same
    assert shown["verdict"] == "loose"
    (saved,) = tmp_path.glob("shimwright-LR-*.csv")
    assert f"NOT in the log, its trace is in {saved}" in str(finished.error)
    assert "no space left" in str(finished.error)
    again = analyse_trace(read_csv(saved))
    assert getattr(again, "end_play_mm", None) == shown["end_play_mm"]


def test_a_person_is_told_that_it_is_not_in_the_log(
    hub_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store.open(tmp_path / "log.sqlite") as store:
        fill_up(store)
        finished = measure(hub_file, store)
        assert finished.error is not None
        with pytest.raises(type(finished.error)):
            announce(finished, store.path, as_json=False)
    assert "NOT in the log." in capsys.readouterr().out


def test_the_record_is_in_the_log_before_anything_is_announced(hub_file: Path, tmp_path: Path) -> None:
    with Store.open(tmp_path / "log.sqlite") as store:
        finished = measure(hub_file, store)
        (listed,) = list_measurements(store.path)  # by another connection, before ``announce``
    assert listed.id == finished.measurement.id
    assert (listed.simulated, listed.verdict, listed.fitted_mm) == (True, "loose", 3.20)


def test_where_the_folder_is_full_the_temporary_one_takes_the_trace(
    hub_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(elsewhere))
    with Store.open(tmp_path / "log.sqlite") as store:
        measurement = measure(hub_file, store).measurement
    saved = keep_trace(measurement, tmp_path / "not there")
    assert saved is not None
    assert saved.parent == elsewhere
    assert read_csv(saved) == measurement.trace


def test_where_nothing_can_be_written_that_is_said(
    hub_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone too"))
    with Store.open(tmp_path / "log.sqlite") as store:
        measurement = measure(hub_file, store).measurement
    assert keep_trace(measurement, tmp_path / "not there") is None
