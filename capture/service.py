"""The capture service: bytes from a link go into a session, its events go out.

Nothing is worked out here. The session is pure and is told the time by what the link brings.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from capture.errors import LinkLost
from capture.links.base import PATIENCE_S, Link
from capture.session import Abandon, Ended, Event, Finish, Session


async def measure(
    link: Link,
    session: Session,
    on_event: Callable[[Event], None],
    on_trouble: Callable[[str], None] | None = None,
) -> Ended:
    """Carry out one measurement: open the link, feed the session until it ends, close the link.

    However it ends, ``on_event`` gets every event, and so ``Ended`` with the trace so far: when the link is
    lost or the task cancelled the session is abandoned first, and then the exception goes on. A source that
    ends, such as a replayed file, finishes the session.

    Args:
        link: Not opened yet.
        session: Not ended yet.
        on_event: Called with each event in order; what it raises ends the measurement.
        on_trouble: Called once with a line for a person when bytes come but no number, which is a wrong
            setting; the measurement goes on.

    Raises:
        LinkError: If the link cannot be opened; the session was fed nothing and has not ended.
        LinkLost: If it broke on the way; the session has ended.
    """
    at = 0.0
    async with link:
        try:
            while True:
                item = await link.receive(PATIENCE_S)
                if item is not None:
                    at = item.at
                ended = _tell(session.feed(Finish(at) if item is None else item), on_event)
                if ended is not None:
                    return ended
                if item is None:
                    raise RuntimeError("a session that was told to finish did not end")
                trouble = session.decoder.looks_wrong(at) if on_trouble is not None else None
                if on_trouble is not None and trouble is not None:
                    on_trouble(trouble)
                    on_trouble = None
        except LinkLost:
            _tell(session.feed(Abandon(at, "the link was lost")), on_event)
            raise
        except asyncio.CancelledError:
            _tell(session.feed(Abandon(at)), on_event)
            raise


def _tell(events: list[Event], on_event: Callable[[Event], None]) -> Ended | None:
    ended = None
    for event in events:
        on_event(event)
        if isinstance(event, Ended):
            ended = event
    return ended
