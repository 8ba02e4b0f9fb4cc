"""The pages that are open: each gets its events, live ones ten times a second, made once for all of them."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from functools import partial

import msgspec

from shopboard.view import News, Shop

LIVE_EVERY_S = 0.1
"""Live readings of this time are one update, seconds."""

GATHER_S = 0.02
"""News of this time go out together, seconds; a result or a cue takes along what there is at once."""

BEAT_EVERY_S = 3.0
"""A page hears at least this often that the board lives, seconds."""

MOST_WAITING = 100
"""Events that wait for a page; one that is slower gets the whole state anew instead."""

MOST_PAGES = 250
"""Pages that may be open at once."""


class TooManyPages(RuntimeError):  # noqa: N818 - it is what happened
    """No further page can be opened now."""


@dataclass(slots=True, eq=False)
class Page:
    """An open page.

    Attributes:
        place: Shop and station that it looks at, the shop empty for any; None: the whole shop.
        corner: The corner, with a station.
        waiting: Events that it has not been sent.
    """

    place: tuple[str, str] | None = None
    corner: str | None = None
    waiting: asyncio.Queue[bytes | None] = field(default_factory=lambda: asyncio.Queue(MOST_WAITING))

    def wants(self, news: News) -> bool:
        """Whether an event is for it."""
        if self.place is None:
            return news.event not in {"live", "result", "cue"}
        if news.event == "lives":
            return False
        if news.station is not None:
            shop, station = self.place
            if news.station[1] != station or shop not in {"", news.station[0]}:
                return False
        return news.corner is None or news.corner == self.corner


class Pages:
    """All open pages.

    Args:
        shop: What they show.
        hello: Said to each page first.
    """

    def __init__(self, shop: Shop, hello: dict[str, object]) -> None:
        self._shop = shop
        self._hello = News("hello", hello)
        self._pages: set[Page] = set()
        self._wake = asyncio.Event()
        self._over = False

    def __len__(self) -> int:
        return len(self._pages)

    def wake(self) -> None:
        """There is something that should not wait."""
        self._wake.set()

    def end(self) -> None:
        """No more events: every page's stream ends."""
        self._over = True
        for page in self._pages:
            _put(page, None, list)

    async def events(self, page: Page) -> AsyncIterator[bytes]:
        """What a page is sent, for as long as it is open.

        Args:
            page: The page.

        Raises:
            TooManyPages: If there are too many.
        """
        if len(self._pages) >= MOST_PAGES:
            raise TooManyPages
        for first in self._beginning(page):
            page.waiting.put_nowait(first)
        self._pages.add(page)
        try:
            while not self._over and (event := await page.waiting.get()) is not None:
                yield event
        finally:
            self._pages.discard(page)

    async def run(self) -> None:
        """Hand the news out; ends when it is cancelled."""
        live_at = beat_at = looked_at = time.monotonic()
        while True:
            try:
                async with asyncio.timeout(max(0.0, live_at - time.monotonic())):
                    await self._wake.wait()
                if not self._shop.is_urgent:
                    await asyncio.sleep(GATHER_S)
            except TimeoutError:
                pass
            self._wake.clear()
            now = time.monotonic()
            if now - looked_at >= 1.0:
                looked_at = now
                self._shop.look(now)
            news = self._shop.news()
            if now >= live_at:
                live_at = now + LIVE_EVERY_S
                news += self._shop.lives()
            if now - beat_at >= BEAT_EVERY_S:
                beat_at = now
                news.append(News("beat", {}))
            self._hand_out(news)

    def _hand_out(self, news: Iterable[News]) -> None:
        for one in news:
            wanting = [page for page in self._pages if page.wants(one)]
            if not wanting:
                continue
            event = encoded(one)
            for page in wanting:
                _put(page, event, partial(self._beginning, page))

    def _beginning(self, page: Page) -> list[bytes]:
        place = page.place
        if place is not None:
            place = self._shop.find(place[1], place[0] or None) or place
        news = [self._hello, *self._shop.snapshot(place, page.corner)]
        # one event for all stations: the queue of a page holds no more than its number of events
        whole = [[one.event, one.data] for one in news[1:]]
        return [encoded(news[0]), encoded(News("whole", whole))]


def encoded(news: News) -> bytes:
    r"""An event in the form of server-sent events; JSON has no line breaks.

    >>> encoded(News("beat", {}))
    b'event: beat\ndata: {}\n\n'
    """
    return b"event: %b\ndata: %b\n\n" % (news.event.encode(), msgspec.json.encode(news.data))


def _put(page: Page, event: bytes | None, anew: Callable[[], list[bytes]]) -> None:
    """Give a page an event; one that is too slow gets the whole state in place of all that waits."""
    if not page.waiting.full():
        page.waiting.put_nowait(event)
        return
    while not page.waiting.empty():
        page.waiting.get_nowait()
    for one in [None] if event is None else anew():
        page.waiting.put_nowait(one)
