"""The commands, and what people see of a measurement."""

from __future__ import annotations

import sys
from types import TracebackType


def _quietly(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Ctrl-C while the program is still being loaded, before anything could catch it, is no fault either."""
    if issubclass(kind, KeyboardInterrupt):
        sys.stderr.write("shimwright: stopped with Ctrl-C\n")
    else:
        sys.__excepthook__(kind, error, trace)


if sys.excepthook is sys.__excepthook__:
    sys.excepthook = _quietly
