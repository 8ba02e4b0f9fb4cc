"""Real brokers as processes, an ear that hears what they hand on, a log, and measurements for it."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from bus.broker import EmbeddedBroker
from bus.settings import BrokerSettings
from calc.hub import load_hub
from capture.end_play import analyse_trace
from capture.profiles import BUILT_IN
from capture.readings import Trace
from capture.session import Ended
from cli.measuring import Order, record_of
from joblog.records import Measurement
from joblog.store import Store

HERON_REAR = Path(__file__).parents[2] / "fixtures" / "hubs" / "heron-rear.toml"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
_T = TypeVar("_T")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until_it_listens(port: int, process: subprocess.Popen[bytes], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while True:
        assert process.poll() is None, "the broker ended at once"
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        assert time.monotonic() < end, "the broker does not listen"
        time.sleep(0.01)


class Mosquitto:
    """Debian's broker on a port of its own, with nothing but that port set, or with a configuration."""

    def __init__(self, folder: Path, conf: str | None = None, port: int | None = None) -> None:
        if MOSQUITTO is None:
            pytest.skip("needs mosquitto: as root, apt-get install mosquitto")
        self.port = port or free_port()
        self.file = folder / "mosquitto.conf"
        usual = f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        # started as root it would become a user that cannot look into a test's folder
        self.file.write_text(f"user {getpass.getuser()}\n{conf or usual}", encoding="utf-8")
        self.log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([MOSQUITTO, "-c", str(self.file)], stderr=log, stdout=log)
        until_it_listens(self.port, self._process)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        assert self._process
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process
        self._process.send_signal(signal.SIGCONT)


class Embedded:
    """The broker that comes along."""

    def __init__(self) -> None:
        self.port = free_port()
        self._broker = EmbeddedBroker(self.port)

    def start(self) -> None:
        self._broker.start()

    def kill(self) -> None:
        process = self._broker._process
        if process is not None:
            process.kill()
        self._broker.stop()


AnyBroker = Mosquitto | Embedded


@dataclass
class Message:
    """What an ear heard."""

    topic: str
    payload: Any
    retained: bool
    qos: int
    at: float
    properties: Any = None

    @property
    def kind(self) -> str:
        levels = self.topic.split("/")
        return levels[4] if levels[4] == "answer" else levels[-1]


@dataclass
class Ear:
    """Hears, and remembers."""

    client: aiomqtt.Client
    heard: list[Message] = field(default_factory=list)

    async def run(self) -> None:
        async for message in self.client.messages:
            payload = bytes(message.payload) if isinstance(message.payload, bytes | bytearray) else b""
            try:
                value = json.loads(payload)
            except ValueError:
                value = payload
            one = Message(
                str(message.topic), value, message.retain, message.qos, time.monotonic(), message.properties
            )
            self.heard.append(one)

    def of(self, kind: str) -> list[Message]:
        return [one for one in self.heard if one.kind == kind]

    async def until(self, when: Callable[[Ear], _T], seconds: float = 15.0) -> _T:
        end = time.monotonic() + seconds
        while not (found := when(self)):
            assert time.monotonic() < end, [(one.topic, one.payload) for one in self.heard][-8:]
            await asyncio.sleep(0.005)
        return found

    async def say(
        self,
        topic: str,
        payload: bytes,
        *,
        answer_on: str | None = None,
        about: bytes | None = None,
        **more: Any,
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if answer_on is not None:
            properties.ResponseTopic = answer_on
        if about is not None:
            properties.CorrelationData = about
        await self.client.publish(topic, payload, 1, properties=properties, **more)


@contextlib.asynccontextmanager
async def listening(port: int, topic: str = "shimwright/#", **login: Any) -> AsyncIterator[Ear]:
    """An ear at a broker; it is heard by tests alone, and knows nothing of the program's own connection."""
    client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, **login)
    async with client:
        await client.subscribe(topic, 1)
        ear = Ear(client)
        task = asyncio.create_task(ear.run())
        try:
            yield ear
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def aside(work: Callable[..., _T], *words: Any) -> _T:
    """Do what blocks in a thread of its own, so that the loop goes on."""
    return await asyncio.to_thread(work, *words)


async def until(when: Callable[[], _T], seconds: float = 15.0) -> _T:
    end = time.monotonic() + seconds
    while not (found := when()):
        assert time.monotonic() < end
        await asyncio.sleep(0.005)
    return found


def local(port: int) -> BrokerSettings:
    return BrokerSettings(f"mqtt://127.0.0.1:{port}")


def measurement_of(
    trace: Trace, corner: str = "LR", stage: str = "as-found", fitted_mm: float | None = 3.2
) -> Measurement:
    """A whole measurement, as the service would record it."""
    order = Order(
        hub=load_hub(HERON_REAR),
        corner=corner,
        stage=stage,
        link="serial:/dev/gauge",
        profile=BUILT_IN["line"],
        fitted_mm=fitted_mm,
        gauge_name="left rear",
    )
    found, complaint = record_of(order, Ended(0.0, analyse_trace(trace), trace), False, unfinished=False)
    assert complaint is None
    return found


class Log:
    """A log with a thread of its own, as the service has it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._executor = ThreadPoolExecutor(1, "log")
        self.store = self._executor.submit(Store.open, path).result()

    async def with_store(self, work: Callable[[Store], _T]) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._executor, work, self.store)

    def add(self, *measurements: Measurement) -> None:
        for one in measurements:
            self._executor.submit(self.store.add, one).result()

    def unsent(self) -> list[str]:
        rows = self._executor.submit(self.store.unsent, 5000).result()
        return [row.measurement_id for row in rows]

    async def until_unsent(self, wanted: list[str], seconds: float = 15.0) -> None:
        """Wait until just these wait in the outbox."""
        end = time.monotonic() + seconds
        while (found := await aside(self.unsent)) != wanted:
            assert time.monotonic() < end, (len(found), wanted)

    async def until_few_unsent(self, most: int) -> None:
        """Wait until at most so many wait in the outbox."""
        while len(await aside(self.unsent)) > most:
            continue

    def close(self) -> None:
        self._executor.submit(self.store.close).result()
        self._executor.shutdown()
