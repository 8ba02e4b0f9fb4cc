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
