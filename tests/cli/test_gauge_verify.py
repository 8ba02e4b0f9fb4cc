"""``shimwright gauge verify``: a gauge against a block, its record, and what later measurements say of it."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from joblog.checks import list_checks
from joblog.records import new_id
from joblog.store import Store

Finished = subprocess.CompletedProcess[str]
Shimwright = Callable[..., Finished]

LINK = "simulated:?end_play=0.312mm&seed=4&speed=max"


def replayed(folder: Path, blocks: list[float], name: str = "check.csv", rest_s: float = 1.5) -> str:
    """A trace at 10 Hz: on the face, on the block, on the face, and so on."""
    levels = [0.0]
    for block in blocks:
        levels += [block, 0.0]
    values: list[float] = []
    for level in levels:
        start = values[-1] if values else level
        values += [start + (level - start) * share for share in (0.3, 0.6, 0.9)]
        values += [level] * int(rest_s * 10)
    rows = "".join(f"{i * 0.1:.3f},{value:.3f}\n" for i, value in enumerate(values))
    (folder / name).write_text(f"time_s,reading_mm\n{rows}", encoding="utf-8")
    return f"replay:{folder / name}?speed=max"


def verify(link: str, *more: str) -> list[str]:
    return ["gauge", "verify", "--link", link, "--block", "1.000mm", *more]


def measure(hub_file: Path, *more: str) -> list[str | Path]:
    return ["measure", "--link", LINK, "--hub", hub_file, "--corner", "LR", *more]


GOOD = [1.001, 1.002, 1.001, 1.002, 1.001]
BAD = [1.012, 1.011, 1.012, 1.012, 1.011]


def test_a_gauge_that_passes(quick: Shimwright, tmp_path: Path) -> None:
    link = replayed(tmp_path, GOOD)
    result = quick(
        *verify(link, "--permissible-error", "0.004mm", "--block-u", "0.0001mm", "--gauge", "SN 1")
    )
    assert result.returncode == 0
    text = " ".join(result.stdout.split())
    assert "Gauge SN 1 on a block of 1.0000 mm, read 5 times" in text
    assert "mean error +0.00140 mm ± 0.00097 mm (95 %)" in text
    assert "repeatability (standard deviation of one) 0.0005 mm" in text
    assert "PASSED: the mean error, +0.0014 mm, is within the permissible ± 0.0040 mm" in text
    assert "on the block, 5 of 5: 1.001 mm: now the face again" in result.stderr
    (check,) = list_checks(tmp_path / "log.sqlite")
    assert check.gauge.name == "SN 1"
    assert check.outcome == "pass"
    assert check.error_mm == pytest.approx(0.0014)


def test_json_is_one_object_and_is_what_the_log_keeps(quick: Shimwright, tmp_path: Path) -> None:
    result = quick(*verify(replayed(tmp_path, BAD), "--permissible-error", "0.004mm", "--json"))
    assert result.returncode == 0
    assert result.stdout.count("\n") == 1
    found = json.loads(result.stdout)
    assert found["outcome"] == "fail"
    assert found["errors_mm"] == pytest.approx([0.012, 0.011, 0.012, 0.012, 0.011])
    listed = quick("gauge", "verify", "--list", "--json")
    assert json.loads(listed.stdout) == found


def test_without_a_permissible_error_nothing_is_decided(quick: Shimwright, tmp_path: Path) -> None:
    result = quick(*verify(replayed(tmp_path, GOOD)))
    assert "NOT DECIDED, as no permissible error is stated." in result.stdout
    assert "uncertainty of the block itself was not stated" in " ".join(result.stdout.split())


def test_the_profile_s_permissible_error_is_taken(quick: Shimwright, tmp_path: Path) -> None:
    profile = tmp_path / "mine.toml"
    profile.write_text('[gauge]\nunit = "mm"\npermissible_error = 0.0015\n', encoding="utf-8")
    found = json.loads(quick(*verify(replayed(tmp_path, GOOD), "--profile", str(profile), "--json")).stdout)
    assert found["permissible_error_mm"] == 0.0015
    assert found["outcome"] == "undecided"  # 0.0014 is too near


def test_the_history(quick: Shimwright, tmp_path: Path) -> None:
    good, bad = replayed(tmp_path, GOOD), replayed(tmp_path, BAD, "bad.csv")
    quick(*verify(good, "--permissible-error", "0.004mm"))
    quick(*verify(bad, "--permissible-error", "0.004mm", "--gauge", "SN 2"))
    everything = quick("gauge", "verify", "--list").stdout.splitlines()
    assert len(everything) == 3
    assert everything[0].startswith("TIME (UTC)")
    assert everything[1].endswith("± 0.0040 mm  pass")
    assert "SN 2" in everything[2]
    assert everything[2].endswith("fail")
    assert len(quick("gauge", "verify", "--list", "--gauge", "SN 2").stdout.splitlines()) == 2
    assert len(quick("gauge", "verify", "--list", "--link", good).stdout.splitlines()) == 2
    assert quick("gauge", "verify", "--list", "--gauge", "SN 3").stdout == "No checks.\n"


@pytest.mark.slow
def test_live_over_a_pseudo_terminal(indicator: Any, start: Any, tmp_path: Path) -> None:
    running = start(*verify(indicator.url, "--unit", "mm", "--repeats", "3", "--json"), afresh=True)
    while not (tmp_path / "log.sqlite").exists():
        time.sleep(0.05)
    time.sleep(0.5)
    for level in (0.0, 1.002, 0.0, 1.003, 0.0, 1.002, 0.0):
        for _ in range(27):
            indicator.send(f"{level:+.3f}\r\n".encode())
            time.sleep(0.05)
    result = running.end(20)
    assert result.returncode == 0, result.stderr
    assert json.loads(result.stdout)["errors_mm"] == pytest.approx([0.002, 0.003, 0.002])


def test_by_the_press_of_a_button(quick: Shimwright, tmp_path: Path) -> None:
    rows = "".join(f"{2 * i},{v}\n" for i, v in enumerate(("0.000", "1.002") * 3 + ("0.000",)))
    (tmp_path / "presses.csv").write_text(f"time_s,reading_mm\n{rows}", encoding="utf-8")
    link = f"replay:{tmp_path / 'presses.csv'}?speed=max"
    found = json.loads(quick(*verify(link, "--spots", "--repeats", "3", "--json")).stdout)
    assert found["error_mm"] == pytest.approx(0.002)


def test_a_check_that_does_not_get_to_its_end_is_refused_and_not_kept(
    quick: Shimwright, tmp_path: Path
) -> None:
    result = quick(*verify(replayed(tmp_path, GOOD[:2])))
    assert (result.returncode, result.stdout) == (3, "")
    assert "the block was read 2 of 5 times" in result.stderr
    assert list_checks(tmp_path / "log.sqlite") == []


def test_the_wrong_block_is_told(quick: Shimwright, tmp_path: Path) -> None:
    link = replayed(tmp_path, GOOD)
    result = quick("gauge", "verify", "--link", link, "--block", "2mm")
    assert result.returncode == 3
    assert (
        "the reading rested 1.001 mm from the face, and the block is 2.000 mm: check --block" in result.stderr
    )


def test_silence_until_the_timeout(indicator: Any, shimwright: Shimwright) -> None:
    result = shimwright(*verify(indicator.url, "--unit", "mm", "--timeout", "0.5"))
    assert result.returncode == 3
    assert "no reading came" in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--block", "1mm"], "--link: give the gauge's link, or --list"),
        (["--link", "replay:x.csv"], "--block: give the size of the block, or --list"),
        (["--link", "replay:x.csv", "--block", "0mm"], "--block: "),
        (["--link", "replay:x.csv", "--block", "1mm", "--repeats", "2"], "--repeats: 2 is outside 3 to 100"),
        (["--link", "replay:x.csv", "--block", "1mm", "--timeout", "-1"], "--timeout: -1 is no time"),
        (["--list"], "there is no log"),
    ],
)
def test_misuse(quick: Shimwright, words: list[str], said: str) -> None:
    result = quick("gauge", "verify", *words)
    assert result.returncode == 2
    assert said in result.stderr


# what a measurement says of its gauge


def test_a_measurement_with_a_gauge_that_failed_says_so_and_keeps_it(
    quick: Shimwright, tmp_path: Path, hub_file: Path
) -> None:
    quick(*verify(replayed(tmp_path, BAD), "--permissible-error", "0.004mm", "--gauge", "SN 1"))
    result = quick(*measure(hub_file, "--gauge", "SN 1"))
    assert result.returncode == 0
    assert "note: this gauge (SN 1) failed its last check" in result.stderr
    assert "Mind: this gauge (SN 1) failed its last check" in " ".join(result.stdout.split())
    found = json.loads(quick(*measure(hub_file, "--gauge", "SN 1", "--json")).stdout)
    assert found["gauge_note"].startswith("this gauge (SN 1) failed its last check")
    shown = " ".join(quick("trace", "show", found["measurement_id"]).stdout.split())
    assert "Gauge SN 1." in shown
    assert "Mind: this gauge (SN 1) failed its last check" in shown


def test_a_gauge_that_passed_is_not_spoken_of(quick: Shimwright, tmp_path: Path, hub_file: Path) -> None:
    quick(*verify(replayed(tmp_path, GOOD), "--permissible-error", "0.004mm", "--gauge", "SN 1"))
    result = quick(*measure(hub_file, "--gauge", "SN 1", "--check-days", "30", "--json"))
    assert "note:" not in result.stderr
    assert "gauge_note" not in json.loads(result.stdout)


def test_a_check_that_is_older_than_allowed(quick: Shimwright, tmp_path: Path, hub_file: Path) -> None:
    quick(*verify(replayed(tmp_path, GOOD), "--permissible-error", "0.004mm", "--gauge", "SN 1"))
    log = tmp_path / "log.sqlite"
    (check,) = list_checks(log)
    with Store.open(log) as store:
        store.add_check(replace(check, id=new_id(), at="2020-01-02T03:04:05.000Z"))
    result = quick(*measure(hub_file, "--gauge", "SN 1", "--check-days", "30"))
    assert "days ago, 2020-01-02; 30 days are allowed" in result.stderr
    never = quick(*measure(hub_file, "--check-days", "30"))
    assert "was never checked" in never.stderr
    with closing(sqlite3.connect(log)) as db:
        notes = [note for (note,) in db.execute("SELECT gauge_note FROM measurement ORDER BY seq")]
    assert ["2020-01-02" in notes[0], "never checked" in notes[1]] == [True, True]


@pytest.mark.parametrize("days", ["0", "nan", "-3"])
def test_an_age_that_is_none(quick: Shimwright, hub_file: Path, days: str) -> None:
    result = quick(*measure(hub_file, "--check-days", days))
    assert result.returncode == 2
    assert "--check-days: " in result.stderr
