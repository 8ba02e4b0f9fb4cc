"""One report for the hub and for the log: the verdict in words, and a shim only where one is needed."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from calc.hub import load_hub
from capture.profiles import BUILT_IN
from cli.live import Live
from cli.measuring import Order, carry_out
from cli.report import recorded_lines, report_lines
from cli.screen import Screen
from joblog.records import Measurement
from joblog.store import Store


def measured(hub_file: Path, end_play: str, stage: str = "as-found") -> Measurement:
    order = Order(
        hub=load_hub(hub_file),
        corner="RF",
        stage=stage,
        link=f"simulated:?end_play={end_play}&speed=max",
        profile=BUILT_IN["line"],
        fitted_mm=3.20,
    )
    with Store.open(hub_file.with_suffix(".sqlite")) as store:
        return carry_out(order, store, Live(order.hub.unit, quiet=True)).measurement


def report(measurement: Measurement) -> str:
    return "\n".join(report_lines(measurement, Screen(100)))


def test_a_hub_within_limits_is_offered_no_shim(hub_file: Path) -> None:
    m = measured(hub_file, "0.12mm")
    assert m.shim is not None  # worked out for programs, not shown to people
    text = report(m)
    assert "WITHIN LIMITS" in text
    assert "Shim to fit" not in text
    assert "▼" not in text
    assert "nothing to take apart" in text


def test_a_tight_hub_is_told_so_and_offered_a_thicker_shim(hub_file: Path) -> None:
    text = report(measured(hub_file, "0.012mm"))
    assert "TIGHT, too little end play" in text
    assert "Shim to fit: 3.25 mm" in text


@pytest.mark.parametrize(("end_play", "verdict"), [("0.2003mm", "LOOSE"), ("0.1997mm", "WITHIN LIMITS")])
def test_near_a_limit_the_words_say_so(end_play: str, verdict: str, hub_file: Path) -> None:
    text = report(measured(hub_file, end_play))
    assert verdict in text
    assert re.search("near the (upper )?limit", text)


def test_a_guarded_decision_is_told_with_its_state(hub_file: Path) -> None:
    text = hub_file.read_text(encoding="utf-8")
    hub_file.write_text(text.replace('unit = "mm"', 'unit = "mm"\ndecision = "guarded"'), encoding="utf-8")
    assert "conditional pass" in report(measured(hub_file, "0.1985mm"))


def test_it_says_the_same_out_of_the_log(hub_file: Path) -> None:
    m = measured(hub_file, "0.3mm")
    with Store.open(hub_file.with_suffix(".sqlite")) as store:
        stored = store.get(m.id)
    assert report(stored) == report(m)
    assert recorded_lines(stored, Screen(100))[-len(report_lines(m, Screen(100))) :] == report_lines(
        m, Screen(100)
    )


def test_a_hub_file_that_is_no_longer_read_spoils_nothing(hub_file: Path) -> None:
    m = dataclasses.replace(measured(hub_file, "0.3mm"), hub_text="a later version's hub file")
    text = report(m)
    assert "LOOSE, too much end play" in text
    assert "Shim to fit" in text
    assert "Next:" not in text


def test_a_real_hub_is_not_called_simulated(hub_file: Path) -> None:
    m = measured(hub_file, "0.3mm")
    assert "SIMULATED" in report(m)
    assert "SIMULATED" not in report(dataclasses.replace(m, simulated=False))


@pytest.mark.parametrize("width", [60, 120])
def test_the_picture_fits(hub_file: Path, width: int) -> None:
    lines = report_lines(measured(hub_file, "0.3mm"), Screen(width))
    drawn = [line for line in lines if set(line) & set("▐◆─▾")]
    assert max(map(len, drawn)) <= width
