"""The capture service: bytes from a link go into a session, its events go out.

Nothing is worked out here. The session is pure and is told the time by chunks and ticks; the link brings both.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from capture.errors import LinkLost
from capture.links.base import PATIENCE_S, Link
from capture.session import Abandon, Ended, Event, Finish, Session


async def measure(link: Link, session: Session, on_event: Callable[[Event], None]) -> Ended:
    """Carry out one measurement: open the link, feed the session until it ends, close the link.

    However it ends, ``on_event`` gets every event and last of all ``Ended`` with the trace so far; when the link is
    lost or the task cancelled the session is abandoned first, and the exception goes on. A source that ends, such
    as a replayed file, finishes the session.

    Args:
        link: Not opened yet.
        session: Not ended yet.
        on_event: Called with each event in order; what it raises ends the measurement.

    Raises:
        LinkError: If the link cannot be opened; the session was fed nothing and has not ended.
        LinkLost: If it broke on the way; the session has ended.
    """
    async with link:
        try:
            while True:
                item = await link.receive(PATIENCE_S)
                ended = _tell(session.feed(Finish() if item is None else item), on_event)
                if ended is not None:
                    return ended
                if item is None:
                    raise RuntimeError("a session that was told to finish did not end")
        except (LinkLost, asyncio.CancelledError):
            _tell(session.feed(Abandon()), on_event)
            raise


def _tell(events: list[Event], on_event: Callable[[Event], None]) -> Ended | None:
    ended = None
    for event in events:
        on_event(event)
        if isinstance(event, Ended):
            ended = event
    return ended
