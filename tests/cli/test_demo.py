"""The demonstration is the whole main job, on a real pseudo-terminal, in under half a minute."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from calc.hub import load_hub
from cli import demo

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_the_demonstration(start: Any, shimwright: Callable[..., Any], tmp_path: Path) -> None:
    begin = time.monotonic()
    programs, person = (
        start("demo", "--json", "--seed", "3", "--log", "kept.sqlite", afresh=True),
        start("demo"),
    )
    result, shown = programs.end(50), person.end(50)
    assert time.monotonic() - begin < 30

    assert result.returncode == 0, result.stderr
    assert result.stderr == ""
    found, left, found_again, left_again = map(json.loads, result.stdout.splitlines())
    assert (found["stage"], found["verdict"]) == ("as-found", "loose")
    assert (left["stage"], left["verdict"]) == ("as-left", "within")
    chosen = found["shim"]["choice"]
    assert abs(left["end_play_mm"] - chosen["expected_mm"]) < 0.02
    for again, first in ((found_again, found), (left_again, left)):
        assert again == {key: first[key] for key in again}
    listed = shimwright("trace", "list", "--json", "--log", tmp_path / "kept.sqlite").stdout.splitlines()
    assert [json.loads(line)["measurement_id"] for line in listed] == [
        found["measurement_id"],
        left["measurement_id"],
    ]
    assert all(json.loads(line)["simulated"] for line in listed)

    assert shown.returncode == 0, shown.stderr
    assert shown.stdout.startswith("DEMONSTRATION. Everything here is SIMULATED")
    for said in ("as found", "LOOSE", "Shim to fit", "as left", "WITHIN LIMITS", "All of this was SIMULATED"):
        assert said in shown.stdout
    assert shown.stdout.count("Equal to what was recorded, to the last digit.") == 2


def test_its_hub_is_the_projects_own() -> None:
    ours = load_hub(demo.HUB_FILE)
    theirs = load_hub(ROOT / "fixtures" / "hubs" / "heron-rear.toml")
    for part in ("title", "unit", "limits", "effect", "sizes_mm", "trial_mm", "aim", "nut"):
        assert getattr(ours, part) == getattr(theirs, part)


@pytest.mark.parametrize("zero_mm", demo.ZERO_MM)
def test_every_seed_is_loose_as_found_and_can_be_put_right(zero_mm: float) -> None:
    hub = load_hub(demo.HUB_FILE)
    end_play_mm = demo.FITTED_MM - zero_mm
    assert end_play_mm > hub.limits.most_mm + 0.02
    left_mm = min(size - zero_mm for size in hub.sizes_mm if size - zero_mm >= hub.limits.least_mm)
    assert left_mm - 3 * demo.REASSEMBLY_MM > hub.limits.least_mm  # the tightest that fits stays within
    assert left_mm + 3 * demo.REASSEMBLY_MM < hub.limits.most_mm
