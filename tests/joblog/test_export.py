"""What other programs get: a trace as CSV, the whole log as JSON lines."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calc.units import Unit
from capture.readings import Trace
from capture.traces import read_csv
from joblog.errors import LogMissing, NoSuchMeasurement
from joblog.export import export_log, export_trace
from joblog.records import Measurement
from joblog.store import Store

Make = Callable[..., Measurement]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


def test_a_trace_as_csv_has_the_decimals_as_shown(path: Path, make: Make) -> None:
    measurement = make(trace=Trace(np.array([0.0, 0.1 + 0.2]), np.array([-120, 5]), 4, Unit.INCH))
    with Store.open(path) as store:
        store.add(measurement)
    file = io.StringIO()
    assert export_trace(path, measurement.id[:13], file) == 2
    assert list(csv.reader(file.getvalue().splitlines())) == [
        ["time_s", "reading_in"],
        ["0.0", "-0.0120"],
        ["0.30000000000000004", "0.0005"],
    ]


def test_a_trace_comes_back_from_csv_exactly(path: Path, tmp_path: Path, make: Make) -> None:
    measurement = make()
    with Store.open(path) as store:
        store.add(measurement)
    with (tmp_path / "trace.csv").open("w", newline="") as file:
        export_trace(path, measurement.id, file)
    assert read_csv(tmp_path / "trace.csv") == measurement.trace


def test_nothing_is_written_for_a_measurement_that_is_not_there(path: Path, make: Make) -> None:
    with Store.open(path) as store:
        store.add(make())
    file = io.StringIO()
    with pytest.raises(NoSuchMeasurement):
        export_trace(path, "zzz", file)
    assert file.getvalue() == ""


def test_the_whole_log_as_json_lines(path: Path, make: Make) -> None:
    first, second = (
        make(),
        make(shim=None, verdict=None, state="refused", simulated=False, vehicle="Heron ½\n"),
    )
    with Store.open(path) as store:
        store.add(first)
        store.add(second)
    file = io.StringIO()
    assert export_log(path, file) == 2
    objects = [json.loads(line) for line in file.getvalue().splitlines()]
    assert [o["measurement_id"] for o in objects] == [first.id, second.id]
    assert objects[0]["analysis"] == first.analysis
    assert objects[0]["shim"] == first.shim
    assert objects[0]["gauge"]["permissible_error_source"] == "indicator's data sheet"
    assert objects[0]["hub_text"] == first.hub_text
    assert (objects[0]["simulated"], objects[1]["simulated"]) == (True, False)
    assert (objects[1]["shim"], objects[1]["vehicle"]) == (None, "Heron ½\n")
    assert objects[0]["readings"] == len(first.trace)
    assert {"seq", "id", "data"} & set(objects[0]) == set()


def test_an_empty_log_gives_no_lines_and_an_absent_one_an_error(path: Path) -> None:
    with pytest.raises(LogMissing):
        export_log(path, io.StringIO())
    path.touch()
    assert export_log(path, io.StringIO()) == 0
