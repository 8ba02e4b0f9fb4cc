"""``shimwright measure`` as a process of its own on a pseudo-terminal, and every way it can go wrong."""

from __future__ import annotations

import json
import re
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial

from capture.readings import Trace
from capture.simulator import HubModel, Motion, simulate

ROOT = Path(__file__).parents[2]
Finished = subprocess.CompletedProcess[str]
Shimwright = Callable[..., Finished]

ANALYSIS = [
    "usable",
    "reasons",
    "end_play_mm",
    "u_mm",
    "expanded_mm",
    "coverage_factor",
    "dof",
    "strokes",
    "half_strokes",
    "resolution_mm",
    "drift_mm_per_s",
    "budget",
]
KEYS = [*ANALYSIS, "measurement_id", "at", "corner", "stage", "verdict", "p_within"]


def rows(tmp_path: Path) -> list[dict[str, Any]]:
    with sqlite3.connect(tmp_path / "log.sqlite") as log:
        log.row_factory = sqlite3.Row
        query = (
            "SELECT m.*, t.readings FROM measurement m JOIN trace t ON t.measurement_id = m.id ORDER BY seq"
        )
        found = [dict(row) for row in log.execute(query)]
    log.close()
    return found


def one_line(result: Finished, code: int, said: str) -> None:
    """It ended with this code and one line on standard error that says so."""
    assert result.returncode == code, result.stderr
    assert result.stderr.count("\n") == 1, result.stderr
    assert result.stderr.startswith("shimwright: ")
    assert re.search(said, result.stderr), result.stderr


def words_for(link: str, hub: Path, *more: str) -> list[str | Path]:
    return ["measure", "--link", link, "--hub", hub, "--corner", "LR", *more]


def wait_until(ready: Callable[[], bool], seconds: float = 10) -> None:
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.slow
def test_live_over_a_pseudo_terminal(  # noqa: PLR0917 - fixtures
    indicator: Any, start: Any, shimwright: Shimwright, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    words = words_for(indicator.url, hub_file, "--unit", "mm", "--fitted", "3.20mm", "--json")
    running = start(*words, afresh=True)
    indicator.play(loose_trace)
    result = running.end(40)
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.count("\n") == 1
    found = json.loads(result.stdout)
    assert list(found) == [*KEYS, "shim"]
    assert abs(found["end_play_mm"] - 0.312) < 0.008
    assert (found["corner"], found["stage"], found["verdict"]) == ("LR", "as-found", "loose")
    assert found["p_within"] < 0.001
    assert found["shim"]["choice"]["thickness_mm"] == 2.95
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", found["at"])

    (row,) = rows(tmp_path)
    assert (row["id"], row["state"], row["simulated"]) == (found["measurement_id"], "measured", 0)

    again = json.loads(shimwright("trace", "redo", found["measurement_id"][:8], "--json").stdout)
    assert list(again) == [*ANALYSIS, "measurement_id"]
    assert again == {key: found[key] for key in again}  # to the last digit

    exported = tmp_path / "trace.csv"
    assert shimwright("trace", "export", found["measurement_id"], "--to", exported).returncode == 0
    analysed = json.loads(shimwright("analyse", "--json", exported).stdout)
    assert list(analysed) == ["file", *ANALYSIS]
    assert analysed["end_play_mm"] == found["end_play_mm"]


def test_a_person_sees_number_verdict_ruler_shim_and_caution(quick: Shimwright, hub_file: Path) -> None:
    link = "simulated:?end_play=0.312mm&seed=4&speed=max"
    result = quick(*words_for(link, hub_file, "--fitted", "3.20mm", "--vehicle", "Heron GT"))
    assert result.returncode == 0
    for said in (
        r"SIMULATED",
        r"Left rear, as found",
        r"End play 0\.31\d mm ± 0\.00\d mm \(95 %\), from 5 strokes",
        r"LOOSE, too much end play",
        r"▐.*within limits.*▌",
        r"◆",
        r"Shim to fit: 2\.95 mm",
        r"written down before anything is taken apart",
        r"fit the 2\.95 mm shim, then measure as left",
        r"never on the jack alone",
        r"asbestos",
        r"135 N·m \(100 lb·ft\)",
        r"onward only, never back",
        r"only does the sums",
        r"Measurement [0-9a-f-]{36}",
    ):
        assert re.search(said, result.stdout), said
    assert len(re.findall("^stroke ", result.stderr, re.MULTILINE)) == 5


@pytest.mark.parametrize(
    ("end_play", "stage", "more", "said"),
    [
        ("0.1mm", "as-found", [], "nothing to take apart"),
        ("0.1mm", "as-left", [], "this corner is done"),
        ("0.1mm", "trial", [], "trial shim may stay"),
        ("0.5mm", "trial", ["--fitted", "3.75mm"], "fit the 3.30 mm shim, then measure as left"),
        ("0.3mm", "as-left", ["--fitted", "3.00mm"], "fit the 2.75 mm shim, then measure once more as left"),
        ("0.3mm", "as-found", [], "measure the shim that is in the hub with a micrometer"),
    ],
)
def test_the_next_thing_to_do(  # noqa: PLR0917 - fixtures
    end_play: str, stage: str, more: list[str], said: str, quick: Shimwright, hub_file: Path
) -> None:
    link = f"simulated:?end_play={end_play}&speed=max"
    result = quick(*words_for(link, hub_file, "--stage", stage, *more))
    assert result.returncode == 0
    text = " ".join(result.stdout.split())
    assert said in text
    apart = "jack alone" in text
    assert apart is (end_play != "0.1mm")  # no caution about work that is not to be done


def test_a_hub_whose_nut_sets_the_end_play_is_offered_no_shim(quick: Shimwright, tmp_path: Path) -> None:
    front = tmp_path / "front.toml"
    front.write_text(
        'title = "Heron GT front hub"\nunit = "in"\n[end_play]\nleast = 0.001\nmost = 0.004\n'
        '[nut]\ntorque = "15 lb·ft"\nline_up = "back off"\n',
        encoding="utf-8",
    )
    result = quick(*words_for("simulated:?end_play=0.006in&speed=max", front, "--fitted", "3mm"))
    assert result.returncode == 0
    assert "Shim to fit" not in result.stdout
    assert "its nut sets the end play: tighten it as" in " ".join(result.stdout.split())
    assert "15 lb·ft (20 N·m)" in result.stdout
    assert re.search(r"End play 0\.006\d\d in ± ", result.stdout)


def test_ascii_where_the_letters_are_missing(shimwright: Shimwright, hub_file: Path) -> None:
    ascii_only = {"PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    link = "simulated:?end_play=0.312mm&speed=max"
    result = shimwright(*words_for(link, hub_file, "--fitted", "3.20mm"), env=ascii_only)
    assert result.returncode == 0
    assert result.stdout.isascii()
    assert "mm +/- 0.0" in result.stdout
    assert "[=" in result.stdout


def test_unplugged_in_mid_stroke(
    indicator: Any, start: Any, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    running = start(*words_for(indicator.url, hub_file, "--unit", "mm", "--json"))
    wait_until((tmp_path / "log.sqlite").exists)
    indicator.play(loose_trace)
    time.sleep(1.5)
    indicator.unplug()
    result = running.end()
    one_line(result, 4, r"readings\) is in the log, unfinished, as [0-9a-f]{8}")
    (row,) = rows(tmp_path)
    assert row["state"] == "unfinished"
    assert row["readings"] > 5
    assert row["verdict"] is None
    shown = json.loads(result.stdout)
    assert shown["measurement_id"] == row["id"]
    assert shown["usable"] is False


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_stopped_in_the_middle(  # noqa: PLR0917 - fixtures
    number: int, code: int, indicator: Any, start: Any, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    running = start(*words_for(indicator.url, hub_file, "--unit", "mm", "--json"))
    wait_until((tmp_path / "log.sqlite").exists)
    indicator.play(loose_trace)
    time.sleep(1.5)
    running.interrupt(number)
    one_line(running.end(), code, r"\(\d+ readings\) is in the log, unfinished, as [0-9a-f]{8}")
    (row,) = rows(tmp_path)
    assert row["state"] == "unfinished"
    assert row["readings"] > 5


def test_stopped_before_anything_came(indicator: Any, start: Any, hub_file: Path, tmp_path: Path) -> None:
    running = start(*words_for(indicator.url, hub_file, "--unit", "mm"))
    wait_until((tmp_path / "log.sqlite").exists)
    time.sleep(0.5)
    running.interrupt()
    one_line(running.end(), 130, "stopped with Ctrl-C; nothing had been read yet")
    assert rows(tmp_path) == []


def test_stopped_at_any_moment_from_the_start(start: Any, hub_file: Path) -> None:
    for delay in (0.05, 0.15, 0.3, 0.5):
        running = start(*words_for("simulated:?end_play=0.3mm", hub_file), afresh=True)
        time.sleep(delay)
        running.interrupt()
        result = running.end()
        starting = result.stderr.startswith(("Traceback", "Fatal Python error: init_"))
        if str(ROOT / "cli") in result.stderr or not starting:
            assert result.returncode in {130, -signal.SIGINT}  # the latter while it is still being loaded
            assert result.stderr.startswith("shimwright: stopped with Ctrl-C") or not result.stderr
        else:  # Python itself was still starting
            assert delay < 0.3


def test_a_missing_port(quick: Shimwright, hub_file: Path, tmp_path: Path) -> None:
    result = quick(*words_for("serial:/dev/ttyNOWHERE", hub_file, "--unit", "mm"))
    one_line(result, 4, "ttyNOWHERE: there is no such port")
    assert rows(tmp_path) == []


def test_a_port_in_use(indicator: Any, shimwright: Shimwright, hub_file: Path) -> None:
    with serial.serial_for_url(indicator.path, exclusive=True):
        result = shimwright(*words_for(indicator.url, hub_file, "--unit", "mm"))
    one_line(result, 4, "another program")


def test_a_socket_where_nobody_listens(quick: Shimwright, hub_file: Path) -> None:
    one_line(quick(*words_for("socket://127.0.0.1:1", hub_file)), 4, "socket://127.0.0.1:1")


@pytest.mark.parametrize("json_too", [[], ["--json"]])
def test_garbage_only_ends_by_itself_and_suggests_the_baud_rate(
    json_too: list[str], indicator: Any, start: Any, hub_file: Path
) -> None:
    running = start(*words_for(indicator.url, hub_file, "--unit", "mm", *json_too))
    indicator.repeat(b"\xfe\x8c\x00\xe3\x98\x1f\xc7")
    result = running.end()
    one_line(result, 3, r"no number: wrong baud rate\? Try \?baud=")
    assert result.stdout == ""


def test_readings_without_a_unit(indicator: Any, start: Any, hub_file: Path) -> None:
    running = start(*words_for(indicator.url, hub_file))
    indicator.repeat(b"+0.123\r\n")
    one_line(running.end(), 2, r'--unit: the reading "\+0.123" does not say its unit: add --unit mm')


def test_the_unit_changes_in_mid_stream(indicator: Any, start: Any, hub_file: Path, tmp_path: Path) -> None:
    running = start(*words_for(indicator.url, hub_file, "--json"))
    indicator.repeat(b"0.123 mm\r\n" * 30 + b"0.0048 in\r\n" * 30, every_s=0.1)
    result = running.end()
    one_line(result, 3, "changed from (mm to in.*set it back to mm|in to mm.*set it back to in)")
    assert json.loads(result.stdout)["reasons"][0]["code"] == "unit-changed"
    assert [row["state"] for row in rows(tmp_path)] == ["refused"]


def test_silence_until_the_timeout(indicator: Any, shimwright: Shimwright, hub_file: Path) -> None:
    result = shimwright(*words_for(indicator.url, hub_file, "--unit", "mm", "--timeout", "0.6"))
    one_line(result, 3, "only 0 readings came.*check that the gauge sends")


def test_no_strokes_until_the_timeout(indicator: Any, start: Any, hub_file: Path, tmp_path: Path) -> None:
    running = start(*words_for(indicator.url, hub_file, "--unit", "mm", "--timeout", "1", "--json"))
    indicator.repeat(b"+0.123\r\n")
    result = running.end()
    one_line(result, 3, r"the reading stayed within 0\.000 mm: push and pull.* in the log as [0-9a-f]{8}")
    found = json.loads(result.stdout)
    assert list(found) == KEYS
    assert (found["usable"], found["end_play_mm"], found["verdict"]) == (False, None, None)
    assert [row["state"] for row in rows(tmp_path)] == ["refused"]


def test_a_turned_hub_is_refused(quick: Shimwright, hub_file: Path, tmp_path: Path) -> None:
    trace = simulate(HubModel(motion=Motion.TURNED), 3).trace
    file = tmp_path / "turned.csv"
    write(trace, file)
    result = quick(*words_for(f"replay:{file}?speed=max", hub_file, "--json"))
    one_line(result, 3, "measurement refused: ")


def test_an_end_play_larger_than_the_fitted_shim(quick: Shimwright, hub_file: Path, tmp_path: Path) -> None:
    link = "simulated:?end_play=0.5mm&speed=max"
    result = quick(*words_for(link, hub_file, "--fitted", "0.4mm", "--json"))
    one_line(result, 2, r"--fitted: an end play of 0\.\d+ mm is more than the fitted shim, 0\.40 mm")
    assert json.loads(result.stdout)["verdict"] == "loose"  # it was measured, and is kept
    assert [row["state"] for row in rows(tmp_path)] == ["measured"]


def test_no_size_lands_within_limits(quick: Shimwright, hub_file: Path) -> None:
    link = "simulated:?end_play=1mm&speed=max"
    result = quick(*words_for(link, hub_file, "--fitted", "2.00mm"))
    assert result.returncode == 0
    text = " ".join(result.stdout.split())
    assert "No shim on hand will do: no size lands within the limits" in text
    assert "the nearest, 2.40 mm, would leave" in text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"--corner": "MIDDLE"}, '--corner: "MIDDLE" is not known: use LF, RF, LR or RR'),
        ({"--stage": "before"}, '--stage: "before" .*as-found, trial or as-left'),
        ({"--unit": "cm"}, '--unit: "cm" .*mm or in'),
        ({"--fitted": "3.20"}, '--fitted: "3.20" has no unit'),
        ({"--fitted": "0mm"}, '--fitted: "0mm" is no thickness'),
        ({"--timeout": "0"}, "--timeout: 0 is no time"),
        ({"--timeout": "nan"}, "--timeout: nan is no time"),
        ({"--hub": "nowhere.toml"}, "nowhere.toml: cannot be read"),
        ({"--profile": "nonesuch"}, "profile nonesuch: is not built in"),
        ({"--link": "carrier-pigeon:3"}, "carrier-pigeon:3"),
        ({"--link": "/dev/ttyUSB0"}, "write serial:/dev/ttyUSB0"),
        ({"--link": "simulated:?end_play=0.31"}, "end_play: .*has no unit"),
        ({"--link": "replay:nowhere.csv"}, "nowhere.csv"),
        ({"--log": "no/such/folder/log.sqlite"}, "folder no/such/folder for the log does not exist"),
        ({"--log": "."}, "is a folder"),
    ],
)
def test_misuse_is_one_line_before_anything_is_measured(
    changes: dict[str, str], said: str, quick: Shimwright, hub_file: Path
) -> None:
    options = {
        "--link": "simulated:?end_play=0.3mm&speed=max",
        "--hub": str(hub_file),
        "--corner": "LR",
    } | changes
    result = quick("measure", *[word for pair in options.items() for word in pair])
    code = 4 if "nowhere.csv" in said else 2
    one_line(result, code, said)
    assert result.stdout == ""


def test_a_log_that_is_none_is_told_before_the_link_is_opened(
    quick: Shimwright, hub_file: Path, tmp_path: Path
) -> None:
    (tmp_path / "log.sqlite").write_text("not a database, but somebody's notes\n" * 50)
    result = quick(*words_for("serial:/dev/ttyNOWHERE", hub_file))
    one_line(result, 2, "is not a measurement log")
    assert (tmp_path / "log.sqlite").read_text().startswith("not a database")


def write(trace: Trace, file: Path) -> None:
    times, texts = np.asarray(trace.times_s).tolist(), trace.texts()
    lines = [f"{at!r},{text}" for at, text in zip(times, texts, strict=True)]
    file.write_text("\n".join([f"time_s,reading_{trace.unit}", *lines, ""]))
