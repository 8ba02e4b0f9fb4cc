"""The lines that name a screen's keys, made from its bindings so that the two never part."""

from __future__ import annotations

from collections.abc import Iterable

from textual.binding import Binding, BindingType
from textual.events import Resize
from textual.widgets import Static

BETWEEN = "  "


class Keys(Static):
    """The keys of a screen at its foot, in as many lines as they need."""

    DEFAULT_CSS = "Keys { height: 1; dock: bottom; text-style: bold; }"

    def __init__(self, bindings: Iterable[BindingType]) -> None:
        """Make it.

        Args:
            bindings: A screen's.
        """
        super().__init__("", markup=False)
        self._keys = [
            f"{one.key_display or one.key.split(',')[0]} {one.description}"
            for one in bindings
            if isinstance(one, Binding) and one.show
        ]

    def on_resize(self, event: Resize) -> None:
        """Fill the lines anew; a key is never parted from its word."""
        lines = filled(self._keys, event.size.width)
        self.styles.height = len(lines)
        self.update("\n".join(lines))


def filled(words: Iterable[str], columns: int) -> list[str]:
    """Put words into lines of so many columns, whole.

    >>> filled(["u undo", "a accept", "q quit"], 17)
    ['u undo  a accept', 'q quit']
    """
    lines: list[str] = []
    for one in words:
        if lines and len(lines[-1]) + len(BETWEEN) + len(one) <= columns:
            lines[-1] += BETWEEN + one
        else:
            lines.append(one)
    return lines
