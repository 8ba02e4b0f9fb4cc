"""What a command cannot do for the person who asked, and the exit code that says so."""

from __future__ import annotations

import copy
from enum import IntEnum
from typing import Self


class ExitCode(IntEnum):
    """What the program's exit code means. A contract with other programs."""

    ANSWERED = 0
    MISUSE = 2
    REFUSED = 3
    LINK_LOST = 4
    INTERRUPTED = 130
    PIPE_CLOSED = 141
    TERMINATED = 143


class CliError(Exception):
    """A command ends here, with one line for the person and an exit code.

    Attributes:
        exit_code: What the program ends with.
    """

    exit_code = ExitCode.MISUSE

    def saying(self, more: str) -> Self:
        """The same error with ``more`` said after it."""
        told = copy.copy(self)
        told.args = (f"{self}; {more}",)
        return told


class MisuseError(CliError):
    """An option's value cannot be used.

    Attributes:
        option: The option as typed, such as ``--corner``.
    """

    def __init__(self, option: str, why: str) -> None:
        super().__init__(f"{option}: {why}")
        self.option = option


class MeasurementRefusedError(CliError):
    """The readings give no end play; the reasons are in the text."""

    exit_code = ExitCode.REFUSED


class GaugeLostError(CliError):
    """The gauge or its link went away in mid measurement; the text says where the trace so far is."""

    exit_code = ExitCode.LINK_LOST


class InterruptedMeasurementError(CliError):
    """Somebody pressed Ctrl-C (or the program was told to end); the text says where the trace so far is."""

    def __init__(self, text: str, exit_code: ExitCode = ExitCode.INTERRUPTED) -> None:
        super().__init__(text)
        self.exit_code = exit_code
