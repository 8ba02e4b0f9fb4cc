"""The result message: the measure object of the contracts, nothing removed, and what a page shows besides."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np

from bus.payloads import Brief
from capture.readings import Trace
from joblog.records import Measurement

MOST_POINTS = 300
"""Points of a trace in a message."""


def result_object(measurement: Measurement, todo: Sequence[str] = ()) -> dict[str, Any]:
    """The message as an object; its keys are those of ``bus.payloads.Result``.

    Args:
        measurement: From the log.
        todo: What to do now, one sentence each.
    """
    m = measurement
    more: dict[str, Any] = {
        "state": m.state,
        "hub_title": m.hub_title,
        "unit": m.unit.value,
        "least_mm": m.least_mm,
        "most_mm": m.most_mm,
        "fitted_mm": m.fitted_mm,
        "vehicle": m.vehicle,
        "job": m.job,
        "gauge_name": m.gauge_name,
        "todo": list(todo),
        "trace": points_of(m.trace),
    }
    return m.measure_object() | more


def encode_result(measurement: Measurement, todo: Sequence[str] = ()) -> bytes:
    """The message as it goes to the broker; see ``result_object``."""
    return msgspec.json.encode(result_object(measurement, todo))


def points_of(trace: Trace, most: int = MOST_POINTS) -> dict[str, list[float]] | None:
    """A trace to draw: of each of equal stretches the lowest and the highest reading, so no peak is lost.

    Args:
        trace: All readings.
        most: How many points at most, 4 or more.

    Returns:
        Seconds from the first reading and millimetres; None for an empty trace.
    """
    count = len(trace)
    if not count:
        return None
    values = trace.readings_mm
    if count <= most:
        chosen = np.arange(count)
    else:
        edges = np.linspace(0, count, (most - 2) // 2 + 1).astype(int)
        ends = [0, count - 1]
        for start, stop in pairwise(edges.tolist()):
            piece = values[start:stop]
            ends += [start + int(piece.argmin()), start + int(piece.argmax())]
        chosen = np.unique(ends)
    times = trace.times_s[chosen] - trace.times_s[0]
    return {
        "time_s": [round(float(one), 3) for one in times],
        "reading_mm": [round(float(one), 6) for one in values[chosen]],
    }


def brief_of(measurement: Measurement) -> Brief:
    """A measurement in short."""
    m, analysis = measurement, measurement.analysis
    measured = m.state == "measured"
    choice = (m.shim or {}).get("choice")
    return msgspec.convert(
        {
            "measurement_id": m.id,
            "at": m.at,
            "stage": m.stage,
            "state": m.state,
            "verdict": m.verdict,
            "p_within": m.p_within,
            "end_play_mm": analysis["end_play_mm"] if measured else None,
            "expanded_mm": analysis["expanded_mm"] if measured else None,
            "resolution_mm": analysis["resolution_mm"] if measured else None,
            "fitted_mm": m.fitted_mm,
            "fit_mm": None if choice is None else choice["thickness_mm"],
            "simulated": m.simulated,
        },
        Brief,
    )
