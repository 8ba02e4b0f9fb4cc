"""Ctrl-C and the like, noted rather than raised, so that what was read so far can be put away first."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Self

PATIENCE = 3
"""The third Ctrl-C is raised after all: something hangs, and the person wants out."""

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")


class Interrupts:
    """While it is entered, an interrupt is counted and ``on_interrupt`` called; nothing is raised.

    Attributes:
        number: The first signal that came, or None.
        on_interrupt: Called at each signal, in the main thread; may be changed at any time.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self.on_interrupt: Callable[[], object] | None = None
        self._count = 0
        self._before: dict[int, Callable[[int, FrameType | None], object] | int | None] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():  # elsewhere there are no signals to catch
            for name in _NAMES:
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self._count += 1
        if self.number is None:
            self.number = number
        if self._count >= PATIENCE:
            raise KeyboardInterrupt
        if self.on_interrupt is not None:
            self.on_interrupt()
