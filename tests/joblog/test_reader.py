"""A listing shows what is there, quickly, and cannot change it."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from joblog.errors import AmbiguousId, NoSuchMeasurement
from joblog.fetch import load_measurement
from joblog.reader import (
    Found,
    Listed,
    Wanted,
    _chosen,
    _teach,
    find_measurements,
    ids_of,
    list_measurements,
    reading,
)
from joblog.records import Measurement
from joblog.store import Store

Make = Callable[..., Measurement]

ROOT = Path(__file__).parents[2]


@pytest.fixture
def log(tmp_path: Path, make: Make) -> Path:
    """Four measurements, recorded in an order that is not that of their times."""
    path = tmp_path / "job log #1 50%?.sqlite"
    refused = {
        "state": "refused",
        "verdict": None,
        "p_within": None,
        "analysis": {"usable": False},
        "shim": None,
    }
    with Store.open(path) as store:
        store.add(make(id=_id(1), at="2026-03-02T08:00:00Z", vehicle="Heron GT, LG 1234", job="117"))
        store.add(
            make(id=_id(2), at="2026-03-02T09:00:00Z", corner="RF", vehicle=None, job=None, unit=Unit.INCH)
        )
        store.add(
            make(id=_id(3), at="2026-03-01T10:00:00Z", stage="as-left", verdict="within", simulated=False)
        )
        store.add(make(id=_id(4), at="2026-04-01T00:00:00Z", corner="RF", fitted_mm=None, **refused))
    return path


def _id(number: int) -> str:
    return f"{number:08d}-0000-4000-8000-000000000000"


def listed(path: Path, latest: int | None = None, **conditions: Any) -> list[int]:
    return [int(row.id[:8]) for row in find_measurements(path, Wanted(**conditions), latest).listed]


def test_a_row_says_what_was_measured(log: Path, make: Make) -> None:
    measurement = make(id=_id(1), at="2026-03-02T08:00:00Z")
    row = list_measurements(log)[0]
    assert row == Listed(
        id=_id(1),
        at="2026-03-02T08:00:00.000Z",
        corner="LR",
        stage="as-found",
        state="measured",
        verdict="loose",
        p_within=0.0123,
        end_play_mm=0.1 + 0.2,
        u_mm=0.0012345678901234567,
        expanded_mm=0.0025,
        hub_title="Heron GT rear hub, pressed spindle",
        unit="mm",
        least_mm=0.03,
        most_mm=0.2,
        fitted_mm=3.2,
        vehicle="Heron GT, LG 1234",
        job="117",
        simulated=True,
        readings=len(measurement.trace),
        gauge_name=None,
        origin=None,
        reviews=0,
    )
    assert row.simulated is True


def test_what_was_not_measured_is_none(log: Path) -> None:
    row = list_measurements(log)[3]
    assert (row.verdict, row.p_within, row.end_play_mm, row.u_mm, row.expanded_mm, row.fitted_mm) == (
        None,
    ) * 6


def test_the_order_is_that_of_recording(log: Path) -> None:
    assert listed(log) == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("conditions", "numbers"),
    [
        ({"corner": "RF"}, [2, 4]),
        ({"stage": "as-left"}, [3]),
        ({"state": "refused"}, [4]),
        ({"verdict": "loose"}, [1, 2]),
        ({"vehicle": "Heron GT, LG 1234"}, [1, 3, 4]),
        ({"job": "117"}, [1]),
        ({"since": "2026-03-02"}, [1, 2, 4]),
        ({"until": "2026-03-02"}, [3]),
        ({"until": "2026-03-02T09:00:00.000Z"}, [1, 3]),
        ({"since": "2026-03-02T09:00:00.000Z", "until": "2026-04"}, [2]),
        ({"latest": 2}, [3, 4]),
        ({"latest": 0}, []),
        ({"latest": 9}, [1, 2, 3, 4]),
        ({"corner": "RF", "verdict": "loose", "latest": 1}, [2]),
        ({"vehicle": "' OR 1 --"}, []),
        ({"vehicle": "heron gt"}, [1, 3, 4]),
        ({"vehicle": "lg 12"}, [1, 3, 4]),
        ({"vehicle": "%"}, []),
        ({"job": "11"}, []),
        ({"jobs": ("11", "117")}, [1]),
        ({"jobs": ()}, []),
        ({"gauge": "SIMULATED:"}, [1, 2, 3, 4]),
        ({"gauge": "sn"}, []),
    ],
)
def test_a_part_of_the_log(log: Path, conditions: dict[str, Any], numbers: list[int]) -> None:
    assert listed(log, **conditions) == numbers


def test_a_search_says_how_many_there_are(log: Path) -> None:
    found = find_measurements(log, Wanted(corner="RF"), latest=1)
    assert (found.total, [row.id for row in found.listed]) == (2, [_id(4)])
    assert find_measurements(log, latest=0) == Found(4, [])
    assert find_measurements(log, Wanted(corner="LF")) == Found(0, [])


def test_only_the_ids(log: Path) -> None:
    assert ids_of(log) == [_id(n) for n in (1, 2, 3, 4)]
    assert ids_of(log, Wanted(state="refused")) == [_id(4)]
    assert ids_of(log, latest=2) == [_id(3), _id(4)]


def test_capitals_of_other_alphabets_are_the_same_letters(log: Path, make: Make) -> None:
    with Store.open(log) as store:
        store.add(make(id=_id(5), vehicle="Ägir 7", gauge_name="Größe ½"))
    assert listed(log, vehicle="ÄGIR") == [5]
    assert listed(log, gauge="GRÖSSE") == [5]


def test_a_search_reads_no_whole_rows(log: Path) -> None:
    # every column that can be asked for is in the index: SQLite calls that a covering index
    chosen, values = _chosen(Wanted(*"abcdefghi"))
    with reading(log) as connection:
        assert connection is not None
        _teach(connection)
        plan = connection.execute(f"EXPLAIN QUERY PLAN SELECT seq {chosen}", values).fetchall()
    assert ["USING COVERING INDEX measurement_listing" in row[3] for row in plan] == [True]


def test_an_empty_log(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    path.touch()
    assert list_measurements(path) == []
    with pytest.raises(NoSuchMeasurement):
        load_measurement(path, "0")
    assert path.stat().st_size == 0
    path.unlink()
    Store.open(path).close()
    assert list_measurements(path) == []


def test_one_measurement_by_the_beginning_of_its_id(log: Path, make: Make) -> None:
    assert load_measurement(log, "00000003").trace == make().trace
    with pytest.raises(AmbiguousId, match="give more"):
        load_measurement(log, "0000")
    with pytest.raises(NoSuchMeasurement, match="'7'"):
        load_measurement(log, "7")


def test_nothing_can_be_written_through_it(log: Path) -> None:
    with reading(log) as connection:
        assert connection is not None
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            connection.execute("DROP TABLE outbox")


def test_a_measurement_shows_as_soon_as_it_is_recorded_and_not_before(log: Path, make: Make) -> None:
    with Store.open(log) as store:
        with store._db.atomic():
            store._db.execute("INSERT INTO outbox (measurement_id, queued_at) VALUES (?, 'now')", (_id(1),))
            assert listed(log) == [1, 2, 3, 4]  # not held up by a writer
        store.add(make(id=_id(5)))
        assert listed(log) == [1, 2, 3, 4, 5]


def test_a_listing_loads_no_more_than_it_needs(log: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from joblog.reader import list_measurements\n"
        "assert len(list_measurements(Path(sys.argv[1]))) == 4\n"
        "print(*{name.partition('.')[0] for name in sys.modules})"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", code, str(log)]
    loaded = subprocess.run(
        command, capture_output=True, text=True, check=True, env=environment
    ).stdout.split()
    assert "joblog" in loaded
    heavy = {
        "sqlite_utils",
        "numpy",
        "msgspec",
        "calc",
        "capture",
        "platformdirs",
        "asyncio",
        "dataclasses",
        "decimal",
    }
    assert heavy & set(loaded) == set()
