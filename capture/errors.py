"""What can go wrong from the bytes to end play: one class for each situation handled differently."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


class CaptureError(Exception):
    """Base of every error of this room; its text is one line for a person."""


@dataclass(frozen=True, slots=True)
class ProfileProblem:
    """One mistake in a gauge profile.

    Attributes:
        key: Where it is, such as ``gauge.resolution``; empty for the file as a whole.
        line: Line number from 1; None where it has none.
        text: What is wrong and what to write.
    """

    key: str
    line: int | None
    text: str

    def __str__(self) -> str:
        place = f"line {self.line}: " if self.line is not None else ""
        return f"{place}{self.key}: {self.text}" if self.key else f"{place}{self.text}"


class ProfileError(CaptureError):
    """A gauge profile cannot be used.

    Attributes:
        name: The name or file as given.
        problems: Every mistake that was found, at least one.
    """

    def __init__(self, name: str, problems: tuple[ProfileProblem, ...]) -> None:
        super().__init__(f"profile {name}: " + "; ".join(map(str, problems)))
        self.name = name
        self.problems = problems


class TraceFileError(CaptureError):
    """A trace file cannot be read.

    Attributes:
        path: The file.
        line: Line number from 1; None for the file as a whole.
        why: What is wrong.
    """

    def __init__(self, path: str | Path, line: int | None, why: str) -> None:
        super().__init__(f"{path}: {why}" if line is None else f"{path}, line {line}: {why}")
        self.path = path
        self.line = line
        self.why = why


class LinkError(CaptureError):
    """Bytes cannot be had from a link.

    Attributes:
        url: The link as given.
        why: What is wrong and what to do next.
    """

    def __init__(self, url: str, why: str) -> None:
        super().__init__(f"{url}: {why}")
        self.url = url
        self.why = why


class LinkUsage(LinkError):  # noqa: N818 - the situation is the name
    """The URL or one of its options is wrong; nothing was opened."""


class LinkMissing(LinkError):  # noqa: N818
    """There is no such port, nobody listens there, or the file is not there."""


class LinkDenied(LinkError):  # noqa: N818
    """The port is there, but this user may not open it."""


class LinkBusy(LinkError):  # noqa: N818
    """Another program holds the port."""


class LinkLost(LinkError):  # noqa: N818
    """The link worked and then broke: unplugged, switched off, or the other end closed."""


class BluetoothFault(StrEnum):
    """Why this machine's Bluetooth cannot be used."""

    NO_BUS = "no D-Bus"
    NO_DAEMON = "no Bluetooth service"
    NO_ADAPTER = "no adapter"
    OFF = "switched off"


class BluetoothMissing(LinkError):  # noqa: N818
    """This machine's Bluetooth cannot be used, whatever the gauge.

    Attributes:
        fault: Why.
    """

    def __init__(self, url: str, fault: BluetoothFault, why: str) -> None:
        super().__init__(url, why)
        self.fault = fault
