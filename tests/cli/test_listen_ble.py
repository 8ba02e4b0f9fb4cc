"""``shimwright listen`` with a Bluetooth gauge beside two serial ones, each process real."""

from __future__ import annotations

from typing import Any

import pytest

from capture.readings import Trace
from capture.simulator import HubModel, simulate
from tests.cli.test_listen import Bay, bay, gauge

__all__ = ["bay"]


def trace(seed: int, end_play_mm: float) -> Trace:
    model = HubModel(end_play_mm=end_play_mm, strokes=14, dwell_s=0.45, move_s=0.12, rest_s=0.5)
    return simulate(model, seed).trace


@pytest.mark.slow
def test_two_serial_gauges_and_a_bluetooth_one_give_three_results(
    bluetooth: Any, indicator: Any, bay: Bay
) -> None:
    second = type(indicator)()
    try:
        bluetooth.start(bluetooth.device(bluetooth.described(trace(23, 0.12))))
        # neither profile nor unit: it describes itself
        air = '[[gauge]]\nname = "air"\nlink = "ble:AA:BB:CC:DD:EE:01"\ncorner = "LF"\n'
        bay.write(gauge("left", indicator.url, "LR"), gauge("right", second.url, "RR"), air)
        bay.begin(afresh=True)
        bay.until("connected", gauge="left")
        bay.until("connected", gauge="right")
        indicator.play(trace(21, 0.31))
        second.play(trace(22, 0.15))
        bay.until("measured", count=3, seconds=40)
        assert bay.end() < 2
    finally:
        second.unplug()
    found = {row["corner"]: row["end_play_mm"] for row in bay.rows()}
    assert found == pytest.approx({"LR": 0.31, "RR": 0.15, "LF": 0.12}, abs=0.008)
