"""How soon a command answers, against bare Python, in one run and in turns.

Prints medians on the clock and in processor time, which other work disturbs less.
Nothing fails on a slow machine: the figures are for people.
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
NOWHERE = [(os.POSIX_SPAWN_OPEN, stream, os.devnull, os.O_RDWR, 0) for stream in (0, 1)]


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


def start(line: list[str]) -> tuple[float, float]:
    """Start a command and wait for its end: milliseconds on the clock, and of processor time."""
    started = time.perf_counter()
    pid = os.posix_spawn(line[0], line, AS_USUAL, file_actions=NOWHERE)
    _, status, used = os.wait4(pid, 0)
    taken = time.perf_counter() - started
    if status:
        raise SystemExit(f"failed: {' '.join(line)}")
    return taken * 1e3, (used.ru_utime + used.ru_stime) * 1e3


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=25, help="starts of each command (default %(default)s)")
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as folder:
        lines = cases(Path(folder))
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in lines}
        for turn in range(-2, rounds):  # two rounds to warm up
            for name, line in lines.items():
                taken = start(line)
                if turn >= 0:
                    times[name].append(taken)
    medians = {name: tuple(map(statistics.median, zip(*taken, strict=True))) for name, taken in times.items()}
    bare_clock, bare_cpu = medians["python -c pass"]
    print(
        f"{rounds} starts of each, in turns; medians; Python {sys.version.split()[0]}, {os.cpu_count()} cores"
    )
    print(f"{'':24}{'clock':>9}{'ratio':>7}{'above bare':>12}{'processor':>12}{'ratio':>7}{'above bare':>12}")
    for name, (clock, cpu) in medians.items():
        above = clock - bare_clock
        print(
            f"{name:24}{clock:6.0f} ms{clock / bare_clock:7.1f}{above:9.0f} ms"
            f"{cpu:9.0f} ms{cpu / bare_cpu:7.1f}{cpu - bare_cpu:9.0f} ms"
            + ("" if above <= AIM_MS else f"  (aim: {AIM_MS:.0f} ms above)")
        )


if __name__ == "__main__":
    main()
