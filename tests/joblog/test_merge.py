"""Two logs become one: in either order, again and again, and what differs is told and kept."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from joblog.codec import decode_trace, encode_trace
from joblog.errors import LogFull, LogLocked
from joblog.merge import Differing, merge
from joblog.records import Measurement, new_id
from joblog.store import Store

Make = Callable[..., Measurement]
Contents = Callable[[Path], dict[str, list[tuple[Any, ...]]]]


def log_of(path: Path, *made: Measurement) -> Path:
    with Store.open(path) as store:
        for one in made:
            store.add(one)
    return path


def change(path: Path, *statements: str) -> None:
    """Change what is never changed: the triggers are taken away first."""
    with closing(sqlite3.connect(path)) as log, log:
        for (name,) in log.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            log.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            log.execute(statement)


def test_either_order_gives_the_same(make: Make, full_log: Path, tmp_path: Path, contents: Contents) -> None:
    shared = make()
    a, b = log_of(tmp_path / "a.db", shared, make()), log_of(tmp_path / "b.db", make(), shared)
    merge(a, full_log)
    before = contents(b)
    ab, ba = tmp_path / "ab.db", tmp_path / "ba.db"
    for target, first, second in ((ab, a, b), (ba, b, a)):
        merge(target, first)
        merge(target, second)
    assert contents(ab) == contents(ba)
    assert len(contents(ab)["measurement"]) == 4 + 3
    assert contents(b) == before, "a source is only read"


def test_into_each_other_gives_the_same(
    make: Make, full_log: Path, tmp_path: Path, contents: Contents
) -> None:
    a = log_of(tmp_path / "a.db", make(), make())
    merge(full_log, a)
    merge(a, full_log)
    assert contents(a) == contents(full_log)


def test_again_changes_nothing(full_log: Path, tmp_path: Path, contents: Contents) -> None:
    target = tmp_path / "a.db"
    first = merge(target, full_log)
    assert sum(first.added.values()) == sum(map(len, contents(full_log).values())) - 4  # a trace comes along
    was = contents(target)
    again = merge(target, full_log)
    assert (again.added, again.known, again.differing) == ({}, first.added, ())
    assert contents(target) == was


def test_the_order_of_recording_is_kept(make: Make, tmp_path: Path) -> None:
    made = [make(at=f"2026-03-0{day}T08:00:00Z") for day in (3, 1, 2)]
    target = tmp_path / "a.db"
    merge(target, log_of(tmp_path / "b.db", *made))
    with closing(sqlite3.connect(target)) as log:
        assert [row[0] for row in log.execute("SELECT id FROM measurement ORDER BY seq")] == [
            m.id for m in made
        ]


@pytest.mark.parametrize("publish", [False, True])
def test_only_what_is_asked_for_goes_into_the_outbox(publish: bool, make: Make, tmp_path: Path) -> None:
    known, fresh = make(), [make(), make()]
    target = log_of(tmp_path / "a.db", known)
    merge(target, log_of(tmp_path / "b.db", known, *fresh), publish=publish)
    with Store.open(target) as store:
        waiting = [one.measurement_id for one in store.unsent()]
    assert waiting == [known.id] + [one.id for one in fresh] * publish


def test_a_dry_run_says_the_same_and_changes_nothing(
    full_log: Path, make: Make, tmp_path: Path, contents: Contents
) -> None:
    target = log_of(tmp_path / "a.db", make())
    was = contents(target)
    told = merge(target, full_log, dry_run=True)
    assert contents(target) == was
    assert merge(target, full_log) == told


def test_what_differs_stays_and_the_rest_goes_on(make: Make, tmp_path: Path, contents: Contents) -> None:
    one, other = make(), make(vehicle="Heron")
    target = log_of(tmp_path / "a.db", one, other)
    source = log_of(tmp_path / "b.db", make(id=one.id, vehicle="another", least_mm=0.04), other, make())
    was = contents(target)["measurement"]
    merged = merge(target, source)
    assert merged.differing == (Differing("measurement", one.id, ("least_mm", "vehicle")),)
    assert merged.added == {"measurement": 1}
    assert merged.known == {"measurement": 1}
    assert set(was) <= set(contents(target)["measurement"])


def test_a_trace_that_differs_is_told(make: Make, tmp_path: Path) -> None:
    one = make()
    target = log_of(tmp_path / "a.db", one)
    source = log_of(tmp_path / "b.db", make(id=one.id, trace=one.trace.cut(0, 39)))
    assert merge(target, source).differing == (Differing("measurement", one.id, ("trace",)),)


def test_the_same_trace_packed_otherwise_is_the_same(make: Make, tmp_path: Path) -> None:
    one = make()
    target, source = log_of(tmp_path / "a.db", one), log_of(tmp_path / "b.db", one)
    blob = encode_trace(one.trace)
    body = blob[:12] + zlib.compress(zlib.decompress(blob[12:-4]), 1)
    other = body + zlib.crc32(body).to_bytes(4, "little")
    assert (decode_trace(other) == one.trace, other == blob) == (True, False)
    change(source, f"UPDATE trace SET data = x'{other.hex()}'")
    assert merge(target, source).differing == ()


def test_our_own_damaged_trace_is_told_and_stops_nothing(make: Make, tmp_path: Path) -> None:
    one = make()
    target, source = log_of(tmp_path / "a.db", one), log_of(tmp_path / "b.db", one, make())
    change(target, "UPDATE trace SET data = x'00'")
    merged = merge(target, source)
    assert (merged.added, merged.differing) == (
        {"measurement": 1},
        (Differing("measurement", one.id, ("trace",)),),
    )


def test_blanks_in_json_are_no_difference_and_numbers_are(full_log: Path, tmp_path: Path) -> None:
    target = tmp_path / "a.db"
    merge(target, full_log)
    change(full_log, "UPDATE review SET analysis = '{ \"usable\" : false }'")
    assert merge(target, full_log).differing == ()
    change(full_log, "UPDATE review SET analysis = '{\"usable\":0}'")
    assert {one.columns for one in merge(target, full_log).differing} == {("analysis",)}


def test_what_belongs_to_a_differing_row_is_held_back(
    full_log: Path, tmp_path: Path, contents: Contents
) -> None:
    """Another measurement of the same id must not get the reviews and entries of this one."""
    with closing(sqlite3.connect(full_log)) as log:
        one = log.execute("SELECT measurement_id FROM review ORDER BY seq").fetchone()[0]
    with Store.open(full_log) as store:
        found = store.get(one)
    changes = {name: getattr(found, name) for name in Measurement.__dataclass_fields__} | {
        "vehicle": "another"
    }
    target = log_of(tmp_path / "a.db", Measurement(**changes))
    merged = merge(target, full_log)
    # The review, the entry and its correction, the value and its correction.
    assert merged.held_back == 1 + 2 + 2
    assert one not in str([contents(target)[name] for name in ("review", "job_entry", "study_value")])
    with closing(sqlite3.connect(target)) as log:
        assert log.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_locked_log_is_told_and_stays(
    full_log: Path, make: Make, tmp_path: Path, contents: Contents
) -> None:
    target = log_of(tmp_path / "a.db", make())
    was = contents(target)
    with closing(sqlite3.connect(target, isolation_level=None)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogLocked):
            merge(target, full_log, busy_s=0.05)
    assert contents(target) == was


def test_a_full_disk_takes_nothing(make: Make, tiny_disk: Path, tmp_path: Path, contents: Contents) -> None:
    target = log_of(tiny_disk / "a.db", make())
    was = contents(target)
    source = log_of(tmp_path / "b.db", *(make(hub_text=new_id() * 1000) for _ in range(40)))
    with pytest.raises(LogFull):
        merge(target, source)
    assert contents(target) == was
    with Store.open(target) as store:
        store.add(make())


def test_analysis_comes_to_the_last_digit(make: Make, tmp_path: Path) -> None:
    one = make()
    target = tmp_path / "a.db"
    merge(target, log_of(tmp_path / "b.db", one))
    with Store.open(target) as store:
        assert json.dumps(store.get(one.id).analysis) == json.dumps(one.analysis)
