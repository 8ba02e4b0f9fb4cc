"""How far something long has come: one line on standard error, redrawn, where a person watches."""

from __future__ import annotations

import sys
import time
from typing import Self

from cli.screen import screen_of

_EVERY_S = 0.1


class Progress:
    """Counts what is done. It draws nothing where nobody watches, and leaves nothing behind at the end."""

    def __init__(self, what: str, total: int) -> None:
        """Begin at none.

        Args:
            what: What is counted, such as ``measurements checked``.
            total: How many there will be.
        """
        self._what = what
        self._total = total
        self._done = 0
        self._next = 0.0
        self._drawn = False
        self._watched = screen_of(sys.stderr).tty

    def tick(self, count: int = 1) -> None:
        """More is done.

        Args:
            count: How many.
        """
        self._done += count
        if self._watched and (self._done == self._total or time.monotonic() >= self._next):
            self._next = time.monotonic() + _EVERY_S
            share = 100 * self._done // max(1, self._total)
            sys.stderr.write(f"\r{self._done} of {self._total} {self._what} ({share} %)\x1b[K")
            sys.stderr.flush()
            self._drawn = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Take the line away."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._drawn = False
