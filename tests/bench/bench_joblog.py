"""What a measurement costs in the log: bytes beside CSV and gzip, milliseconds to record and to list.

Run `python tests/bench/bench_joblog.py` in the project's folder; it prints a table and judges nothing.
"""

from __future__ import annotations

import gzip
import io
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from calc.units import Unit
from capture.readings import Gauge, Trace
from capture.traces import write_csv
from joblog.codec import encode_trace
from joblog.fetch import load_measurement
from joblog.reader import list_measurements
from joblog.records import Measurement, new_id, utc_now
from joblog.store import Store

MANY = 200


def hub(seconds: float, rate_hz: float, *, grid_ns: int, seed: int) -> Trace:
    """A hub pushed and pulled every 1.5 s, 0.310 mm, with a digit of noise; arrivals jitter by 0.2 ms."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    ns = 81_234_567_890_123 + np.cumsum(rng.normal(1e9 / rate_hz, 2e5, n))
    counts = np.where(np.arange(n) / rate_hz // 1.5 % 2, 310, 0) + rng.integers(-1, 2, n)
    return Trace(np.rint(ns / grid_ns) * grid_ns / 1e9, counts.astype(np.int64), 3, Unit.MM)


def measurement(trace: Trace) -> Measurement:
    return Measurement(
        id=new_id(),
        at=utc_now(),
        corner="LR",
        stage="as-found",
        state="measured",
        analysis={
            "end_play_mm": 0.31,
            "budget": [{"source": "repeatability", "kind": "A", "u_mm": 0.001}] * 4,
        },
        hub_title="Heron GT rear hub, pressed spindle",
        hub_text='title = "Heron GT rear hub, pressed spindle"\n' * 10,
        unit=Unit.MM,
        least_mm=0.03,
        most_mm=0.20,
        link="simulated:",
        profile="line",
        gauge=Gauge(),
        simulated=True,
        version="0.1.0",
        trace=trace,
    )


def csv_bytes(trace: Trace) -> bytes:
    text = io.StringIO()
    write_csv(trace, text)
    return text.getvalue().encode()


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def sizes() -> None:
    cases = {
        "20 s at 10 Hz, clock of ns": hub(20, 10, grid_ns=1, seed=1),
        "30 s at 50 Hz, clock of ns": hub(30, 50, grid_ns=1, seed=2),
        "30 s at 50 Hz, times to 1 us": hub(30, 50, grid_ns=1000, seed=2),
        "30 s at 50 Hz, times to 1 ms": hub(30, 50, grid_ns=1_000_000, seed=2),
        "120 s at 100 Hz, clock of ns": hub(120, 100, grid_ns=1, seed=3),
    }
    say(f"{'trace':<30}{'readings':>9}{'CSV':>9}{'gzip':>9}{'blob':>9}{'a reading':>11}{'of gzip':>9}")
    for name, trace in cases.items():
        plain, blob = csv_bytes(trace), encode_trace(trace)
        packed = gzip.compress(plain, 9)
        each, share = len(blob) / len(trace), len(blob) / len(packed)
        say(
            f"{name:<30}{len(trace):>9}{len(plain):>9}{len(packed):>9}{len(blob):>9}{each:>11.2f}{share:>9.0%}"
        )


def costs(folder: Path) -> None:
    trace = hub(30, 50, grid_ns=1, seed=2)
    path = folder / "log.sqlite"
    took: list[float] = []
    with Store.open(path) as store:
        for _ in range(MANY):
            one = measurement(trace)
            start = time.perf_counter()
            store.add(one)
            took.append((time.perf_counter() - start) * 1e3)
    start = time.perf_counter()
    rows = list_measurements(path)
    listing = (time.perf_counter() - start) * 1e3
    start = time.perf_counter()
    load_measurement(path, rows[-1].id)
    loading = (time.perf_counter() - start) * 1e3
    say(f"\n{MANY} measurements of 30 s at 50 Hz (clock of ns), one file on {folder}:")
    say(f"  {path.stat().st_size / MANY:.0f} bytes a measurement in the file, tables and indexes included")
    say(f"  recorded in {statistics.median(took):.2f} ms each (median), {max(took):.2f} ms at most")
    say(f"  all listed in {listing:.2f} ms, one loaded with its trace in {loading:.2f} ms")


def main() -> None:
    sizes()
    with tempfile.TemporaryDirectory() as folder:  # may be memory, which is fast: set TMPDIR for another disk
        costs(Path(folder))


if __name__ == "__main__":
    main()
