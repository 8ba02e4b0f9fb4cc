"""The part of docs/contracts.md about MQTT, held against the types and the topics."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from msgspec import Struct

from bus.payloads import (
    COMMANDS,
    Answer,
    Brief,
    Car,
    CornerStatus,
    Cue,
    CueKind,
    GaugeState,
    GaugeStatus,
    Live,
    Phase,
    Status,
)
from bus.results import result_object
from bus.topics import QOS, RETAINED, Kind
from joblog.records import Measurement

PAGE = (Path(__file__).parents[2] / "docs" / "contracts.md").read_text(encoding="utf-8")
SECTION = PAGE.partition("\n## MQTT\n")[2].partition("\n## ")[0]


def tables() -> list[list[list[str]]]:
    found = []
    for block in re.findall(r"(?:^\|.*\|\n)+", SECTION, re.MULTILINE):
        rows = [
            [cell.strip() for cell in line.strip().strip("|").split(" | ")] for line in block.splitlines()
        ]
        found.append(rows[2:])
    return found


def keys(number: int) -> list[str]:
    return [row[0].strip("`") for row in tables()[number]]


def test_topics() -> None:
    rows = {row[0].strip("`").rsplit("/", 1)[-1 if "CORNER" in row[0] else 0]: row for row in tables()[0]}
    assert set(rows) == set(Kind)
    for kind in Kind:
        assert int(rows[kind][1]) == QOS[kind]
        assert rows[kind][2] == ("yes" if kind in RETAINED else "no")


def test_the_keys_are_those_of_the_types() -> None:
    types: list[tuple[int, type[Struct]]] = [(1, Status), (2, CornerStatus), (3, Live), (4, Cue), (6, Answer)]
    for number, one in types:
        assert sorted(keys(number)) == sorted(one.__struct_fields__), one.__name__


def test_parts_and_words() -> None:
    cells = {row[0].strip("`"): row[1] for table in tables() for row in table}
    gauges = tables()[1][keys(1).index("gauges")][1]
    assert set(re.findall(r'"(\w+)"', gauges)) == set(GaugeStatus.__struct_fields__)
    assert all(f"`{word}`" in gauges for word in [*GaugeState, *Phase])
    assert set(re.findall(r'"(\w+)"', cells["car"])) == set(Car.__struct_fields__)
    assert set(re.findall(r"`(\w+)`", cells["latest"])) == set(Brief.__struct_fields__)
    assert set(re.findall(r"`([\w-]+)`", cells["kind"])) == set(CueKind)
    for one in COMMANDS:
        assert f"`{one.__struct_config__.tag}`" in SECTION


def test_a_result_is_the_measure_object_and_these_keys_in_this_order(
    make: Callable[..., Measurement],
) -> None:
    one = make()
    assert list(result_object(one)) == [*one.measure_object(), *keys(5)]
