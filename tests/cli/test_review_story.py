"""One story from end to end, as a new user would try it: last year's reading, doubted, redone, handed on."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from capture.readings import Trace
from capture.simulator import HubModel, simulate
from capture.traces import write_csv
from tests.cli.looking_back import with_short_rest

Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]

CAR = "Heron GT, LG 1234"


def file_of(folder: Path, name: str, trace: Trace) -> Path:
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as file:
        write_csv(trace, file)
    return path


def objects(done: subprocess.CompletedProcess[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.mark.parametrize("handed_on", ["both.zip", "both.sqlite"])
def test_find_doubt_compare_redo_and_hand_on(
    handed_on: str, tmp_path: Path, hub_file: Path, quick: Shimwright
) -> None:
    pulled = with_short_rest(simulate(HubModel(end_play_mm=0.31, strokes=6), 3).trace, 3, -0.05)
    traces = {
        "then.csv": (pulled, "LR", "2025-03-02T09:30", 3),
        "other-corner.csv": (
            simulate(HubModel(end_play_mm=0.10, strokes=6), 5).trace,
            "RR",
            "2025-03-02T09:40",
            0,
        ),
        "now.csv": (simulate(HubModel(end_play_mm=0.32, strokes=6), 4).trace, "LR", "2026-03-02T09:30", 0),
    }
    for name, (trace, corner, at, code) in traces.items():
        where = ("--corner", corner, "--hub", hub_file, "--vehicle", CAR, "--at", at, "--simulated")
        assert quick("trace", "add", file_of(tmp_path, name, trace), *where).returncode == code

    # last year's left rear of a car
    place = ("--vehicle", "heron gt", "--corner", "LR")
    (found,) = objects(quick("trace", "list", *place, "--since", "2025", "--until", "2025", "--json"))
    then = found["measurement_id"]
    assert (found["state"], found["verdict"]) == ("refused", None)
    assert f"{then[:8]}  2025-03-02" in quick("trace", "list", *place, "--until", "2025").stdout
    (found,) = objects(quick("trace", "list", *place, "--since", "2026", "--json"))
    now = found["measurement_id"]

    # why it was refused
    shown = " ".join(quick("trace", "show", then).stdout.split())
    assert "some strokes go further than the stops" in shown

    # beside today's: there is nothing to compare yet, and that is said
    compared = quick("trace", "compare", now, then)
    assert compared.returncode == 3
    assert f"no end play was found in {then[:8]}" in compared.stderr

    # the third stroke went too far, and the card of that day says why
    why = ("--without", "3", "--why", "the wheel was pulled with a bar", "--who", "B. Rook")
    redone = quick("trace", "redo", then, *why, "--keep", "--accept", "--json")
    assert redone.returncode == 0
    (review,) = objects(redone)
    assert (review["usable"], review["verdict"], review["accepted"]) == (True, "loose", True)
    assert abs(review["end_play_mm"] - 0.31) < review["expanded_mm"]  # what the simulated hub has
    (still,) = objects(quick("trace", "show", then, "--json"))
    assert still["end_play_mm"] is None
    assert still["reviews"][0]["end_play_mm"] == review["end_play_mm"]
    said = " ".join(quick("trace", "compare", now, then).stdout.split())
    assert "A review of B was accepted (see trace show)" in said

    # handed on, and into an empty log
    assert quick("export", then, now, "--to", handed_on).returncode == 0
    brought = quick("import", handed_on, "--log", "empty.sqlite")
    assert brought.returncode == 0
    assert "2 measurements, 1 review added" in brought.stdout
    for one in (then, now):
        here = quick("trace", "show", one, "--json")
        there = quick("trace", "show", one, "--json", "--log", "empty.sqlite")
        assert here.stdout == there.stdout != ""
        for words in ((), why[:2]):
            again = [
                quick("trace", "redo", one, *words, "--json", "--log", log) for log in (LOG, "empty.sqlite")
            ]
            assert again[0].stdout == again[1].stdout != ""
    (from_there,) = objects(quick("trace", "redo", then, *why[:2], "--json", "--log", "empty.sqlite"))
    assert {key: review[key] for key in from_there} == from_there
    listed = objects(quick("trace", "list", "--json", "--log", "empty.sqlite"))
    assert {one["measurement_id"]: one["reviews"] for one in listed} == {then: 1, now: 0}


LOG = "log.sqlite"
