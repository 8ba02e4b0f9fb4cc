"""What can be wrong at the bus: each with its facts, and one line for a person."""

from __future__ import annotations


class BusError(Exception):
    """Base of this package's errors."""


class TopicError(BusError):
    """A name cannot stand in a topic, or a topic is none of ours.

    Attributes:
        value: The name or topic.
    """

    def __init__(self, value: str, why: str) -> None:
        super().__init__(f"{shown(value)} {why}")
        self.value = value


class PayloadError(BusError):
    """A message cannot be read; the text says where and why."""


class SettingsError(BusError):
    """It cannot be tried to reach the broker: a key, a file or a variable has to be put right first.

    Attributes:
        key: Which one: ``url``, ``user``, ``password_file``, ``ca``, ``certificate`` or ``key``.
    """

    def __init__(self, key: str, why: str) -> None:
        super().__init__(why)
        self.key = key


class BrokerLost(BusError):  # noqa: N818 - it is an event, as LinkLost is
    """The broker cannot be reached, does not let us in, or went away; the text says which."""


class NotAllowed(BusError):  # noqa: N818
    """The broker lets us in, but its rules forbid this.

    Attributes:
        topic: What was to be written or read.
    """

    def __init__(self, topic: str, doing: str, why: str) -> None:
        super().__init__(f"the broker forbids {doing} {topic} ({why}): see its rules for this user")
        self.topic = topic


class CommandRefused(BusError):  # noqa: N818
    """A command cannot be done; the text is the answer, one line."""


class BrokerError(BusError):
    """The embedded broker cannot run."""


def shown(text: str, most: int = 60) -> str:
    """A text of somebody else's in quotes: printable, and not too long.

    >>> shown("bay 2")
    '"bay 2"'

    Args:
        text: Any text.
        most: Characters shown.
    """
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return f'"{clean if len(clean) <= most else clean[: most - 3] + "..."}"'
