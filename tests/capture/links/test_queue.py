"""The queue between a port and its listener: in order, bounded, and never with time going back."""

from __future__ import annotations

import asyncio
import threading

import pytest

from capture.errors import LinkLost
from capture.links.queue import ChunkQueue
from capture.readings import Chunk, Overrun, Tick


class Clock:
    """Time that a test sets."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        self.now += 1.0
        return self.now


def test_chunks_come_in_order_with_the_time_they_were_put() -> None:
    async def run() -> None:
        queue = ChunkQueue(clock=Clock())
        queue.put(b"a")
        queue.put(b"b")
        assert await queue.get(1) == Chunk(b"a", 1.0)
        assert await queue.get(1) == Chunk(b"b", 2.0)

    asyncio.run(run())


def test_silence_is_a_tick() -> None:
    async def run() -> None:
        queue = ChunkQueue(clock=Clock())
        assert await queue.get(0.01) == Tick(1.0)
        queue.put(b"a")
        assert await queue.get(0.01) == Chunk(b"a", 2.0)

    asyncio.run(run())


def test_a_full_queue_drops_the_oldest_and_says_how_many() -> None:
    async def run() -> None:
        queue = ChunkQueue(most=3, clock=Clock())
        for byte in b"abcdefg":
            queue.put(bytes([byte]))
        assert await queue.get(1) == Overrun(4, 5.0)  # seen before the first chunk after the loss
        assert [await queue.get(1) for _ in range(3)] == [
            Chunk(b"e", 5.0),
            Chunk(b"f", 6.0),
            Chunk(b"g", 7.0),
        ]
        queue.put(b"h")
        assert await queue.get(1) == Chunk(b"h", 8.0)  # told once

    asyncio.run(run())


def test_what_came_before_the_end_is_given_first() -> None:
    async def run() -> None:
        queue = ChunkQueue(clock=Clock())
        queue.put(b"a")
        lost = LinkLost("serial:x", "gone")
        queue.end(lost)
        queue.end()  # a later end does not hide the first
        assert await queue.get(1) == Chunk(b"a", 1.0)
        for _ in range(2):
            with pytest.raises(LinkLost) as caught:
                await queue.get(1)
            assert caught.value is lost

    asyncio.run(run())


def test_a_quiet_end_is_none_and_wakes_the_listener() -> None:
    async def run() -> None:
        queue = ChunkQueue()
        asyncio.get_running_loop().call_later(0.01, queue.end)
        assert await asyncio.wait_for(queue.get(30), 5) is None

    asyncio.run(run())


def test_a_cancelled_listener_loses_nothing() -> None:
    async def run() -> None:
        queue = ChunkQueue()
        task = asyncio.create_task(queue.get(30))
        await asyncio.sleep(0)
        task.cancel()
        queue.put(b"a")
        with pytest.raises(asyncio.CancelledError):
            await task
        chunk = await queue.get(1)
        assert isinstance(chunk, Chunk)
        assert chunk.data == b"a"

    asyncio.run(run())


def test_a_thread_fills_it_while_the_loop_listens() -> None:
    n = 5000

    async def run() -> list[Chunk | Tick]:
        queue = ChunkQueue(most=n)

        def fill() -> None:
            for number in range(n):
                queue.put(b"%d" % number)
            queue.end()

        thread = threading.Thread(target=fill)
        thread.start()
        got: list[Chunk | Tick] = []
        while (item := await queue.get(0.0005)) is not None:
            assert not isinstance(item, Overrun)
            got.append(item)
        await asyncio.get_running_loop().run_in_executor(None, thread.join)
        return got

    items = asyncio.run(run())
    assert [item.data for item in items if isinstance(item, Chunk)] == [b"%d" % number for number in range(n)]
    times = [item.at for item in items]
    assert times == sorted(times)  # no chunk is older than a tick before it
