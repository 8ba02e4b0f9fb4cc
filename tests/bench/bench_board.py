"""The board under load: stations × gauges × readings a second, many pages; its CPU share, and how late it is.

    ./run bench board [--stations 40] [--gauges 4] [--rate 20] [--pages 50] [--broker mosquitto] [--seconds 9]

A feeder process speaks for all stations; every page is a stream of server-sent events, most of the shop, one
in five of a corner. One reading carries its time as its value, and the lag is from its sending to its arrival
in a page. The kernel's and the broker's share is not in the board's figure.
"""

# ruff: noqa: T201 - it prints its figures
from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import multiprocessing
import os
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bus.connection import connect
from bus.payloads import encode
from bus.settings import BrokerSettings
from bus.topics import CORNERS, StationTopics
from tests.bus.brokers import AnyBroker, Embedded, Mosquitto, free_port
from tests.shopboard.parts import BoardProcess, corner, gauge, live, status

WARM_S = 3.0
MARK = "bay-0"

CONNECT = bytes.fromhex("10 0d 0004 4d515454 05 02 0000 00 0000")
"""CONNECT of MQTT 5: clean start, no keep alive, no properties, no name (MQTT 5, clause 3.1)."""


@dataclass
class Seen:
    """What the pages got.

    Attributes:
        events: Events of each page.
        bytes: Bytes of all pages.
        lags_s: From sending to arrival.
    """

    events: list[int] = field(default_factory=list)
    bytes: int = 0
    lags_s: list[float] = field(default_factory=list)


def feed(url: str, stations: int, gauges: int, rate: float, sent: multiprocessing.Queue[float]) -> None:
    """Speak for all stations, until killed: frames made beforehand, so that little time goes here."""
    names = [StationTopics("larkfield", f"bay-{i}") for i in range(stations)]
    here = CORNERS[:gauges]
    asyncio.run(tell_statuses(url, names, here))
    readings = [reading(2.0 + i / 100) for i in range(50)]
    marked = names[0].live("LF")
    own = [[topic for name in here if (topic := one.live(name)) != marked] for one in names]
    frames = [[b"".join(frame(topic, data) for topic in topics) for data in readings] for topics in own]
    with socket.create_connection(("127.0.0.1", BrokerSettings(url).port)) as wire:
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire.sendall(CONNECT)
        wire.recv(64)
        begin, count = time.monotonic(), 0
        while True:
            for i in range(stations):  # one after another, spread over the time between two readings
                due = begin + (count + i / stations) / rate
                if (early := due - time.monotonic()) > 0.002:
                    time.sleep(early)
                wire.sendall(frames[i][count % 50])
                if i == 0:
                    wire.sendall(frame(marked, reading(time.monotonic() % 1000)))
            count += 1
            if count % 20 == 0:
                sent.put(count * stations * len(here) / (time.monotonic() - begin))


async def tell_statuses(url: str, names: list[StationTopics], here: tuple[str, ...]) -> None:
    """Every station with its gauges and its car."""
    async with connect(BrokerSettings(url), "bench-feeder") as connection:
        for one in names:
            corners = [corner(name, gauge=f"DI-{name}") for name in here]
            there = tuple(gauge(name=f"DI-{name}", corner=name) for name in here)
            await connection.put(one.status, encode(status(*corners, gauges=there)), qos=1, retain=True)


def reading(value: float) -> bytes:
    """A live message."""
    now = time.monotonic()
    return encode(live(time_s=now, reading_mm=value, low_mm=value, high_mm=value, step_mm=0.0001))


def frame(topic: str, payload: bytes) -> bytes:
    """PUBLISH of QoS 0 (MQTT 5, clause 3.3): topic, no properties, payload."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + b"\0" + payload
    left, length = len(body), b""
    while True:
        left, digit = divmod(left, 128)
        length += bytes([digit | (0x80 if left else 0)])
        if not left:
            return b"\x30" + length + body


async def page(client: httpx.AsyncClient, address: str, seen: Seen, end: float) -> None:
    """One page: reads its stream until the end."""
    count, marked = 0, "station" in address
    async with client.stream("GET", address, timeout=30) as stream:
        async for line in stream.aiter_lines():
            now = time.monotonic()
            if now > end:
                break
            seen.bytes += len(line) + 1
            if line.startswith("event:"):
                count += 1
            if marked and line.startswith("data:") and '"digits"' in line and not line.startswith("data: [["):
                value = float(json.loads(line[6:])["digits"])
                seen.lags_s.append((now % 1000 - value) % 1000)
    seen.events.append(count)


def cpu_s(pid: int) -> float:
    """CPU time of a process so far, seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def look(board: BoardProcess, pages: int, seconds: float) -> tuple[Seen, float]:
    """Open the pages and look for a while: what they saw, and the board's CPU share."""
    seen = Seen()
    begin = time.monotonic()
    end = begin + WARM_S + seconds
    limits = httpx.Limits(max_connections=None)
    async with httpx.AsyncClient(limits=limits) as client:
        paths = [f"/events?station={MARK}&corner=LF" if i % 5 == 0 else "/events" for i in range(pages)]
        tasks = [asyncio.create_task(page(client, board.url + path, seen, end)) for path in paths]
        await asyncio.sleep(WARM_S)
        seen.lags_s.clear()
        before, at = cpu_s(board.process.pid), time.monotonic()
        await asyncio.sleep(seconds - 0.2)
        share = (cpu_s(board.process.pid) - before) / (time.monotonic() - at)
        await asyncio.gather(*tasks)
    return seen, share


@contextlib.contextmanager
def running(kind: str, folder: Path) -> Iterator[str]:
    """A broker; its URL."""
    one: AnyBroker = Mosquitto(folder) if kind == "mosquitto" else Embedded()
    one.start()
    yield f"mqtt://127.0.0.1:{one.port}"
    one.kill()


def main() -> None:
    """Run it and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, usual in (("stations", 40), ("gauges", 4), ("pages", 50)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    parser.add_argument("--broker", choices=("mosquitto", "embedded"), default="mosquitto")
    parser.add_argument("--rate", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, running(asked.broker, Path(folder)) as url:
        board = BoardProcess(url, free_port())
        spawn = multiprocessing.get_context("spawn")
        sent: multiprocessing.Queue[float] = spawn.Queue()
        words = (url, asked.stations, asked.gauges, asked.rate, sent)
        feeder = spawn.Process(target=feed, args=words, daemon=True)
        feeder.start()
        sent.get()
        seen, share = asyncio.run(look(board, asked.pages, asked.seconds))
        rate = 0.0
        while not sent.empty():
            rate = sent.get()
        feeder.kill()
        feeder.join()
        said = board.end()
    span = WARM_S + asked.seconds
    print(f"{rate:.0f} readings/s, {asked.pages} pages, {asked.seconds:g} s, load {os.getloadavg()[0]:.1f}")
    print(f"board: {100 * share:.0f} % of one core")
    print(
        f"pages: {min(seen.events) / span:.1f} to {max(seen.events) / span:.1f} events/s each, "
        f"{seen.bytes / span / asked.pages / 1000:.1f} kB/s each"
    )
    if seen.lags_s:
        p50, p99, most = np.percentile(seen.lags_s, [50, 99, 100]) * 1000
        print(f"from a reading's sending to a page: p50 {p50:.0f} ms, p99 {p99:.0f} ms, most {most:.0f} ms")
    print(said.strip())


if __name__ == "__main__":
    main()
