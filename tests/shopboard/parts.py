"""A station of the tests that speaks to a real broker, the board as a process, and a page in Chromium.

The browser's library runs a loop of its own: it lives in a thread of its own, and so does the station.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from bus.connection import Connection, Will, connect
from bus.cue_words import Facts, speech_of, texts_of
from bus.errors import BrokerLost
from bus.payloads import (
    OFFLINE,
    Answer,
    Brief,
    Car,
    Command,
    CornerStatus,
    Cue,
    CueKind,
    GaugeState,
    GaugeStatus,
    Live,
    Phase,
    Result,
    Status,
    decode_command,
    encode,
)
from bus.settings import BrokerSettings
from bus.topics import StationTopics
from calc.units import Unit

_T = TypeVar("_T")
CHROMIUM = Path("/usr/bin/chromium")
ARGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AT = "2026-03-02T09:30:05.120Z"
FOUND_ID = "3fb98f8b-5c07-4458-964a-1e2888db8b4f"
LEFT_ID = "9a0f6c1e-0f3b-4a54-8d5e-6b2f6c0a7d11"


def gauge(**more: Any) -> GaugeStatus:
    """A gauge at the left rear of the Heron GT."""
    usual: dict[str, Any] = {
        "name": "DI-12",
        "state": GaugeState.CONNECTED,
        "corner": "LR",
        "phase": Phase.WAITING,
        "heard_at": AT,
        "battery_percent": 64,
        "simulated": True,
    }
    return GaugeStatus(**usual | more)


def brief(**more: Any) -> Brief:
    usual: dict[str, Any] = {
        "measurement_id": FOUND_ID,
        "at": AT,
        "stage": "as-found",
        "state": "measured",
        "verdict": "loose",
        "p_within": 0.0,
        "end_play_mm": 0.3157,
        "expanded_mm": 0.0051,
        "resolution_mm": 0.001,
        "fitted_mm": 3.2,
        "fit_mm": 2.95,
        "simulated": True,
    }
    return Brief(**usual | more)


def corner(name: str = "LR", **more: Any) -> CornerStatus:
    usual: dict[str, Any] = {
        "corner": name,
        "hub_title": "Heron GT rear hub, pressed spindle",
        "least_mm": 0.03,
        "most_mm": 0.2,
        "unit": "mm",
        "stage": "as-found",
        "gauge": "DI-12" if name == "LR" else None,
        "fitted_mm": 3.2,
    }
    return CornerStatus(**usual | more)


def status(*corners: CornerStatus, gauges: tuple[GaugeStatus, ...] | None = None, **more: Any) -> Status:
    car: dict[str, Any] = {"vehicle": "Heron GT", "registration": "LG 26 HRN", "job": "job-0042"} | more
    return Status(
        online=True,
        at=AT,
        since=AT,
        version="0.1.0",
        gauges=[gauge()] if gauges is None else list(gauges),
        car=Car(**car, corners=list(corners) or [corner(), corner("RR")]),
    )


def live(**more: Any) -> Live:
    usual: dict[str, Any] = {
        "gauge": "DI-12",
        "at": AT,
        "time_s": 12.0,
        "reading_mm": 2.143,
        "low_mm": 2.141,
        "high_mm": 2.145,
        "step_mm": 0.001,
        "unit": "mm",
        "phase": Phase.WAITING,
        "simulated": True,
    }
    return Live(**usual | more)


def candidates() -> list[dict[str, Any]]:
    """The shims on hand: a thicker one gives more end play."""
    sizes = [round(2.8 + 0.05 * i, 2) for i in range(11)]
    return [
        {
            "thickness_mm": size,
            "expected_mm": round(size - 2.884, 4),
            "u_mm": 0.005,
            "p_within": 1.0 if 0.03 <= size - 2.884 <= 0.2 else 0.0,
            "on_hand": True,
        }
        for size in sizes
    ]


def result(**more: Any) -> Result:
    """As found, too loose, with a shim to fit."""
    shims = candidates()
    choice = next(one for one in shims if one["thickness_mm"] == 2.95)
    why = "2.95 mm is the next size up from the zero shim 2.884 mm that fits: it leaves 0.066 mm"
    usual: dict[str, Any] = {
        "usable": True,
        "reasons": [],
        "end_play_mm": 0.3157,
        "u_mm": 0.0021,
        "expanded_mm": 0.0051,
        "coverage_factor": 2.4,
        "dof": 6.0,
        "strokes": 5,
        "half_strokes": 0,
        "resolution_mm": 0.001,
        "drift_mm_per_s": 0.0,
        "budget": [],
        "measurement_id": FOUND_ID,
        "at": AT,
        "corner": "LR",
        "stage": "as-found",
        "verdict": "loose",
        "p_within": 0.0,
        "state": "measured",
        "hub_title": "Heron GT rear hub, pressed spindle",
        "unit": "mm",
        "least_mm": 0.03,
        "most_mm": 0.2,
        "shim": {"zero_mm": 2.884, "candidates": shims, "choice": choice, "why": why},
        "simulated": True,
        "fitted_mm": 3.2,
        "vehicle": "Heron GT",
        "job": "job-0042",
        "gauge_name": "DI-12",
        "todo": [
            "The reading is in the log: written down before anything is taken apart.",
            "Next: take the hub apart, fit 2.95 mm, tighten the nut to the maker's torque, measure as left.",
            "Before taking it apart: car on stands on level ground, never on the jack alone.",
        ],
        "trace": {"time_s": [0.0, 0.5, 1.0, 1.5, 2.0], "reading_mm": [2.0, 2.316, 2.0, 2.315, 2.001]},
    }
    return msgspec.convert(usual | more, Result)


def cue(kind: CueKind, **facts: Any) -> Cue:
    words = Facts(corner="LR", unit=Unit.MM, **facts)
    return Cue(
        kind=kind,
        at=AT,
        gauge="DI-12",
        corner="LR",
        unit="mm",
        text=texts_of(kind, words),
        speech=speech_of(kind, words),
        simulated=True,
    )


class Station:
    """A station of the tests: says what it is told to, and answers commands as ``answers`` has it.

    It comes back to a broker that was away, and says its kept messages again, as a real one does.
    """

    def __init__(self, url: str, name: str, shop: str = "larkfield") -> None:
        self.name = name
        self.commands: queue.Queue[Command] = queue.Queue()
        self.answers = True
        self._topics = StationTopics(shop, name)
        self._settings = BrokerSettings(url)
        self._loop: asyncio.AbstractEventLoop
        self._connection: Connection
        self._there: Future[None] = Future()
        self._ending: asyncio.Event
        self._kept: dict[str, bytes] = {}
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()), daemon=True)
        self._thread.start()
        self._there.result(10)

    def tell(self, message: Status | Live | Cue | Result, corner: str = "LR") -> None:
        topics = self._topics
        match message:
            case Status():
                self._put(topics.status, encode(message), retain=True)
            case Live():
                self._put(topics.live(corner), encode(message))
            case Cue():
                self._put(topics.cue(corner), encode(message))
            case Result():
                self._put(topics.result(corner), encode(message), retain=True)

    def tell_raw(self, data: bytes) -> None:
        self._put(self._topics.status, data, retain=True)

    def leave(self) -> None:
        """Say goodbye, clear what the broker keeps, and go."""
        if not self._thread.is_alive():
            return
        for corner in ("LF", "RF", "LR", "RR"):
            self._put(self._topics.result(corner), b"", retain=True)
        self._put(self._topics.status, encode(OFFLINE), retain=True)
        self.end()

    def end(self) -> None:
        """Go without a word."""
        self._loop.call_soon_threadsafe(self._ending.set)
        self._thread.join(10)

    def _put(self, topic: str, data: bytes, *, retain: bool = False) -> None:
        if retain:
            self._kept[topic] = data
        work = self._connection.put(topic, data, qos=1, retain=retain)
        asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    async def _live(self) -> None:
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        will = Will(self._topics.status, encode(OFFLINE))
        while not self._ending.is_set():
            with contextlib.suppress(BrokerLost):
                async with connect(self._settings, f"test-{self.name}", will) as connection:
                    await self._serve(connection)
            if not self._there.done():
                return
            await asyncio.sleep(0.05)

    async def _serve(self, connection: Connection) -> None:
        self._connection = connection
        await connection.listen(self._topics.command)
        for topic, data in self._kept.items():
            await connection.put(topic, data, qos=1, retain=True)
        both = [asyncio.create_task(self._take(connection)), asyncio.create_task(self._ending.wait())]
        if not self._there.done():
            self._there.set_result(None)
        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        for one in both:
            one.cancel()
        await asyncio.gather(*both, return_exceptions=True)

    async def _take(self, connection: Connection) -> None:
        async for message in connection.messages():
            command = decode_command(message.payload)
            self.commands.put(command)
            name = str(command.__struct_config__.tag)
            text = f"{name} was done at {self.name}" if self.answers else f"{name} cannot be done now"
            answer = Answer(ok=self.answers, text=text, at=AT, command=name)
            if message.response_topic:
                await connection.put(
                    message.response_topic, encode(answer), qos=1, correlation=message.correlation
                )


class BoardProcess:
    """``shimwright board`` as a process on a free port."""

    def __init__(self, broker: str, port: int, *more: str) -> None:
        self.url = f"http://127.0.0.1:{port}"
        words = ["board", "--broker", broker, "--port", str(port), *more]
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from cli.main import run; run()", *words],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
            cwd=Path(__file__).parents[2],
        )
        assert self.process.stderr
        self.said = self.process.stderr.readline()
        assert "the page is at" in self.said, self.said

    def end(self) -> str:
        """End it as Ctrl-C does; what it said since."""
        self.process.terminate()
        _, said = self.process.communicate(timeout=15)
        return said


class Screen:
    """A page in Chromium, driven from a thread of its own."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1, "chromium")
        self._browser: Browser
        self._page: Page
        self.console: list[str] = []
        self.requests: list[str] = []
        self._thread.submit(self._launch).result()

    def _launch(self) -> None:
        if not CHROMIUM.exists():
            pytest.skip("needs Chromium: as root, apt-get install chromium")
        self._library = sync_playwright().start()
        self._browser = self._library.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)

    def do(self, what: Callable[[Page], _T]) -> _T:
        """Do something with the page."""
        return self._thread.submit(lambda: what(self._page)).result()

    def fresh(self, *, width: int = 1100, height: int = 800, script: str = "", **more: Any) -> None:
        """A new page, nothing remembered."""

        def new() -> None:
            for one in self._browser.contexts:
                one.close()
            context = self._browser.new_context(viewport={"width": width, "height": height}, **more)
            if script:
                context.add_init_script(script)
            self._page = context.new_page()
            self._page.set_default_timeout(10_000)
            self._page.on("console", lambda said: self.console.append(f"{said.type}: {said.text}"))
            self._page.on("pageerror", lambda error: self.console.append(f"error: {error}"))
            self._page.on("request", lambda request: self.requests.append(request.url))

        self.console, self.requests = [], []
        self._thread.submit(new).result()

    def sees(self, selector: str, text: str, on: Page | None = None) -> None:
        """Wait until an element holds a text, on a further page if that is given."""
        js = "([s, t]) => [...document.querySelectorAll(s)].some((one) => one.textContent.includes(t))"

        def wait(page: Page) -> None:
            try:
                page.wait_for_function(js, arg=[selector, text])
            except Exception as error:
                there = page.eval_on_selector_all(selector, "all => all.map((one) => one.textContent)")
                told = f"{selector} does not say {text!r}: {json.dumps(there)[:2000]}"
                raise AssertionError(told) from error

        self.do(lambda page: wait(on or page))

    def end(self) -> None:
        def stop() -> None:
            self._browser.close()
            self._library.stop()

        self._thread.submit(stop).result()
        self._thread.shutdown()
