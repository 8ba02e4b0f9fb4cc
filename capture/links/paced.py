"""A stored or simulated trace as a link: each reading one ``line`` frame, at the trace's own times."""

from __future__ import annotations

import asyncio
import math
import time
from abc import abstractmethod
from typing import ClassVar

from capture.links.base import PATIENCE_S, Link
from capture.readings import Chunk, Tick, Trace

_CHUNKS_A_TURN = 256
"""As fast as possible still lets others have a turn after so many chunks."""


class PacedLink(Link):
    """Gives a trace's readings as they came, in real time, faster, or as fast as possible.

    Chunks are stamped with the trace's own times, so every run gives the same events, whatever its speed.
    A late listener gets late chunks with their due stamps; none is dropped.

    Args:
        url: The link as given.
        speed: How many times faster than real time, above 0; infinity for as fast as possible.
    """

    joined_midway: ClassVar[bool] = False
    profile: ClassVar[str | None] = "line"

    def __init__(self, url: str, speed: float) -> None:
        super().__init__(url)
        self._speed = speed
        self._times: list[float] = []
        self._frames: list[bytes] = []
        self._next = 0
        self._began = 0.0

    @abstractmethod
    def _make_trace(self) -> Trace:
        """Make or read the trace; runs in a thread of its own and raises a LinkError when it cannot."""

    async def open(self) -> None:
        """Make the trace ready; its time begins to run now."""
        loop = asyncio.get_running_loop()
        self._times, self._frames = await loop.run_in_executor(None, self._prepare)
        self._next = 0
        self._began = time.monotonic()

    async def close(self) -> None:
        """Drop what is left of the trace."""
        self._times, self._frames, self._next = [], [], 0

    async def receive(self, patience_s: float = PATIENCE_S) -> Chunk | Tick | None:
        """Wait until the next reading is due, as ``Link.receive`` says."""
        if self._next >= len(self._times):
            return None
        due = self._times[self._next]
        wait_s = 0.0
        if not math.isinf(self._speed):
            wait_s = (due - self._times[0]) / self._speed - (time.monotonic() - self._began)
        if wait_s > patience_s:
            await asyncio.sleep(patience_s)
            run_s = (time.monotonic() - self._began) * self._speed
            return Tick(min(due, self._times[0] + run_s))
        if wait_s > 0:
            await asyncio.sleep(wait_s)
        elif self._next % _CHUNKS_A_TURN == 0:
            await asyncio.sleep(0)
        frame = self._frames[self._next]
        self._next += 1
        return Chunk(frame, due)

    def _prepare(self) -> tuple[list[float], list[bytes]]:
        trace = self._make_trace()
        unit = f" {trace.unit}\r\n"
        return trace.times_s.tolist(), [(text + unit).encode() for text in trace.texts()]
