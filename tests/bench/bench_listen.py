"""Many gauges in one `listen` process on one core: processor time, delay from byte to event, memory.

The gauges are simulated, their lines are real: each is a pseudo-terminal that the service opens by pyserial.
One process plays them all, on another core, and notes when it wrote each line in memory that both share; the
service looks that up when the reading's event comes out, so that the delay holds all that lies between: the
kernel, the wait for the loop's turn, the decoding. A share of the gauges is pushed and pulled at any time,
the others are still.

Run `python tests/bench/bench_listen.py`; it prints a table and judges nothing. `--seconds 600` for the long
run.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import asyncio
import cProfile
import mmap
import os
import pstats
import resource
import signal
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from capture.listening import Connected, ListenEvent
from capture.readings import Overrun, Reading
from capture.simulator import HubModel, simulate

RING = 4096
"""Times of writing kept for each gauge."""

BINS = np.concatenate(([0.0], np.geomspace(1e-5, 100.0, 701)))
"""Edges of the delays' classes, seconds: each 2.3 % wider than the one before."""

STEPS = 10
"""A period is played in so many steps, a tenth of the gauges in each."""


class Shared:
    """What the player and the service both see: when each line was written, and how many have come."""

    def __init__(self, path: Path, gauges: int, *, new: bool = False) -> None:
        size = gauges * RING * 8
        if new:
            path.write_bytes(bytes(size))
        with path.open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), size)
        self.sent = np.frombuffer(self._memory, dtype=np.float64).reshape(gauges, RING)


def serve(folder: Path, gauges: int, core: int) -> None:
    """Be the service: listen until told to stop, then leave the delays behind."""
    if core >= 0:
        os.sched_setaffinity(0, {core})
    from cli.journal import Journal  # noqa: PLC0415
    from cli.plan import plan_of  # noqa: PLC0415
    from cli.serving import Service  # noqa: PLC0415

    sent = Shared(folder / "sent", gauges).sent
    came = [0] * gauges
    delays: list[float] = []
    counts = np.zeros(len(BINS) - 1, dtype=np.int64)
    state = {"connected": 0, "overruns": 0}
    clock = time.monotonic

    def hear(name: str, event: ListenEvent) -> None:
        nonlocal counts
        if isinstance(event, Reading):
            number = int(name)
            delays.append(clock() - sent[number, came[number] % RING])
            came[number] += 1
            if len(delays) >= 10_000:
                counts += np.histogram(delays, BINS)[0]
                delays.clear()
        elif isinstance(event, Connected):
            state["connected"] += 1
            if state["connected"] == gauges:
                (folder / "connected").touch()
        elif isinstance(event, Overrun):
            state["overruns"] += event.dropped

    def begin_counting(*_: object) -> None:
        delays.clear()
        counts[:] = 0

    signal.signal(signal.SIGUSR1, begin_counting)
    station = folder / "station.toml"
    service = Service(station, Journal(as_json=True), on_event=hear)
    profile = cProfile.Profile() if (folder / "profile").exists() else None
    if profile is not None:
        signal.signal(signal.SIGUSR1, lambda *_: profile.enable())
    asyncio.run(service.run(plan_of(station)))
    if profile is not None:
        profile.disable()
        profile.dump_stats(folder / "profile")
    counts += np.histogram(delays, BINS)[0]
    totals = [sum(came), service.keeper.kept, state["overruns"]]
    np.savez(folder / "found.npz", counts=counts, totals=np.array(totals))


def scripts(rate: float, busy: float) -> list[list[bytes]]:
    """Lines to send again and again, of a few hubs: strokes for a share of the time, else stillness."""
    made = []
    for seed in range(16):
        model = HubModel(end_play_mm=0.12 + 0.01 * seed, strokes=8, dwell_s=0.7, rest_s=0.5, rate_hz=rate)
        texts = simulate(model, seed).trace.texts() if busy else ["1.200"]
        # a measurement of five strokes takes about two thirds of these
        still = round(len(texts) / busy) - len(texts) if busy else round(rate)
        flicker = [texts[-1], texts[-1][:-1] + str((int(texts[-1][-1]) + 1) % 10)]
        quiet = [flicker[number // 7 % 2] for number in range(max(still, round(3 * rate)))]
        made.append([f"{text}\r\n".encode() for text in [*texts, *quiet]])
    return made


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of the service from outside, and of the player."""

    cpu: float
    rss_first: float
    rss_last: float
    written: int
    refused: int
    late: float


def play(
    masters: list[int],
    sent: np.ndarray[tuple[int, int], np.dtype[np.float64]],
    wanted: argparse.Namespace,
    pid: int,
) -> Seen:
    """Play all gauges for a while and watch the service."""
    rng = np.random.default_rng(1)
    lines = scripts(wanted.rate, wanted.busy)
    script = [lines[number % len(lines)] for number in range(len(masters))]
    place = [int(rng.integers(len(script[number]))) for number in range(len(masters))]
    written = [0] * len(masters)
    step_s = 1.0 / wanted.rate / STEPS
    refused, late, step = 0, 0.0, 0
    begin = time.monotonic()
    cpu_at = cpu_of(pid)
    warm_until, counting = begin + wanted.warm, False
    first = rss_of(pid)
    while (now := time.monotonic()) < begin + wanted.seconds:
        if not counting and now >= warm_until:
            counting, cpu_at, first, late = True, cpu_of(pid), rss_of(pid), 0.0
            warm_until = now
            os.kill(pid, signal.SIGUSR1)
        for number in range(step % STEPS, len(masters), STEPS):
            at = place[number] + 1
            place[number] = at = 0 if at == len(script[number]) else at
            sent[number, written[number] % RING] = time.monotonic()
            try:
                os.write(masters[number], script[number][at])
                written[number] += 1
            except BlockingIOError:
                refused += 1
        step += 1
        wait = begin + step * step_s - time.monotonic()
        if wait > 0:
            time.sleep(wait)
        else:
            late = max(late, -wait)
    took = time.monotonic() - warm_until
    return Seen((cpu_of(pid) - cpu_at) / took, first, rss_of(pid), sum(written), refused, late)


def cpu_of(pid: int) -> float:
    """Processor time a process has used, seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_of(pid: int) -> float:
    """Memory a process has in use, MB."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return float("nan")


def percentile(counts: np.ndarray[tuple[int], np.dtype[np.int64]], share: float) -> float:
    """The delay that this share of all stays below, milliseconds."""
    below = np.cumsum(counts)
    return float(BINS[1 + int(np.searchsorted(below, share * below[-1]))]) * 1e3


def station_file(folder: Path, names: list[str]) -> None:
    """Write the station file, and the hub file that it names."""
    hub = 'title = "Heron GT rear hub"\nunit = "mm"\n[end_play]\nleast = 0.03\nmost = 0.20\n'
    (folder / "hub.toml").write_text(hub, encoding="utf-8")
    head = 'shop = "larkfield"\nstation = "bench"\nlog = "log.sqlite"\nhub = "hub.toml"\n'
    gauges = [
        f'[[gauge]]\nname = "{number}"\nlink = "serial:{name}"\nunit = "mm"\ncorner = "LR"\n'
        for number, name in enumerate(names)
    ]
    (folder / "station.toml").write_text(head + "".join(gauges), encoding="utf-8")


def run(gauges: int, wanted: argparse.Namespace) -> None:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pairs = [os.openpty() for _ in range(gauges)]
        for master, slave in pairs:
            tty.setraw(slave)
            os.set_blocking(master, False)
        station_file(folder, [os.ttyname(slave) for _, slave in pairs])
        sent = Shared(folder / "sent", gauges, new=True).sent
        if wanted.profile:
            (folder / "profile").touch()
        words = [
            sys.executable,
            __file__,
            "--serve",
            str(folder),
            "--gauges",
            str(gauges),
            "--core",
            str(wanted.core),
        ]
        with (folder / "journal").open("wb") as journal:
            service = subprocess.Popen(words, stderr=journal, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
        try:
            while not (folder / "connected").exists():
                if service.poll() is not None:
                    raise SystemExit((folder / "journal").read_text(encoding="utf-8")[-2000:])
                time.sleep(0.05)
            seen = play([master for master, _ in pairs], sent, wanted, service.pid)
            service.terminate()
            began = time.monotonic()
            service.wait(60)
            ended = time.monotonic() - began
        finally:
            service.kill()
            service.wait()
            for pair in pairs:
                os.close(pair[0])
                os.close(pair[1])
        if wanted.profile:
            pstats.Stats(str(folder / "profile")).sort_stats("tottime").print_stats(25)
        found = np.load(folder / "found.npz")
        counts, (came, kept, overruns) = found["counts"], found["totals"].tolist()
        print(
            f"{gauges:7d}{wanted.busy:7.0%}{wanted.seconds:8.0f} s{seen.cpu:8.0%}"
            f"{seen.cpu / (seen.written / wanted.seconds) * 1e6:8.1f} µs"
            f"{percentile(counts, 0.5):9.2f} ms{percentile(counts, 0.99):9.2f} ms"
            f"{percentile(counts, 0.999):9.1f} ms"
            f"{seen.rss_first:9.1f} MB{seen.rss_last:9.1f} MB{kept:7d}"
            f"{seen.written - came:8d}{seen.refused + overruns:9d}"
            f"{seen.late * 1e3:9.0f} ms{ended:8.1f} s",
            flush=True,
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--gauges", type=int, nargs="+", default=[200], help="how many; several make several rows"
    )
    parser.add_argument(
        "--busy", type=float, nargs="+", default=[0.0, 0.1], help="shares of the time with strokes"
    )
    parser.add_argument(
        "--rate", type=float, default=50.0, help="readings a second of each (default %(default)s)"
    )
    parser.add_argument("--seconds", type=float, default=30.0, help="how long (default %(default)s)")
    parser.add_argument(
        "--warm", type=float, default=10.0, help="first seconds not counted; memory is first read then"
    )
    parser.add_argument(
        "--core", type=int, default=0, help="core of the service, -1 for any (default %(default)s)"
    )
    parser.add_argument("--profile", action="store_true", help="print where the service's time goes, too")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 65536)), hard))
    if wanted.serve:
        serve(wanted.serve, wanted.gauges[0], wanted.core)
        return
    if wanted.core >= 0 and (others := os.sched_getaffinity(0) - {wanted.core}):
        os.sched_setaffinity(0, others)
    load = os.getloadavg()[0]
    print(
        f"{wanted.rate:g} readings/s each; Python {sys.version.split()[0]}; load average before: {load:.1f}"
    )
    print(
        f"{'gauges':>7}{'busy':>7}{'for':>10}{'core':>8}{'a reading':>11}{'p50':>12}{'p99':>12}{'p99.9':>12}"
        f"{'after ' + format(wanted.warm, 'g') + ' s':>12}{'at the end':>12}{'kept':>7}{'unheard':>8}"
        f"{'dropped':>9}{'player late':>12}{'stops in':>10}"
    )
    shares = wanted.busy
    for busy in shares:
        wanted.busy = busy
        for gauges in wanted.gauges:
            run(gauges, wanted)


if __name__ == "__main__":
    main()
