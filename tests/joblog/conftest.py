"""Measurements to put into logs."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calc.units import Unit
from capture.readings import Gauge, Trace
from joblog.records import Measurement, new_id

HUB_TEXT = """title = "Heron GT rear hub, pressed spindle"
unit = "mm"
[end_play]
least = 0.03
most = 0.20
"""

ANALYSIS: dict[str, Any] = {
    "usable": True,
    "reasons": [],
    "end_play_mm": 0.1 + 0.2,  # 0.30000000000000004: every digit must come back
    "u_mm": 0.0012345678901234567,
    "expanded_mm": 0.0025,
    "coverage_factor": 2.03,
    "dof": None,
    "strokes": 8,
    "half_strokes": 0,
    "resolution_mm": 0.001,
    "drift_mm_per_s": -1.5e-05,
    "budget": [{"source": "repeatability", "kind": "A", "u_mm": 0.0011, "dof": 7.0}],
}

SHIM: dict[str, Any] = {"zero_mm": 2.9, "candidates": [], "choice": None, "why": "nothing fits: ½ µm short"}


@pytest.fixture(scope="session")
def make() -> Callable[..., Measurement]:
    """A measurement with everything in it; say what should differ."""
    return make_measurement


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with three quarters of a megabyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=768k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a tiny disk needs the right to mount one: run the tests as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def make_measurement(**changes: Any) -> Measurement:
    n = 40
    values: dict[str, Any] = {
        "id": new_id(),
        "at": "2026-03-02T08:30:05.250Z",
        "corner": "LR",
        "stage": "as-found",
        "state": "measured",
        "analysis": ANALYSIS,
        "verdict": "loose",
        "p_within": 0.0123,
        "hub_title": "Heron GT rear hub, pressed spindle",
        "hub_text": HUB_TEXT,
        "unit": Unit.MM,
        "least_mm": 0.03,
        "most_mm": 0.20,
        "fitted_mm": 3.2,
        "shim": SHIM,
        "vehicle": "Heron GT, LG 1234",
        "job": "2026-117",
        "link": "simulated:?end_play=0.31mm",
        "profile": "line",
        "gauge": Gauge(Unit.MM, 0.001, 12.7, 0.004, "indicator's data sheet"),
        "simulated": True,
        "version": "0.1.0",
        "trace": Trace(np.arange(n, dtype=np.float64) * 0.02 + 81234.5, np.arange(n) % 7 * 50, 3, Unit.MM),
    }
    return Measurement(**values | changes)
