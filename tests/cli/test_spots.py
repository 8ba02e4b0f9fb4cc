"""Gauges with a button, from the command line: measured, analysed, and worked out again."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Finished = subprocess.CompletedProcess[str]
Shimwright = Callable[..., Finished]

PRESSES = ("1.200", "1.512", "1.201", "1.513", "1.200", "1.511", "1.200", "1.512")


@pytest.fixture
def spots(tmp_path: Path) -> Path:
    file = tmp_path / "presses.csv"
    rows = "".join(f"{2 * i},{value}\n" for i, value in enumerate(PRESSES))
    file.write_text(f"time_s,reading_mm\n{rows}", encoding="utf-8")
    return file


def test_presses_in_a_file(quick: Shimwright, spots: Path) -> None:
    found = json.loads(quick("analyse", "--spots", "--json", spots).stdout)
    assert found["end_play_mm"] == pytest.approx(0.312, abs=0.001)
    assert found["strokes"] == 7
    assert quick("analyse", spots).returncode == 3  # without the word they are too few readings


@pytest.mark.parametrize("by", ["option", "profile"])
def test_measured_and_worked_out_again(
    quick: Shimwright, spots: Path, hub_file: Path, tmp_path: Path, by: str
) -> None:
    profile = tmp_path / "pedal.toml"
    profile.write_text('sends = "button"\n', encoding="utf-8")
    how = ["--spots"] if by == "option" else ["--profile", str(profile)]
    link = f"replay:{spots}?speed=max"
    result = quick("measure", "--link", link, "--hub", hub_file, "--corner", "LR", "--json", *how)
    assert (result.returncode, "no readings came" in result.stderr) == (0, False)
    found = json.loads(result.stdout)
    assert found["verdict"] == "loose"
    assert found["end_play_mm"] == pytest.approx(0.312, abs=0.001)
    again = json.loads(quick("trace", "redo", found["measurement_id"], "--json").stdout)
    assert again == {key: found[key] for key in again}  # to the last digit


def test_too_few_presses_are_refused(quick: Shimwright, tmp_path: Path, hub_file: Path) -> None:
    file = tmp_path / "few.csv"
    file.write_text("time_s,reading_mm\n0,1.2\n2,1.5\n4,1.2\n", encoding="utf-8")
    link = f"replay:{file}?speed=max"
    result = quick("measure", "--link", link, "--hub", hub_file, "--corner", "LR", "--spots")
    assert result.returncode == 3
    assert "3 presses; at least 5 are needed: push, press, pull, press" in result.stderr


def test_live_over_a_pseudo_terminal(indicator: Any, start: Any, hub_file: Path, tmp_path: Path) -> None:
    words = ["--hub", hub_file, "--corner", "LR", "--unit", "mm", "--spots", "--json"]
    running = start("measure", "--link", indicator.url, *words)
    while not (tmp_path / "log.sqlite").exists():
        time.sleep(0.05)
    time.sleep(0.5)
    for value in PRESSES:
        if running.process.poll() is not None:
            break
        indicator.send(f"+{value}\r\n".encode())
        time.sleep(0.4)
    result = running.end(20)
    assert result.returncode == 0, result.stderr
    found = json.loads(result.stdout)
    assert found["end_play_mm"] == pytest.approx(0.312, abs=0.001)
    assert 5 <= found["strokes"] <= 7  # the very first press counts too
