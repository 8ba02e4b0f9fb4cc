"""Measurements for the tests of looking back: simulated traces, analysed and recorded without a link."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner, Result

from calc.hub import parse_hub
from capture.end_play import analyse_trace
from capture.readings import Gauge, Trace
from capture.simulator import HubModel, simulate
from cli.bringing import Brought, bring
from cli.whole import app
from joblog.records import Measurement
from joblog.store import Store
from tests.cli.conftest import HERON_REAR

HUB = parse_hub(HERON_REAR, "heron-rear.toml")


def run(*words: str | Path) -> Result:
    """``shimwright trace`` with these words."""
    return CliRunner().invoke(app, ["trace", *map(str, words)])


def said(result: Result) -> str:
    """Standard output as one line."""
    return " ".join(result.stdout.split())


def recorded(trace: Trace, gauge: Gauge | None = None, **changes: Any) -> Measurement:
    """The record of a trace, as if it had been measured live at the left rear of a Heron GT."""
    brought = Brought(
        trace=trace,
        origin="x",
        at="2026-03-02T08:30:05.250Z",
        hub=HUB,
        corner="LR",
        stage="as-found",
        profile="line",
        gauge=gauge or Gauge(),
        vehicle="Heron GT, LG 1234",
        job="12",
        simulated=True,
    )
    measurement, _ = bring(brought)
    return replace(measurement, **{"origin": None, "link": "serial:/dev/ttyUSB0", **changes})


def simulated(
    end_play_mm: float = 0.31, seed: int = 1, gauge: Gauge | None = None, **changes: Any
) -> Measurement:
    """The record of ten simulated strokes."""
    return recorded(simulate(HubModel(end_play_mm=end_play_mm, strokes=10), seed).trace, gauge, **changes)


def with_short_rest(trace: Trace, number: int, by_mm: float) -> Trace:
    """The trace with one rest so many millimetres short of its stop, as if the hub was held there."""
    marks = analyse_trace(trace).dwells
    before, mark, after = marks[number - 1 : number + 2]
    times, values = trace.times_s, trace.readings_mm.copy()
    middle = 0.5 * (before.level_mm + mark.level_mm)
    visit = (times >= before.to_s) & (times <= after.from_s) & ((values - middle) * mark.side > 0)
    values[visit] = middle + (values[visit] - middle) * (1 - by_mm / abs(mark.level_mm - middle))
    return replace(trace, counts=np.rint(values * 10**trace.decimals).astype(np.int64))


def keep(path: Path, *measurements: Measurement) -> None:
    """Put measurements into a log."""
    with Store.open(path) as store:
        for one in measurements:
            store.add(one)
