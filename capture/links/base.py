"""What every link is: an async context manager that gives stamped chunks, and ticks when none come."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import ClassVar, Self

from capture.described import Described
from capture.readings import Chunk, Overrun, Tick

PATIENCE_S = 0.2
"""Silence after which a listener is told the time, seconds."""


class Link(ABC):
    """A source of bytes, made by ``open_link`` and opened by ``async with``.

    Iterating gives chunks, an overrun where a full queue dropped some, and first of all what the gauge says
    of itself, if it does; it ends where the source does.

    Attributes:
        joined_midway: Whether the first line may lack its beginning, as on a live line.
        simulated: Whether the readings are made up.
        profile: Name of the profile that the bytes follow, whatever the gauge; None for a live one.

    Args:
        url: The link as given.
    """

    joined_midway: ClassVar[bool] = True
    simulated: ClassVar[bool] = False
    profile: ClassVar[str | None] = None

    def __init__(self, url: str) -> None:
        self.url = url

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Chunk | Overrun | Described:
        while True:
            item = await self.receive(PATIENCE_S)
            if item is None:
                raise StopAsyncIteration
            if not isinstance(item, Tick):
                return item

    @abstractmethod
    async def open(self) -> None:
        """Open the source.

        Raises:
            LinkError: LinkMissing, LinkDenied, LinkBusy or LinkUsage, if it cannot be opened.
        """

    @abstractmethod
    async def close(self) -> None:
        """Give back all that ``open`` took; a second time does nothing."""

    @abstractmethod
    async def receive(self, patience_s: float = PATIENCE_S) -> Chunk | Overrun | Tick | Described | None:
        """Wait for what comes next.

        Args:
            patience_s: How long to wait, seconds of the listener's time, above 0.

        Returns:
            A chunk; an overrun, ahead of the first chunk after what was dropped; a tick with the time on the
            chunks' own clock when nothing came; what the gauge says of itself, once and ahead of all else;
            None when the source has ended and all was given.

        Raises:
            LinkLost: If the source broke, after all that came before has been given.
        """
