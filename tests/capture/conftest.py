"""A pseudo-terminal for the tests: the gauge's end of a serial line."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.unplugged import let_rest


class Pty:
    """The gauge's end, and the name of the other one."""

    def __init__(self) -> None:
        self.gauge, line = os.openpty()
        os.set_blocking(self.gauge, False)
        self.name = os.ttyname(line)
        self._line = line
        self._open = True

    def send(self, data: bytes) -> None:
        assert os.write(self.gauge, data) == len(data)

    def unplug(self) -> None:
        if self._open:
            self._open = False
            os.close(self.gauge)
            let_rest(self._line)


@pytest.fixture
def pty() -> Iterator[Pty]:
    """A fresh pseudo-terminal; unplugged at the end if the test has not done so."""
    if not hasattr(os, "openpty"):
        pytest.skip("needs pseudo-terminals: run it on Linux or macOS")
    one = Pty()
    yield one
    one.unplug()
