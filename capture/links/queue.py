"""The bounded queue between what reads a port, a callback or a thread, and what listens."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable

from capture.errors import LinkError
from capture.readings import Chunk, Overrun, Tick

MOST_WAITING = 1024
"""Chunks that may wait; at 50 readings a second that is 20 s of a listener that does not listen."""


class ChunkQueue:
    """Stamps bytes as they come and keeps them, in order, until asked for; when full it drops the oldest.

    ``put`` and ``end`` may be called from any thread, ``get`` by one task of the loop. Stamps and ticks are
    made under one lock, so that a chunk given after a tick is never older than it.

    Args:
        most: How many chunks may wait, 1 or more.
        clock: Monotonic seconds.
    """

    def __init__(self, most: int = MOST_WAITING, clock: Callable[[], float] = time.monotonic) -> None:
        self._chunks: deque[Chunk] = deque()
        self._most = most
        self._clock = clock
        self._dropped = 0
        self._ended = False
        self._error: LinkError | None = None
        self._lock = threading.Lock()
        self._waiter: asyncio.Future[None] | None = None
        self._thread = 0
        self._patience_ends = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def put(self, data: bytes) -> None:
        """Stamp bytes with the time now and keep them."""
        with self._lock:
            if len(self._chunks) >= self._most:
                self._chunks.popleft()
                self._dropped += 1
            self._chunks.append(Chunk(data, self._clock()))
            self._wake()

    def end(self, error: LinkError | None = None) -> None:
        """Say that nothing more comes, and why if it broke; only the first call counts."""
        with self._lock:
            if not self._ended:
                self._ended, self._error = True, error
                self._wake()

    async def get(self, patience_s: float) -> Chunk | Overrun | Tick | None:
        """Give what comes next, as ``Link.receive`` does."""
        loop = asyncio.get_running_loop()
        with self._lock:
            if self._ready():
                return self._next()
            waiter = self._waiter = loop.create_future()
            self._thread = threading.get_ident()
        self._patience_ends = loop.time() + patience_s
        if self._timer is None or self._timer.when() > self._patience_ends:
            self._set_timer(loop)
        try:
            await waiter
        finally:
            with self._lock:
                self._waiter = None
        with self._lock:
            return self._next() if self._ready() else Tick(self._clock())

    def _set_timer(self, loop: asyncio.AbstractEventLoop) -> None:
        """One timer serves for many waits: it costs more than a wait that ends before it."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer = loop.call_at(self._patience_ends, self._look_at_patience, loop)

    def _look_at_patience(self, loop: asyncio.AbstractEventLoop) -> None:
        self._timer = None
        waiter = self._waiter
        if waiter is None:
            return
        if loop.time() < self._patience_ends:
            self._set_timer(loop)
        else:
            _resolve(waiter)

    def _ready(self) -> bool:
        return bool(self._chunks) or self._ended

    def _next(self) -> Chunk | Overrun | None:
        if self._chunks and self._dropped:
            dropped, self._dropped = self._dropped, 0
            return Overrun(dropped, self._chunks[0].at)
        if self._chunks:
            return self._chunks.popleft()
        if self._error is not None:
            raise self._error
        return None

    def _wake(self) -> None:
        waiter, self._waiter = self._waiter, None
        if waiter is None:
            return
        if threading.get_ident() == self._thread:  # the loop's own: no need to wake it up
            _resolve(waiter)
        else:
            waiter.get_loop().call_soon_threadsafe(_resolve, waiter)


def _resolve(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)
