"""Unplugs and replugs a gauge in mid measurement, again and again, while the whole service runs.

After each cycle the open files and tasks are counted, and at the end the log is looked through: every cycle
must have left its one unfinished trace there, and nothing twice. Run `python tests/bench/bench_replug.py`; it
fails if not.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import asyncio
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from capture.listening import Connected, ListenEvent, State
from capture.readings import Reading
from capture.simulator import HubModel, simulate
from cli.journal import Journal
from cli.plan import plan_of
from cli.serving import Service
from joblog.records import Measurement

STATION = """\
shop = "larkfield"
station = "bench"
log = "log.sqlite"
hub = "hub.toml"
[[gauge]]
name = "left rear"
link = "serial:{place}"
unit = "mm"
corner = "LR"
"""

HUB = 'title = "Heron GT rear hub"\nunit = "mm"\n[end_play]\nleast = 0.03\nmost = 0.20\n'


async def until(ready: Callable[[], bool], what: str) -> float:
    """Wait; how long it took, seconds."""
    began = time.monotonic()
    while not ready():
        if time.monotonic() - began > 30:
            raise SystemExit(f"after 30 s still not {what}")
        await asyncio.sleep(0.002)
    return time.monotonic() - began


def open_files() -> int:
    """How many files this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))


async def cycle_on(folder: Path, cycles: int) -> tuple[list[float], list[tuple[int, int]], list[str]]:
    """Run the service and the cycles: times to come back, open files and tasks after each, ids kept."""
    place, station = folder / "gauge", folder / "station.toml"
    station.write_text(STATION.format(place=place), encoding="utf-8")
    (folder / "hub.toml").write_text(HUB, encoding="utf-8")
    kept: list[Measurement] = []
    seen = {"connected": 0, "readings": 0}

    def hear(_: str, event: ListenEvent) -> None:
        seen["connected"] += isinstance(event, Connected)
        seen["readings"] += isinstance(event, Reading)

    with (folder / "journal").open("w", encoding="utf-8") as said:
        journal = Journal(said, as_json=True)
        service = Service(station, journal, on_kept=kept.append, on_event=hear)
        running = asyncio.create_task(service.run(plan_of(station)))
        lines = [
            f"{t}\r\n".encode() for t in simulate(HubModel(end_play_mm=0.31, strokes=3), 2).trace.texts()
        ]
        back: list[float] = []
        counted: list[tuple[int, int]] = []
        for cycle in range(cycles):
            gauge, line = os.openpty()
            place.symlink_to(os.ttyname(line))
            os.close(line)
            back.append(await until(lambda n=cycle: seen["connected"] == n + 1, "connected"))  # type: ignore[misc]
            before = seen["readings"]
            for text in lines[:120]:
                os.write(gauge, text)
                await asyncio.sleep(0.001)
            await until(lambda b=before: seen["readings"] - b >= 119, "read")  # type: ignore[misc]
            place.unlink()
            os.close(gauge)
            await until(lambda n=cycle: len(kept) == n + 1, "kept")  # type: ignore[misc]
            one = service.listening.listeners["left rear"]
            await until(lambda o=one: o.state is State.LOST, "lost")  # type: ignore[misc]
            counted.append((open_files(), len(asyncio.all_tasks())))
        service.stop()
        await running
        journal.close()
    return back, counted, [measurement.id for measurement in kept]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cycles", type=int, default=100, help="how often (default %(default)s)")
    cycles = parser.parse_args().cycles
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        back, counted, ids = asyncio.run(cycle_on(folder, cycles))
        with closing(sqlite3.connect(folder / "log.sqlite")) as log:
            query = (
                "SELECT m.id, m.state, t.readings FROM measurement m JOIN trace t ON t.measurement_id = m.id"
            )
            rows = log.execute(query).fetchall()
    print(f"{cycles} times unplugged and replugged in mid measurement, in {time.monotonic() - began:.0f} s")
    print(f"back after {statistics.median(back):.2f} s (median), {max(back):.2f} s at most")
    unfinished = sum(state == "unfinished" for _, state, _ in rows)
    print(f"in the log: {len(rows)}, of them {unfinished} unfinished traces")
    print(f"readings in each: {min(n for *_, n in rows)} to {max(n for *_, n in rows)} of 120")
    print(f"open files, tasks after the first cycle {counted[0]}, after the tenth {counted[9:10] or '-'}, "
          f"after the last {counted[-1]}")  # fmt: skip
    good = (
        sorted(row[0] for row in rows) == sorted(ids)
        and len(set(ids)) == cycles == len(rows)
        and all(state == "unfinished" for _, state, _ in rows)
        and counted[-1] == counted[min(9, cycles - 1)]
    )
    print("nothing lost, nothing twice, nothing left open" if good else "NOT as it should be")
    if not good:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
