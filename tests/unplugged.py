"""Pseudo-terminals that were unplugged: their numbers rest for a while before another gets them.

The system gives the lowest number that is free to the next pseudo-terminal. What looks for its gauge to come
back would find the gauge of another test there, and take its readings.
"""

from __future__ import annotations

import os
from collections import deque

MOST = 64
"""So many rest at once in a process."""

_resting: deque[int] = deque()


def let_rest(line: int) -> None:
    """Close the computer's end of a pseudo-terminal, but later: while it is open its number is taken.

    Args:
        line: That end; the gauge's is closed already.
    """
    _resting.append(line)
    if len(_resting) > MOST:
        os.close(_resting.popleft())


def resting() -> int:
    """How many ends rest in this process: open files of the tests, not of what is tested."""
    return len(_resting)
