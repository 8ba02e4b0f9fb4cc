"""What is handed on in any format comes back: every table, every bit of a trace, every digit."""

from __future__ import annotations

import math
import shutil
import struct
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calc.units import Unit
from capture.readings import Gauge, Trace
from joblog.fetch import load_measurement
from joblog.handing_on import Format, export_to
from joblog.importing import import_file
from joblog.records import CORNERS, STAGES, STATES, Measurement, new_id
from joblog.store import Store

GOLDEN = Path(__file__).parents[3] / "fixtures" / "logs"

Make = Callable[..., Measurement]
Contents = Callable[[Path], dict[str, list[tuple[Any, ...]]]]

WAYS: list[tuple[Format, str]] = [
    ("csv", "folder"),
    ("csv", "out.zip"),
    ("jsonl", "out.jsonl"),
    ("parquet", "folder"),
    ("parquet", "out.zip"),
    ("sqlite", "out.sqlite"),
]


def there_and_back(log: Path, form: Format, name: str, folder: Path) -> Path:
    """Export all of a log and import that into an empty one."""
    made = folder / "made"
    made.mkdir()
    export_to(log, made / name, form, "0.2.0")
    assert [path.name for path in made.iterdir()] == [name]
    back = folder / "back.sqlite"
    import_file(made / name, back)
    return back


@pytest.mark.parametrize(("form", "name"), WAYS)
def test_a_log_with_everything_in_it(
    form: Format, name: str, full_log: Path, tmp_path: Path, contents: Contents
) -> None:
    back = there_and_back(full_log, form, name, tmp_path)
    assert all(contents(full_log).values()), "a table is empty: what is not there cannot be lost"
    assert contents(back) == contents(full_log)
    with Store.open(back) as store:
        assert store.unsent() == []


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize(("form", "name"), WAYS)
def test_golden_logs(form: Format, name: str, version: int, tmp_path: Path, contents: Contents) -> None:
    golden = GOLDEN / f"version-{version}.db"
    was = golden.read_bytes()
    back = there_and_back(golden, form, name, tmp_path)
    assert golden.read_bytes() == was, "a log that is only read is brought up to date in a copy"
    upgraded = tmp_path / "upgraded.sqlite"
    shutil.copy(golden, upgraded)
    Store.open(upgraded).close()
    assert contents(back) == contents(upgraded)


@pytest.mark.parametrize(("form", "name"), WAYS)
def test_an_empty_selection_and_an_empty_trace(form: Format, name: str, make: Make, tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    empty = Trace(np.array([], dtype=np.float64), np.array([], dtype=np.int64), 2, Unit.INCH)
    one = make(state="unfinished", verdict=None, p_within=None, trace=empty)
    with Store.open(log) as store:
        store.add(one)
    back = there_and_back(log, form, name, tmp_path)
    assert load_measurement(back, one.id) == one
    nothing = tmp_path / name
    assert export_to(log, nothing, form, "0.2.0", ids=[]).counts == {}
    assert import_file(nothing, back).merged.added == {}


@pytest.mark.slow
@pytest.mark.parametrize(("form", "name"), WAYS)
def test_a_trace_of_100_000_readings(form: Format, name: str, make: Make, tmp_path: Path) -> None:
    log, n = tmp_path / "log.sqlite", 100_000
    rng = np.random.default_rng(5)
    trace = Trace(np.cumsum(rng.random(n)), rng.integers(-(10**6), 10**6, n), 4, Unit.MM)
    one = make(trace=trace)
    with Store.open(log) as store:
        store.add(one)
    assert load_measurement(there_and_back(log, form, name, tmp_path), one.id).trace == trace


def test_a_hub_file_longer_than_a_reader_of_csv_allows_by_itself(make: Make, tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    one = make(hub_text="# the same again\r\n" * 20_000)
    with Store.open(log) as store:
        store.add(one)
    assert load_measurement(there_and_back(log, "csv", "folder", tmp_path), one.id) == one


finite = st.floats(allow_nan=False, allow_infinity=False)
text = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
times = st.integers(0, 2**64 - 1).map(lambda bits: struct.unpack("<d", struct.pack("<Q", bits))[0])
readings = st.lists(st.tuples(finite | times, st.integers(-(2**63), 2**63 - 1)), max_size=12)


@st.composite
def measurements(draw: st.DrawFn) -> Measurement:
    pairs = draw(readings)
    trace = Trace(
        np.array([time for time, _ in pairs], dtype=np.float64),
        np.array([count for _, count in pairs], dtype=np.int64),
        draw(st.integers(0, 9)),
        draw(st.sampled_from(Unit)),
    )
    perhaps = st.none() | text
    results = {name: draw(st.none() | finite) for name in ("end_play_mm", "u_mm", "expanded_mm")}
    words = st.dictionaries(text, st.none() | st.booleans() | st.integers() | finite | text, max_size=3)
    return Measurement(
        id=new_id(),
        at=draw(
            st.datetimes(timezones=st.timezones()).map(lambda at: at.replace(tzinfo=None).isoformat() + "Z")
        ),
        corner=draw(st.sampled_from(CORNERS)),
        stage=draw(st.sampled_from(STAGES)),
        state=draw(st.sampled_from(STATES)),
        analysis=draw(words) | results,
        hub_title=draw(text),
        hub_text=draw(text),
        unit=draw(st.sampled_from(Unit)),
        least_mm=draw(finite),
        most_mm=draw(finite),
        link=draw(text),
        profile=draw(text),
        gauge=Gauge(draw(st.none() | st.sampled_from(Unit)), draw(st.none() | finite)),
        simulated=draw(st.booleans()),
        version=draw(text),
        trace=trace,
        verdict=draw(perhaps),
        p_within=draw(st.none() | finite),
        fitted_mm=draw(st.none() | finite),
        shim=draw(st.none() | words),
        vehicle=draw(perhaps),
        job=draw(perhaps),
        gauge_name=draw(perhaps),
        gauge_note=draw(perhaps),
        notes=tuple(draw(st.lists(text, max_size=2))),
        origin=draw(perhaps),
    )


@pytest.mark.slow
@pytest.mark.parametrize(("form", "name"), WAYS)
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(made=st.lists(measurements(), min_size=1, max_size=4))
def test_any_measurements(form: Format, name: str, made: list[Measurement], contents: Contents) -> None:
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.sqlite"
        with Store.open(log) as store:
            for measurement in made:
                store.add(measurement)
        back = there_and_back(log, form, name, Path(folder))
        assert contents(back) == contents(log)
        for measurement in made:
            found = load_measurement(back, measurement.id)
            assert found.trace.times_s.tobytes() == measurement.trace.times_s.tobytes()
            assert found.trace.counts.tobytes() == measurement.trace.counts.tobytes()
            assert found.analysis == measurement.analysis
            assert repr(found.analysis) == repr(measurement.analysis)  # 1, 1.0 and True are not the same


def test_a_time_that_is_no_number_keeps_its_bits(make: Make, tmp_path: Path) -> None:
    odd = np.array([0x7FF8000000000123, 0xFFF0000000000000], dtype=np.uint64).view(np.float64)
    assert math.isnan(odd[0])
    one = make(trace=Trace(odd, np.array([1, 2]), 0, Unit.MM))
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        store.add(one)
    for form, name in WAYS:
        folder = tmp_path / f"{form}-{name}"
        folder.mkdir()
        found = load_measurement(there_and_back(log, form, name, folder), one.id).trace
        assert found.times_s.tobytes() == odd.tobytes()
