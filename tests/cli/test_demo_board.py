"""The demonstration with the board: two simulated hubs, service, broker and page, as real processes."""

from __future__ import annotations

import json
import signal
import socket
import sqlite3
import threading
import time
import urllib.error
import urllib.request
from contextlib import closing
from dataclasses import replace
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from calc.hub import load_hub
from capture.end_play import EndPlay, analyse_trace
from cli.demo import HUB_FILE
from cli.demo_board import BEFORE_S, FITTED_MM, ZERO_MM, Bay
from cli.pretend import Script


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.mark.parametrize("corner", list(FITTED_MM))
def test_what_is_played_first_has_the_end_play_of_the_simulated_hub(corner: str) -> None:
    bay = Bay(load_hub(HUB_FILE), 1)
    found = analyse_trace(bay.scripts[corner]._first)
    assert isinstance(found, EndPlay)
    assert found.end_play_mm == pytest.approx(FITTED_MM[corner] - ZERO_MM[corner], abs=0.008)
    assert bay.errand(corner).stage == "as-found"
    assert bay.errand(corner).fitted_mm == FITTED_MM[corner]


def test_a_script_goes_on_from_where_the_indicator_stands() -> None:
    bay = Bay(load_hub(HUB_FILE), 1)
    trace = bay.scripts["LR"]._first
    script = Script(trace)
    lines = iter(script)
    played = [next(lines) for _ in range(len(trace))]
    script.play(replace(trace, counts=trace.counts + 777))
    resting = next(lines)  # nothing was played yet when this one was made
    again = [next(lines) for _ in range(len(trace))]
    assert float(played[0][1]) == pytest.approx(trace.readings_mm[0])
    assert resting[0] > played[-1][0]
    assert again[0][1] == played[-1][1]
    assert all(later[0] >= earlier[0] for earlier, later in zip(played, [*played[1:], *again], strict=False))


@pytest.mark.slow
def test_the_demonstration_with_the_board(start: Any, tmp_path: Path) -> None:
    port, log = free_port(), tmp_path / "kept.sqlite"
    begin = time.monotonic()
    running = start("demo", "--board", "--port", str(port), "--log", log, afresh=True)
    process = running.process
    while True:
        assert process.poll() is None
        assert time.monotonic() - begin < 50
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2) as page:
                assert page.status == 200
                break
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    rows: list[Any] = []
    while not rows:
        assert process.poll() is None
        assert time.monotonic() - begin < BEFORE_S["LR"] + 45
        time.sleep(0.2)
        if log.exists():
            with closing(sqlite3.connect(log)) as db:
                made = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'measurement'").fetchone()
                what = "corner, stage, verdict, simulated, shim, vehicle"
                rows = db.execute(f"SELECT {what} FROM measurement ORDER BY seq").fetchall() if made else []
    corner, stage, verdict, simulated, shim, vehicle = rows[0]
    assert (corner, stage, verdict, simulated) == ("LR", "as-found", "loose", 1)
    assert json.loads(shim)["choice"]["thickness_mm"] == pytest.approx(2.95)
    assert vehicle == "Heron GT (simulated)"
    process.send_signal(signal.SIGINT)
    done = running.end(15)
    assert "SIMULATED" in done.stdout
    assert f"http://127.0.0.1:{port}/" in done.stdout
    with pytest.raises((urllib.error.URLError, OSError)):  # the board has ended with it
        urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2)


def test_json_and_the_board_do_not_go_together(shimwright: Any) -> None:
    result = shimwright("demo", "--board", "--json")
    assert result.returncode == 2
    assert "leave out --json or --board" in result.stderr


def test_a_port_that_another_page_has_is_told_before_anything_starts(shimwright: Any) -> None:
    with ThreadingHTTPServer(("127.0.0.1", 0), SimpleHTTPRequestHandler) as other:
        port = other.server_port
        threading.Thread(target=other.serve_forever, daemon=True).start()
        done = shimwright("demo", "--board", "--port", str(port))
        other.shutdown()
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"shimwright: --port: port {port} on 127.0.0.1 is taken")
    assert done.stderr.count("\n") == 1
