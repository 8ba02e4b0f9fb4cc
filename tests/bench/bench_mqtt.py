"""From the last byte of a measurement to log, subscriber and page; and what waited while a broker was away.

The service runs whole, with a link that hands it simulated readings as fast as it takes them, pausing after
each measurement until subscriber and pages have its result. The board is a process of its own, and so is
Chromium with two of its pages, at the wheel and of the shop. Beside it, in the same run and with payloads of
the same size, a bare publish and subscribe of the client library at the same broker. Then the broker is
killed in the middle of a measurement, results are queued in the log meanwhile, and it comes back.

Run `python tests/bench/bench_mqtt.py`; it prints a table and judges nothing.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import asyncio
import contextlib
import io
import json
import os
import sys
import tempfile
import threading
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import aiomqtt
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bus.topics import StationTopics
from capture.listening import ListenEvent
from capture.readings import Chunk, Tick
from capture.session import Ended
from capture.simulator import HubModel, simulate
from cli.journal import Journal
from cli.plan import Plan, plan_of
from cli.serving import Service
from joblog.records import Measurement, new_id
from joblog.store import Store
from tests.bus.brokers import Embedded, Mosquitto, free_port
from tests.shopboard.parts import BoardProcess
from tests.shopboard.watched import Watched

BAY = StationTopics("larkfield", "bay-2")
HUB = Path(__file__).parents[2] / "fixtures" / "hubs" / "heron-rear.toml"
GAUGE = "left rear"
V5 = aiomqtt.ProtocolVersion.V5
STATION = """\
shop = "larkfield"
station = "bay-2"
log = "log.sqlite"
hub = "{hub}"
[broker]
url = "mqtt://127.0.0.1:{port}"
[[gauge]]
name = "{gauge}"
link = "simulated:"
unit = "mm"
corner = "LR"
"""


class Ear(threading.Thread):
    """A subscriber with a thread and a loop of its own; notes when each message came, and comes back."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.port = port
        self.came: dict[str, float] = {}
        self.order: list[str] = []
        self.there = threading.Event()
        self._stop = False
        self.start()

    def run(self) -> None:
        asyncio.run(self._listen())

    async def _listen(self) -> None:
        while not self._stop:
            with contextlib.suppress(aiomqtt.MqttError, OSError):
                async with aiomqtt.Client("127.0.0.1", self.port, protocol=V5, timeout=1) as client:
                    await client.subscribe("shimwright/+/+/+/+/result", 1)
                    await client.subscribe("bare", 1)
                    self.there.set()
                    async for message in client.messages:
                        now = time.monotonic()
                        if message.retain or not isinstance(message.payload, bytes | bytearray):
                            continue
                        name = str(json.loads(message.payload)["measurement_id"])
                        self.came[name] = now
                        self.order.append(name)
            self.there.clear()
            await asyncio.sleep(0.02)

    def end(self) -> None:
        self._stop = True


class Handed:
    """A link that hands a measurement's lines on at once, and waits before the next."""

    simulated, profile, joined_midway = True, None, False

    def __init__(self, lines: list[tuple[float, bytes]]) -> None:
        self._lines = lines
        self.go = asyncio.Event()
        self.half_way = asyncio.Event()
        self.go_on = asyncio.Event()
        self.go_on.set()
        self.handed_at = 0.0
        self._stream = self._all()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return

    async def receive(self, patience_s: float) -> Chunk | Tick | None:
        """The next line; its time is the stream's own."""
        del patience_s
        chunk = await anext(self._stream)
        self.handed_at = time.monotonic()
        return chunk

    async def _all(self) -> AsyncIterator[Chunk]:
        begin = 0.0
        while True:
            await self.go.wait()
            for number in range(150):  # three seconds of stillness arm it
                yield Chunk(self._lines[0][1], begin + 0.02 * number)
            begin += 3.0
            for number, (at, line) in enumerate(self._lines):
                if not self.go.is_set():
                    break  # it ended; the rest of the strokes is left out
                if number == len(self._lines) // 5:
                    self.half_way.set()
                    await self.go_on.wait()
                yield Chunk(line, begin + at)
            begin += self._lines[-1][0] + 10.0


class Bench:
    """The service with its broker and its ear."""

    def __init__(self, folder: Path, port: int) -> None:
        (folder / "bay.toml").write_text(STATION.format(port=port, hub=HUB, gauge=GAUGE), encoding="utf-8")
        self.plan: Plan = plan_of(folder / "bay.toml")
        trace = simulate(
            HubModel(end_play_mm=0.31, strokes=12, dwell_s=0.35, move_s=0.1, rest_s=0.4), 21
        ).trace
        times = (trace.times_s - trace.times_s[0]).tolist()
        self.lines = [(at, f"{text}\r\n".encode()) for at, text in zip(times, trace.texts(), strict=True)]
        self.link: Handed
        self.ended_at = 0.0
        self.last_byte: dict[str, float] = {}
        self.in_log: dict[str, float] = {}
        self.newest: Measurement
        self.service = Service(
            folder / "bay.toml",
            Journal(io.StringIO(), as_json=True),
            on_kept=self._kept,
            on_event=self._hear,
            make=lambda *_: self._make(),  # type: ignore[arg-type]
        )

    def _make(self) -> Handed:
        self.link = Handed(self.lines)
        return self.link

    def _hear(self, _gauge: str, event: ListenEvent) -> None:
        if isinstance(event, Ended):
            self.ended_at = self.link.handed_at
            self.link.go.clear()

    def _kept(self, measurement: Measurement) -> None:
        self.last_byte[measurement.id] = self.ended_at
        self.in_log[measurement.id] = time.monotonic()
        self.newest = measurement

    @property
    def connected(self) -> bool:
        """Whether the service has its broker."""
        bus = self.service._bus
        return bus is not None and bus.publisher.connected


async def until(when: Any, seconds: float = 120.0) -> None:
    end = time.monotonic() + seconds
    while not when():
        if time.monotonic() > end:
            raise SystemExit("it did not come about")
        await asyncio.sleep(0.001)


def row(what: str, seconds: list[float], bare: list[float]) -> None:
    ms = np.array(seconds) * 1e3
    p50, p99 = np.percentile(ms, [50, 99])
    ratio = p50 / np.median(np.array(bare) * 1e3)
    print(
        f"  {what:<42} p50 {p50:7.2f} ms   p99 {p99:7.2f} ms   most {ms.max():7.2f} ms   "
        f"p50 is {ratio:5.1f} x bare   of {len(ms)}"
    )


async def delays(bench: Bench, ear: Ear, pages: Watched | None, count: int) -> None:
    """Measure so many times, and between two measurements publish and subscribe without the service."""
    looked_at = {} if pages is None else pages.pages
    bare: list[float] = []
    async with aiomqtt.Client("127.0.0.1", ear.port, protocol=V5) as client:
        await asyncio.to_thread(ear.there.wait)
        for number in range(count):
            before = len(bench.in_log)
            bench.link.go.set()
            await until(lambda n=before: len(bench.in_log) > n)
            await until(lambda: bench.newest.id in ear.came)
            await until(lambda: all(bench.newest.id in one.shown for one in looked_at.values()))
            name = f"bare-{number}"
            payload = json.dumps({"measurement_id": name, "more": "x" * 8000}).encode()
            began = time.monotonic()
            await client.publish("bare", payload, 1)
            await until(lambda n=name: n in ear.came)
            bare.append(ear.came[name] - began)
    if pages is not None:
        await asyncio.to_thread(pages.end)
    ids, last = list(bench.in_log), bench.last_byte
    row("last byte to the result in the log", [bench.in_log[one] - last[one] for one in ids], bare)
    row("last byte to the result at a subscriber", [ear.came[one] - last[one] for one in ids], bare)
    row("in the log to the subscriber", [ear.came[one] - bench.in_log[one] for one in ids], bare)
    for name, seen in looked_at.items():
        row(f"last byte to the page {name}", [seen.shown[one] - last[one] for one in ids], bare)
        row(f"last byte to it painted {name}", [seen.painted[one] - last[one] for one in ids], bare)
        row(f"subscriber to the page {name}", [seen.shown[one] - ear.came[one] for one in ids], bare)
    row("bare publish to subscriber, 8 kB, QoS 1", bare, bare)
    for name, seen in looked_at.items():
        width, step = (seen.clock.high_s - seen.clock.low_s) * 500, seen.clock.step_s * 1e3
        print(f"  clock of the page {name}: known within {width:.2f} ms either way, steps of {step:.3f} ms")


async def away(bench: Bench, ear: Ear, broker: Mosquitto | Embedded, seconds: float, queued: int) -> None:
    """Kill the broker in the middle of a measurement; queue results; bring it back."""
    marked = bench.newest
    seen = len(ear.order)
    kept = len(bench.in_log)
    bench.link.half_way.clear()
    bench.link.go_on.clear()
    bench.link.go.set()
    await bench.link.half_way.wait()
    await asyncio.to_thread(broker.kill)
    bench.link.go_on.set()
    await until(lambda: len(bench.in_log) > kept)
    in_log = [bench.newest.id]
    began = time.monotonic()

    def queue(store: Store) -> None:
        for _ in range(queued - 1):
            one = replace(marked, id=new_id())
            store.add(one)
            in_log.append(one.id)

    await bench.service.keeper.with_store(queue)
    filled = time.monotonic() - began
    await asyncio.sleep(max(0.0, seconds - filled))
    await asyncio.to_thread(broker.start)
    back = time.monotonic()
    await until(lambda: bench.connected)
    connected = time.monotonic()
    await until(lambda: in_log[-1] in ear.came)
    took = ear.came[in_log[-1]] - connected
    heard = [one for one in ear.order[seen:] if not one.startswith("bare")]
    found = set(heard)
    once = "each once" if len(heard) == len(found) else f"{len(heard) - len(found)} came twice"
    in_order = list(dict.fromkeys(heard)) == [one for one in in_log if one in found]
    print(f"  broker away for {back - began:.1f} s, {queued} results queued (filled in {filled:.1f} s);")
    print(f"  it was found again {connected - back:.1f} s after its start;", end=" ")
    print(f"all were heard {took:.2f} s later, {queued / took:.0f} a second")
    missing = len(set(in_log) - found)
    order = "in order" if in_order else "OUT OF ORDER"
    print(f"  {len(found)} of {queued} heard, {once}, {order}, {missing} missing")


def opened(board: BoardProcess) -> Watched:
    """The board's pages in Chromium, the corner's and the shop's."""
    at = {"at the wheel": f"{board.url}/#wheel/{BAY.station}/LR", "of the shop": f"{board.url}/#shop"}
    return Watched(at, f'[data-state="there"], #wheel-state:has-text("{GAUGE}")')


async def run(kind: str, count: int, seconds: float, queued: int, *, chromium: bool) -> None:
    """All of it at one kind of broker."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker: Mosquitto | Embedded = Mosquitto(folder) if kind == "mosquitto" else Embedded()
        await asyncio.to_thread(broker.start)
        ear = Ear(broker.port)
        bench = Bench(folder, broker.port)
        task = asyncio.create_task(bench.service.run(bench.plan))
        ending, pages = contextlib.ExitStack(), None
        try:
            await until(lambda: bench.connected)
            print(f"{kind}:")
            if chromium:
                board = await asyncio.to_thread(BoardProcess, f"mqtt://127.0.0.1:{broker.port}", free_port())
                ending.callback(board.end)
                pages = await asyncio.to_thread(opened, board)
            await delays(bench, ear, pages, count)
            ending.close()  # who waits for the broker below is alone
            await away(bench, ear, broker, seconds, queued)
        finally:
            ending.close()
            ear.end()
            bench.service.stop()
            await asyncio.gather(task, return_exceptions=True)
            await asyncio.to_thread(broker.kill)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--measurements", type=int, default=200, help="how many are timed")
    parser.add_argument("--away", type=float, default=60.0, help="how long the broker is away, seconds")
    parser.add_argument("--queued", type=int, default=1000, help="results that wait meanwhile")
    parser.add_argument("--broker", choices=["mosquitto", "embedded", "both"], default="both")
    parser.add_argument("--no-page", action="store_true", help="leave board and Chromium out")
    asked = parser.parse_args()
    for kind in ("mosquitto", "embedded") if asked.broker == "both" else (asked.broker,):
        print(f"load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
        asyncio.run(run(kind, asked.measurements, asked.away, asked.queued, chromium=not asked.no_page))


if __name__ == "__main__":
    main()
