"""``shimwright listen`` with a Bluetooth gauge beside two serial ones, each process real."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from capture.readings import Trace
from capture.simulator import HubModel, simulate

STATION = """\
shop = "larkfield"
station = "bay-2"
log = "log.sqlite"
hub = "heron-rear.toml"
"""


def gauge(name: str, link: str, corner: str, more: str = "") -> str:
    return f'[[gauge]]\nname = "{name}"\nlink = "{link}"\ncorner = "{corner}"\n{more}'


def trace(seed: int, end_play_mm: float) -> Trace:
    model = HubModel(end_play_mm=end_play_mm, strokes=14, dwell_s=0.45, move_s=0.12, rest_s=0.5)
    return simulate(model, seed).trace


def measured(log: Path) -> dict[str, float]:
    """Corner and end play of each measurement in the log."""
    if not log.exists():
        return {}
    with closing(sqlite3.connect(log)) as db:
        try:
            rows = db.execute("SELECT corner, end_play_mm FROM measurement WHERE state = 'measured'")
            return dict(rows.fetchall())
        except sqlite3.OperationalError:  # its tables are being made
            return {}


@pytest.mark.slow
def test_two_serial_gauges_and_a_bluetooth_one_give_three_results(
    bluetooth: Any, indicator: Any, start: Any, hub_file: Path
) -> None:
    second = type(indicator)()
    try:
        bluetooth.start(bluetooth.device(bluetooth.described(trace(23, 0.12))))
        station = hub_file.with_name("bay-2.toml")
        gauges = [
            gauge("left", indicator.url, "LR", 'unit = "mm"\n'),
            gauge("right", second.url, "RR", 'unit = "mm"\n'),
            gauge("air", "ble:AA:BB:CC:DD:EE:01", "LF"),  # neither profile nor unit
        ]
        station.write_text(STATION + "".join(gauges), encoding="utf-8")
        running = start("listen", "--station", station, afresh=True)
        indicator.play(trace(21, 0.31))
        second.play(trace(22, 0.15))
        end = time.monotonic() + 40
        while len(found := measured(hub_file.with_name("log.sqlite"))) < 3:
            assert running.process.poll() is None, running.end()
            assert time.monotonic() < end, found
            time.sleep(0.1)
        running.process.terminate()
        began = time.monotonic()
        assert running.end().returncode == 0
        assert time.monotonic() - began < 2
        assert found == pytest.approx({"LR": 0.31, "RR": 0.15, "LF": 0.12}, abs=0.008)
    finally:
        second.unplug()
