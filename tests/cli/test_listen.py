"""``shimwright listen`` as a process of its own, its gauges at the other ends of pseudo-terminals."""

from __future__ import annotations

import json
import os
import signal
import socket
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from capture.readings import Trace
from capture.simulator import HubModel, simulate
from capture.traces import write_csv

Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]

HEAD = 'shop = "larkfield"\nstation = "bay-2"\nlog = "log.sqlite"\nhub = "heron-rear.toml"\ntimeout = 20\n'


def gauge(name: str, link: str, corner: str | None = "LR") -> str:
    where = f'corner = "{corner}"\n' if corner else ""
    return f'[[gauge]]\nname = "{name}"\nlink = "{link}"\nunit = "mm"\n{where}'


def quick_trace(seed: int = 21, end_play_mm: float = 0.31, strokes: int = 12) -> Trace:
    model = HubModel(
        end_play_mm=end_play_mm, strokes=strokes, dwell_s=0.33, dwell_spread=0.1, move_s=0.08, rest_s=0.4
    )
    return simulate(model, seed).trace


class Bay:
    """The service while it runs, and the lines of its journal so far."""

    def __init__(self, folder: Path, start: Any) -> None:
        self.folder = folder
        self.station = folder / "bay-2.toml"
        self.lines: list[dict[str, Any]] = []
        self._start = start
        self._process: subprocess.Popen[str]
        self._reader: threading.Thread
        self.printed = ""

    def write(self, *gauges: str, head: str = HEAD) -> None:
        self.station.write_text(head + "".join(gauges), encoding="utf-8")

    def begin(self, *words: str, env: dict[str, str] | None = None, afresh: bool = False) -> None:
        running = self._start("listen", "--station", self.station, *words, env=env, afresh=afresh)
        self._process = running.process
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.until("ready")

    def _read(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self.lines.append(json.loads(line))

    def all(self, event: str, **facts: object) -> list[dict[str, Any]]:
        return [
            line
            for line in list(self.lines)
            if line["event"] == event and all(line.get(key) == value for key, value in facts.items())
        ]

    def until(self, event: str, count: int = 1, seconds: float = 20.0, **facts: object) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while len(found := self.all(event, **facts)) < count:
            assert self._process.poll() is None, (event, self.lines)
            assert time.monotonic() < end, (event, self.lines)
            time.sleep(0.01)
        return found[count - 1]

    def send(self, number: int) -> None:
        self._process.send_signal(number)

    def end(self, number: int = signal.SIGTERM, code: int = 0) -> float:
        """Stop it; how long that took, seconds."""
        began = time.monotonic()
        self._process.send_signal(number)
        assert self._process.wait(20) == code
        took = time.monotonic() - began
        self._reader.join(5)
        assert self._process.stdout is not None
        self.printed = self._process.stdout.read()
        return took

    def close(self) -> None:
        if hasattr(self, "_process"):
            self._process.kill()
            self._process.wait()
            self._reader.join(5)
            for pipe in (self._process.stdout, self._process.stderr):
                assert pipe is not None
                pipe.close()

    def rows(self) -> list[dict[str, Any]]:
        with closing(sqlite3.connect(self.folder / "log.sqlite")) as log:
            log.row_factory = sqlite3.Row
            tables = "measurement m JOIN trace t ON t.measurement_id = m.id"
            query = f"SELECT m.*, t.readings FROM {tables} ORDER BY seq"
            return [dict(row) for row in log.execute(query)]


@pytest.fixture
def bay(tmp_path: Path, hub_file: Path, start: Any) -> Iterator[Bay]:
    assert hub_file.name == "heron-rear.toml"
    one = Bay(tmp_path, start)
    yield one
    one.close()


@pytest.fixture
def more(indicator: Any) -> Iterator[Callable[[], Any]]:
    """Makes further indicators."""
    made: list[Any] = []

    def make() -> Any:
        made.append(type(indicator)())
        return made[-1]

    yield make
    for one in made:
        one.unplug()


@pytest.mark.slow
def test_three_gauges_at_once_give_three_results(
    bay: Bay, indicator: Any, more: Any, quick: Shimwright
) -> None:
    second = more()
    with (bay.folder / "third.csv").open("w", newline="", encoding="utf-8") as file:
        write_csv(quick_trace(23, 0.12), file)
    bay.write(
        gauge("one", indicator.url, "LR"),
        gauge("two", second.url, "RR"),
        gauge("three", f"replay:{bay.folder / 'third.csv'}", "LF"),
    )
    bay.begin("--json", afresh=True)
    bay.until("armed", gauge="three")
    indicator.play(quick_trace(21, 0.31))
    second.play(quick_trace(22, 0.15))
    bay.until("measured", count=3)
    assert bay.end() < 5
    rows = bay.rows()
    assert {row["corner"]: row["end_play_mm"] for row in rows} == pytest.approx(
        {"LR": 0.31, "RR": 0.15, "LF": 0.12}, abs=0.008
    )
    assert {(row["state"], row["stage"]) for row in rows} == {("measured", "as-found")}
    for row in rows:
        again = json.loads(
            quick("trace", "redo", row["id"], "--json", "--log", bay.folder / "log.sqlite").stdout
        )
        assert again["end_play_mm"] == row["end_play_mm"]  # to the last digit
    printed = [json.loads(line) for line in bay.printed.splitlines()]
    assert [item["measurement_id"] for item in printed] == [row["id"] for row in rows]


@pytest.mark.slow
def test_unplugged_in_mid_measurement_and_plugged_in_again(bay: Bay, indicator: Any, more: Any) -> None:
    place = bay.folder / "gauge-1"
    place.symlink_to(indicator.path)
    bay.write(gauge("one", f"serial:{place}"))
    bay.begin()
    bay.until("connected")
    indicator.play(quick_trace(), seconds=2.0)
    bay.until("began")
    time.sleep(0.5)
    place.unlink()
    indicator.unplug()
    bay.until("unfinished")
    again = more()
    place.symlink_to(again.path)
    bay.until("connected", count=2)
    again.play(quick_trace(22))
    bay.until("measured")
    bay.end()
    first, second = bay.rows()
    assert (first["state"], second["state"]) == ("unfinished", "measured")
    assert 30 <= first["readings"] <= 120
    assert "was unplugged" in bay.all("lost")[0]["text"]


@pytest.mark.slow
def test_sighup_follows_the_changed_file(bay: Bay, indicator: Any, more: Any) -> None:
    second, third = more(), more()
    bay.write(gauge("one", indicator.url), gauge("two", second.url, "RR"))
    bay.begin()
    bay.until("connected", count=2)
    indicator.play(quick_trace())
    bay.until("began", gauge="one")
    bay.write(gauge("one", indicator.url), gauge("three", third.url, "LF"))
    bay.send(signal.SIGHUP)
    said = bay.until("reloaded")
    assert (said["stopped"], said["started"]) == (["two"], ["three"])
    bay.until("connected", gauge="three")
    bay.until("measured", gauge="one")  # it went on measuring all the while
    assert len(bay.all("connected", gauge="one")) == 1

    bay.write(gauge("one", indicator.url), gauge("four", "serial:"))
    bay.send(signal.SIGHUP)
    failed = bay.until("reload-failed")
    assert "line 13, gauge[2].link" in failed["text"]
    assert "the old settings stay" in failed["text"]
    bay.write(head="shop = ")
    bay.send(signal.SIGHUP)
    assert "is not TOML" in bay.until("reload-failed", count=2)["text"]
    third.play(quick_trace(4, 0.12))
    bay.until("measured", gauge="three")  # the old settings stay
    bay.end()
    assert [row["state"] for row in bay.rows()] == ["measured", "measured"]


def test_sighup_moves_to_another_log(bay: Bay, indicator: Any) -> None:
    bay.write(gauge("one", indicator.url))
    bay.begin()
    bay.write(gauge("one", indicator.url), head=HEAD.replace("log.sqlite", "other.sqlite"))
    bay.send(signal.SIGHUP)
    bay.until("reloaded")
    bay.write(gauge("one", indicator.url), head=HEAD.replace("log.sqlite", "nowhere/other.sqlite"))
    bay.send(signal.SIGHUP)
    assert "does not exist" in bay.until("reload-failed")["text"]
    bay.end()
    assert (bay.folder / "other.sqlite").exists()


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stopped_in_mid_measurement_within_two_seconds(bay: Bay, indicator: Any, number: int) -> None:
    bay.write(gauge("one", indicator.url), gauge("gone", "socket://127.0.0.1:9", "RR"))
    bay.begin()
    bay.until("connected")
    indicator.play(quick_trace())
    bay.until("began")
    time.sleep(0.3)
    assert bay.end(number) < 2
    (row,) = bay.rows()
    assert row["state"] == "unfinished"
    assert row["readings"] > 20
    assert bay.all("stopped")


@pytest.mark.slow
def test_a_machine_that_does_not_answer_does_not_hold_up_the_end(bay: Bay, indicator: Any) -> None:
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen(0)
        waiting = [
            socket.socket() for _ in range(4)
        ]  # more than it lets wait: the next gets no answer at all
        for one in waiting:
            one.setblocking(False)
            one.connect_ex(deaf.getsockname())
        port = deaf.getsockname()[1]
        bay.write(gauge("one", indicator.url), gauge("deaf", f"socket://127.0.0.1:{port}", "RR"))
        bay.begin()
        bay.until("connected", gauge="one")
        time.sleep(0.3)
        assert bay.end() < 2
        assert not bay.all("connected", gauge="deaf")
        for one in waiting:
            one.close()


@pytest.mark.slow
def test_strokes_that_come_to_nothing_are_logged_as_refused(bay: Bay, indicator: Any) -> None:
    bay.write(gauge("one", indicator.url), head=HEAD.replace("timeout = 20", "timeout = 5"))
    bay.begin()
    bay.until("connected")
    indicator.play(quick_trace(strokes=3))
    bay.until("refused")
    bay.until("armed", count=2)
    bay.end()
    (row,) = bay.rows()
    assert row["state"] == "refused"
    assert "full strokes" in row["analysis"]


@pytest.mark.slow
def test_a_locked_log_loses_nothing(bay: Bay, indicator: Any, quick: Shimwright) -> None:
    bay.write(gauge("one", indicator.url))
    bay.begin()
    bay.until("connected")
    with closing(sqlite3.connect(bay.folder / "log.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        indicator.play(quick_trace())
        failed = bay.until("log-failed")
        assert "locked" in failed["text"]
        saved = Path(failed["file"])
        assert saved.parent == bay.folder
        assert json.loads(quick("analyse", "--json", saved).stdout)["usable"]
        assert bay.rows() == []
        other.execute("ROLLBACK")
    bay.until("measured")
    bay.end()
    (row,) = bay.rows()
    assert row["state"] == "measured"
    assert not saved.exists()  # it is in the log now


@pytest.mark.slow
def test_a_log_that_stays_locked_does_not_hold_up_the_end(bay: Bay, indicator: Any) -> None:
    bay.write(gauge("one", indicator.url))
    bay.begin()
    bay.until("connected")
    with closing(sqlite3.connect(bay.folder / "log.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        indicator.play(quick_trace())
        saved = Path(bay.until("log-failed")["file"])
        assert bay.end() < 2
    assert "is NOT in the log" in bay.all("not-logged")[-1]["text"]
    assert saved.exists()


def test_the_service_manager_is_told(bay: Bay, indicator: Any) -> None:
    address = bay.folder / "notify"
    heard: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(10)
        bay.write(gauge("one", indicator.url), gauge("gone", "serial:/dev/ttyNOTHERE7", "RR"))
        bay.begin(env={"NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "300000"})

        def hear(said: str) -> None:
            while not heard or not heard[-1].startswith(said):
                heard.append(manager.recv(4096).decode())

        hear("READY=1")
        hear("WATCHDOG=1")
        hear("STATUS=gauges: 1 connected, 1 not connected; 0 measurements kept")
        began = time.monotonic()
        for _ in range(5):
            hear("WATCHDOG=1")
            heard.append("")
        assert time.monotonic() - began < 3
        bay.send(signal.SIGHUP)
        hear("RELOADING=1\nMONOTONIC_USEC=")
        hear("READY=1")
        bay.end()
        hear("STOPPING=1")


def test_check_says_who_answers(bay: Bay, indicator: Any, more: Any, shimwright: Shimwright) -> None:
    silent, garbage = more(), more()
    indicator.repeat(b"+0.123\r\n")
    garbage.repeat(bytes((0x9E, 0x86, 0x00, 0xF8, 0x66)) * 6 + b"\r")
    bay.write(
        gauge("one", indicator.url),
        gauge("silent", silent.url, "RR"),
        gauge("garbage", garbage.url, None),
        gauge("gone", "serial:/dev/ttyNOTHERE7", "LF"),
        gauge("made up", "simulated:?speed=max", "RF"),
    )
    result = shimwright("listen", "--station", bay.station, "--check")
    assert (result.returncode, result.stderr) == (4, "")
    one, two, three, four, five = result.stdout.splitlines()
    assert one == f"one (LR), {indicator.url}, profile line: answers: 0.123 mm"
    assert two.startswith(f"silent (RR), {silent.url}, profile line: DOES NOT ANSWER: nothing came in 3 s")
    assert three.startswith("garbage (no corner)")
    assert "wrong baud rate?" in three
    assert "there is no such port" in four
    assert "made up (RF)" in five
    assert not (bay.folder / "log.sqlite").exists()  # nothing was written

    bay.write(gauge("one", indicator.url))
    result = shimwright("listen", "--station", bay.station, "--check", "--json")
    assert result.returncode == 0
    item = json.loads(result.stdout)
    assert (item["gauge"], item["corner"], item["answers"]) == ("one", "LR", True)


def test_every_mistake_in_the_file_and_what_it_names(bay: Bay, quick: Shimwright) -> None:
    (bay.folder / "bad-hub.toml").write_text('title = "x"\n', encoding="utf-8")
    bay.write(
        gauge("one", "telepathy:here"),
        gauge("two", "simulated:?colour=red", "RR") + 'profile = "telegraph"\n',
        gauge("three", "simulated:", "RF") + 'hub = "bad-hub.toml"\n',
    )
    result = quick("listen", "--station", bay.station)
    assert result.returncode == 2
    assert result.stderr.count("\n") == 1
    for said in (
        'line 8, gauge[1].link: telepathy:here: no kind of link is called "telepathy"',
        "line 16, gauge[2].profile: profile telegraph: is not built in",
        "line 22, gauge[3].hub: ",
        "unit: is missing",
    ):
        assert said in result.stderr, result.stderr
    assert quick("listen", "--station", bay.folder / "none.toml").returncode == 2


def test_a_log_that_cannot_be_used_is_told_at_the_start(bay: Bay, quick: Shimwright) -> None:
    bay.write(gauge("one", "simulated:?speed=max"), head=HEAD.replace("log.sqlite", "heron-rear.toml"))
    result = quick("listen", "--station", bay.station)
    assert result.returncode == 2
    assert "is not a measurement log" in result.stderr


def test_nothing_but_sources_that_end(bay: Bay, quick: Shimwright) -> None:
    bay.write(gauge("one", "simulated:?end_play=0.12mm&seed=5&speed=max"))
    result = quick("listen", "--station", bay.station, "--json")
    assert result.returncode == 0, result.stderr
    measured = json.loads(result.stdout)
    assert measured["verdict"] == "within"
    events = [json.loads(line)["event"] for line in result.stderr.splitlines()]
    assert events[0] == "ready"
    assert events[-1] == "stopped"
    assert (bay.folder / "log.sqlite").exists()


@pytest.mark.slow
def test_a_service_is_heard_without_any_broker(bay: Bay, indicator: Any) -> None:
    for name in ("espeak-ng", "pw-play"):  # programs that note what they are given
        program = bay.folder / name
        note = '{ printf "%s " "$@"; cat; } >> "$(dirname "$0")/heard"'
        program.write_text(f"#!/bin/sh\n{note}\n", encoding="utf-8")
        program.chmod(0o755)
    file = bay.folder / "heard"

    def heard() -> list[str]:
        return file.read_text(encoding="utf-8").splitlines() if file.exists() else []

    head = f'{HEAD}[voice]\nlanguage = "en"\nsilent = ["enough"]\n'
    bay.write(gauge("one", f"serial:{indicator.path}"), head=head)
    bay.begin(env={"PATH": f"{bay.folder}:{os.environ['PATH']}"})
    bay.until("connected")
    indicator.play(quick_trace())
    bay.until("measured")
    end = time.monotonic() + 20
    while not any("left rear: nought point three" in line for line in heard()):
        assert time.monotonic() < end, heard()
        time.sleep(0.05)
    bay.end()
    told = " ".join(heard())
    assert "left rear: ready." in told
    assert "pull.wav" in told
    assert "push.wav" in told
    assert "enough.wav" not in told
    assert "millimetres, loose" in told


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('language = "fr"', 'voice.language: "fr" is not spoken here: write "en" or "de"'),
        ('silent = ["whistle"]', 'voice.silent: "whistle" is no kind of cue: write some of ready, push'),
    ],
)
def test_mistakes_in_the_voice_are_told(bay: Bay, quick: Shimwright, table: str, said: str) -> None:
    bay.write(gauge("one", "simulated:"), head=f"{HEAD}[voice]\n{table}\n")
    result = quick("listen", "--station", bay.station)
    assert result.returncode == 2
    assert result.stderr.count("\n") == 1
    assert said in result.stderr
