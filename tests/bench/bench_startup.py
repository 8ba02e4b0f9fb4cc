"""How soon a command answers, against bare Python, in one run and in turns.

Prints the medians, their ratio and their difference. Nothing fails on a slow machine:
the figures are for people.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

AIM_MS = 120.0
AS_USUAL = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
"""Without what developers set: under PYTHONDONTWRITEBYTECODE every start would compile every module."""

SHIMWRIGHT = str(Path(sys.executable).with_name("shimwright"))


def cases(folder: Path) -> dict[str, list[str]]:
    """The command lines, by name; the first is what the others are compared with."""
    log = str(folder / "log.sqlite")
    subprocess.run(
        [SHIMWRIGHT, "demo", "--log", log], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    lengths = ["--end-play", "0.31mm", "--fitted", "3.30mm", "--least", "0.03mm", "--most", "0.20mm"]
    return {
        "python -c pass": [sys.executable, "-c", "pass"],
        "shimwright shim": [SHIMWRIGHT, "shim", *lengths, "--sizes", "2.95mm,3.00mm,3.05mm,3.10mm"],
        "shimwright trace list": [SHIMWRIGHT, "trace", "list", "--log", log],
    }


def milliseconds(line: list[str]) -> float:
    """How long one start takes, from fork to exit."""
    started = time.perf_counter()
    subprocess.run(line, check=True, env=AS_USUAL, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - started) * 1e3


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=25, help="starts of each command (default %(default)s)")
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as folder:
        lines = cases(Path(folder))
        times: dict[str, list[float]] = {name: [] for name in lines}
        for turn in range(-2, rounds):  # two rounds to warm up
            for name, line in lines.items():
                taken = milliseconds(line)
                if turn >= 0:
                    times[name].append(taken)
    bare = statistics.median(next(iter(times.values())))
    print(f"{rounds} starts of each, in turns; Python {sys.version.split()[0]}, {os.cpu_count()} cores")
    print(f"{'':24}{'median':>9}{'fastest':>9}{'ratio':>7}{'above bare':>12}")
    for name, taken in times.items():
        median = statistics.median(taken)
        print(
            f"{name:24}{median:6.0f} ms{min(taken):6.0f} ms{median / bare:7.1f}{median - bare:9.0f} ms"
            + ("" if median - bare <= AIM_MS else f"  (aim: {AIM_MS:.0f} ms)")
        )


if __name__ == "__main__":
    main()
