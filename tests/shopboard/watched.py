"""Chromium in a process of its own that notes when a measurement stands on a page, and when it is painted.

The page's clock is ``performance.now``. How it lies to ``time.monotonic`` of this machine is bounded by round
trips: the page answered after it was asked and before the answer came.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
import time
from dataclasses import dataclass, field
from multiprocessing.connection import Connection

from playwright.async_api import Page, async_playwright

from tests.shopboard.parts import ARGS, CHROMIUM

ROUND_TRIPS = 300

WATCH = """
(() => {
  const seen = new Set();
  const look = () => {
    const shown = performance.now();
    for (const one of document.querySelectorAll("[data-measurement]")) {
      const id = one.dataset.measurement;
      if (!id || seen.has(id)) continue;
      seen.add(id);
      requestAnimationFrame(() => { // runs before its frame is drawn; the message is taken after that
        const { port1, port2 } = new MessageChannel();
        port1.onmessage = () => window.noted(id, shown, performance.now());
        port2.postMessage(0);
      });
    }
  };
  const what = { subtree: true, childList: true, attributeFilter: ["data-measurement"] };
  new MutationObserver(look).observe(document, what);
})();
"""

STEP = """() => {
  let [least, was] = [Infinity, performance.now()];
  for (let i = 0; i < 200000; i += 1) {
    const now = performance.now();
    if (now > was) least = Math.min(least, now - was);
    was = now;
  }
  return least;
}"""


@dataclass
class Clock:
    """How a page's clock lies to this machine's.

    Attributes:
        low_s, high_s: What is to be added to the page's, within these, seconds.
        step_s: The page's clock goes in steps of this, seconds.
    """

    low_s: float
    high_s: float
    step_s: float

    @property
    def middle_s(self) -> float:
        return (self.low_s + self.high_s) / 2


@dataclass
class Seen:
    """What stood on a page, and when, as ``time.monotonic`` has it.

    Attributes:
        shown: When a measurement was in the document, by its id.
        painted: When the frame after that was drawn.
        clock: How well the times are known.
    """

    shown: dict[str, float] = field(default_factory=dict)
    painted: dict[str, float] = field(default_factory=dict)
    clock: Clock = field(default_factory=lambda: Clock(0.0, 0.0, 0.0))


class Watched:
    """Pages in a Chromium of their own process.

    Args:
        addresses: The pages' addresses by a name for each.
        waits: Each shows an element that this selector finds before it counts as open.
    """

    def __init__(self, addresses: dict[str, str], waits: str) -> None:
        self.pages = {name: Seen() for name in addresses}
        spawn = multiprocessing.get_context("spawn")
        self._ours, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_watch, args=(addresses, waits, theirs), daemon=True)
        self._process.start()
        theirs.close()
        self._there = threading.Event()
        self._thread = threading.Thread(target=self._hear, daemon=True)
        self._thread.start()
        if not self._there.wait(60):
            raise TimeoutError("the pages did not open")

    def end(self) -> None:
        """Compare the clocks once more, and close the pages."""
        self._ours.send("end")
        self._thread.join(60)
        self._process.join(60)

    def _hear(self) -> None:
        while True:
            try:
                name, *what = self._ours.recv()
            except EOFError:
                self._there.set()
                return
            if not name:
                self._there.set()
                continue
            seen = self.pages[name]
            if isinstance(what[0], Clock):
                seen.clock = what[0]
                continue
            measurement, shown, painted = what
            seen.painted[measurement] = painted
            seen.shown[measurement] = shown


def _watch(addresses: dict[str, str], waits: str, ours: Connection) -> None:
    asyncio.run(_open(addresses, waits, ours))


async def _open(addresses: dict[str, str], waits: str, ours: Connection) -> None:
    async with async_playwright() as library:
        browser = await library.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        pages: dict[str, Page] = {}
        clocks: dict[str, Clock] = {}
        for name, address in addresses.items():
            page = pages[name] = await browser.new_page(viewport={"width": 1100, "height": 800})

            def noted(measurement: str, shown: float, painted: float, name: str = name) -> None:
                by = clocks[name].middle_s if name in clocks else 0.0
                ours.send((name, measurement, shown / 1e3 + by, painted / 1e3 + by))

            await page.expose_function("noted", noted)
            await page.add_init_script(WATCH)
            await page.goto(address)
            await page.wait_for_selector(waits, state="visible")
            clocks[name] = await _clock(page)
        ours.send(("",))
        await asyncio.to_thread(ours.recv)
        for name, page in pages.items():
            later = await _clock(page)
            first = clocks[name]
            both = Clock(min(first.low_s, later.low_s), max(first.high_s, later.high_s), later.step_s)
            ours.send((name, both))
        ours.close()
        await browser.close()


async def _clock(page: Page) -> Clock:
    low, high = float("-inf"), float("inf")
    for _ in range(ROUND_TRIPS):
        asked = time.monotonic()
        said = await page.evaluate("performance.now()") / 1e3
        low, high = max(low, asked - said), min(high, time.monotonic() - said)
    return Clock(min(low, high), max(low, high), await page.evaluate(STEP) / 1e3)
