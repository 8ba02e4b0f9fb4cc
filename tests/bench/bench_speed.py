"""Readings a second of one core, stored and live, beside ``scipy.signal.find_peaks`` on the same array.

    OPENBLAS_NUM_THREADS=1 python tests/bench/bench_speed.py

All of it runs in turns in one process with one thread; medians of several runs. It judges nothing.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # numpy reads it when it is imported

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.signal import find_peaks

sys.path.insert(0, str(Path(__file__).parents[2]))

from calc.units import Unit
from capture.decoder import Decoder
from capture.end_play import EndPlay, analyse_trace
from capture.profiles import LINE
from capture.readings import Chunk, Trace
from capture.session import Goal, Session
from capture.simulator import HubModel, simulate

LONG = 100_000


def short_trace() -> Trace:
    """Eight strokes at 50 readings a second: about ten seconds."""
    return simulate(HubModel(), seed=1).trace


def long_trace(readings: int = LONG) -> Trace:
    """The same hub stroked on and on: many short traces joined."""
    pieces: list[Trace] = []
    seed, count = 0, 0
    while count < readings:
        seed += 1
        piece = simulate(replace(HubModel(), rest_s=0.4), seed).trace
        pieces.append(piece)
        count += len(piece)
    starts = np.concatenate(([0.0], np.cumsum([piece.times_s[-1] + 0.02 for piece in pieces])[:-1]))
    times = np.concatenate([piece.times_s + start for piece, start in zip(pieces, starts, strict=True)])
    counts = np.concatenate([piece.counts for piece in pieces])
    return Trace(np.round(times, 6), counts, pieces[0].decimals, pieces[0].unit).cut(0, readings)


def live(trace: Trace) -> Callable[[], object]:
    """A session fed with a line at a time, one chunk a reading, that never ends by itself."""
    chunks = [
        Chunk(f"{text}\r\n".encode(), at)
        for text, at in zip(trace.texts(), trace.times_s.tolist(), strict=True)
    ]

    def run() -> object:
        session = Session(Decoder(LINE, Unit.MM), Goal(least_strokes=10**6))
        for chunk in chunks:
            session.feed(chunk)
        return session.trace

    return run


def decoded(trace: Trace) -> Callable[[], object]:
    """Bytes to readings alone."""
    chunks = [
        Chunk(f"{text}\r\n".encode(), at)
        for text, at in zip(trace.texts(), trace.times_s.tolist(), strict=True)
    ]

    def run() -> object:
        decoder = Decoder(LINE, Unit.MM)
        return [decoder.feed(chunk) for chunk in chunks]

    return run


def stored(trace: Trace) -> Callable[[], object]:
    """What ``trace redo`` does; there must be a number, or the speed would be that of giving up."""
    if not isinstance(analyse_trace(trace), EndPlay):
        sys.exit("the trace to be timed gives no end play: nothing measured")
    return lambda: analyse_trace(trace)


def peaks(trace: Trace) -> Callable[[], object]:
    """Both ways, prominence half the range, and the medians."""
    y = trace.readings_mm
    prominence = 0.5 * float(np.ptp(y))

    def run() -> object:
        high, _ = find_peaks(y, prominence=prominence)
        low, _ = find_peaks(-y, prominence=prominence)
        return np.median(y[high]) - np.median(y[low])

    return run


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=7, help="runs of each (default %(default)s)")
    rounds = parser.parse_args().rounds
    short, minute, long = short_trace(), long_trace(50 * 60), long_trace()
    cases: list[tuple[str, int, Callable[[], object]]] = [
        ("analyse_trace, 10 s", len(short), stored(short)),
        ("find_peaks, 10 s", len(short), peaks(short)),
        ("analyse_trace, 1 min", len(minute), stored(minute)),
        ("find_peaks, 1 min", len(minute), peaks(minute)),
        ("analyse_trace, 100 000 readings", len(long), stored(long)),
        ("find_peaks, 100 000 readings", len(long), peaks(long)),
        ("Session.feed, lines, 10 s", len(short), live(short)),
        ("Session.feed, lines, 1 min", len(minute), live(minute)),
        ("Decoder.feed alone, 1 min", len(minute), decoded(minute)),
    ]
    taken: dict[str, list[float]] = {name: [] for name, *_ in cases}
    for turn in range(-1, rounds):  # one round to warm up
        for name, _, run in cases:
            started = time.perf_counter()
            run()
            if turn >= 0:
                taken[name].append(time.perf_counter() - started)
    versions = f"Python {sys.version.split()[0]}, numpy {np.__version__}"
    print(f"one thread, {rounds} runs in turns, medians; {versions}")
    print("\n| | readings | ms | readings/s |\n|---|---:|---:|---:|")
    for name, count, _ in cases:
        seconds = statistics.median(taken[name])
        print(f"| {name} | {count} | {1e3 * seconds:.1f} | {count / seconds:,.0f} |")


if __name__ == "__main__":
    main()
