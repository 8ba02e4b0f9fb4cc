"""``shimwright thickness``: a micrometer's settled reading, live and replayed, and every way it can go
wrong."""

from __future__ import annotations

import json
import math
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Finished = subprocess.CompletedProcess[str]
Shimwright = Callable[..., Finished]

SETTLED = ["0.000"] * 3 + ["1.200", "2.900", "3.150"] + ["3.204"] * 30


def replayed(folder: Path, values: list[str], every_s: float = 0.1, unit: str = "mm") -> str:
    file = folder / "micrometer.csv"
    rows = "".join(f"{i * every_s:.3f},{value}\n" for i, value in enumerate(values))
    file.write_text(f"time_s,reading_{unit}\n{rows}", encoding="utf-8")
    return f"replay:{file}?speed=max"


def test_a_person_sees_the_number_and_what_to_give_to_measure(quick: Shimwright, tmp_path: Path) -> None:
    result = quick("thickness", "--link", replayed(tmp_path, SETTLED))
    assert result.returncode == 0
    text = " ".join(result.stdout.split())
    assert "Thickness 3.204 mm ± 0.001 mm (95 %), from 11 settled readings." in text
    assert "resolution of the reading 0.00029 mm" in text  # GUM F.2.2.1: 0.29 of the step
    assert "--fitted 3.204mm" in text


def test_the_number_printed_is_taken_by_measure(quick: Shimwright, tmp_path: Path, hub_file: Path) -> None:
    printed = quick("thickness", "--link", replayed(tmp_path, SETTLED)).stdout
    fitted = printed.split("--fitted ")[1].strip()
    link = "simulated:?end_play=0.312mm&seed=4&speed=max"
    words = ["measure", "--link", link, "--hub", hub_file, "--corner", "LR", "--json", "--fitted", fitted]
    found = json.loads(quick(*words).stdout)
    assert found["shim"]["zero_mm"] == pytest.approx(3.204 - found["end_play_mm"])


def test_json_is_one_object(quick: Shimwright, tmp_path: Path) -> None:
    link = replayed(tmp_path, SETTLED)
    result = quick("thickness", "--link", link, "--json", "--permissible-error", "0.002mm")
    assert (result.returncode, result.stderr) == (0, "")
    found = json.loads(result.stdout)
    assert list(found) == [
        *(
            "thickness_mm",
            "u_mm",
            "expanded_mm",
            "coverage_factor",
            "dof",
            "resolution_mm",
            "readings",
            "budget",
        ),
        *("unit", "simulated"),
    ]
    assert found["thickness_mm"] == 3.204
    assert found["u_mm"] == pytest.approx(math.hypot(0.002 / math.sqrt(3), 0.001 / math.sqrt(12)))
    assert [row["u_mm"] for row in found["budget"]][-1] == 0.0


def test_an_inch_micrometer(quick: Shimwright, tmp_path: Path) -> None:
    link = replayed(tmp_path, ["0.12615"] * 30, unit="in")
    result = quick("thickness", "--link", link)
    assert "Thickness 0.12615 in ± " in result.stdout
    assert "--fitted 0.12615in" in result.stdout


def test_three_presses_of_its_button(quick: Shimwright, tmp_path: Path) -> None:
    link = replayed(tmp_path, ["3.204", "3.205", "3.204"], every_s=3)
    result = quick("thickness", "--link", link, "--spots", "--json")
    assert json.loads(result.stdout)["readings"] == 3
    two = replayed(tmp_path, ["3.204", "3.205"], every_s=3)
    assert quick("thickness", "--link", two, "--spots").returncode == 3


@pytest.mark.slow
def test_live_over_a_pseudo_terminal(indicator: Any, start: Any) -> None:
    running = start("thickness", "--link", indicator.url, "--unit", "mm", "--json", afresh=True)
    indicator.repeat(b"+3.2040\r\n", every_s=0.05)
    result = running.end(20)
    assert (result.returncode, result.stderr) == (0, "")
    assert json.loads(result.stdout)["thickness_mm"] == 3.204


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([f"{3 + 0.005 * (i % 9):.3f}" for i in range(60)], "60 readings came, but they never settled"),
        (["0.000"] * 30, "settled on nothing, closed: close it on the shim"),
    ],
)
def test_what_is_refused(quick: Shimwright, tmp_path: Path, values: list[str], said: str) -> None:
    result = quick("thickness", "--link", replayed(tmp_path, values), "--json")
    assert (result.returncode, result.stdout) == (3, "")
    assert result.stderr.count("\n") == 1
    assert said in result.stderr


def test_silence_until_the_timeout(indicator: Any, shimwright: Shimwright) -> None:
    result = shimwright("thickness", "--link", indicator.url, "--unit", "mm", "--timeout", "0.5")
    assert result.returncode == 3
    assert "no reading came: check that the micrometer sends" in result.stderr


def test_garbage_only_suggests_the_baud_rate(indicator: Any, start: Any) -> None:
    running = start("thickness", "--link", indicator.url, "--unit", "mm")
    indicator.repeat(b"\xfe\x8c\x00\xe3\x98\x1f\xc7")
    result = running.end()
    assert result.returncode == 3
    assert "wrong baud rate? Try ?baud=" in result.stderr


@pytest.mark.parametrize(
    ("data", "code", "said"),
    [
        (b"+3.204\r\n", 2, "does not say its unit: add --unit mm"),
        (b"3.204 mm\r\n0.1261 in\r\n", 3, "was switched from"),
    ],
)
def test_units(indicator: Any, start: Any, data: bytes, code: int, said: str) -> None:
    running = start("thickness", "--link", indicator.url)
    indicator.repeat(data)
    result = running.end()
    assert result.returncode == code
    assert said in result.stderr


def test_stopped_and_unplugged(indicator: Any, start: Any) -> None:
    running = start("thickness", "--link", indicator.url, "--unit", "mm")
    running.process.stderr.readline()  # it says how to begin, and listens
    time.sleep(0.3)
    running.interrupt()
    result = running.end()
    assert result.returncode == 130
    assert "stopped with Ctrl-C" in result.stderr

    running = start("thickness", "--link", indicator.url, "--unit", "mm")
    running.process.stderr.readline()
    time.sleep(0.5)
    indicator.unplug()
    assert running.end().returncode == 4


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--timeout", "0"], "--timeout: 0 is no time"),
        (["--unit", "cm"], '--unit: "cm"'),
        (["--permissible-error", "2"], "--permissible-error: "),
        (["--profile", "nonesuch"], "nonesuch"),
    ],
)
def test_misuse(quick: Shimwright, words: list[str], said: str) -> None:
    result = quick("thickness", "--link", "replay:nowhere.csv", *words)
    assert result.returncode == 2
    assert said in result.stderr
