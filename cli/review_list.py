"""The review's list of measurements."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Static

from cli.review_keys import Keys
from cli.screen import plain
from cli.trace_list import footer_lines, table_rows

if TYPE_CHECKING:
    from joblog.reader import Found, Listed


class ListScreen(Screen[None]):
    """The measurements that were asked for, the last recorded at the foot, one of them chosen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "move(-1)", "up", key_display="Up"),
        Binding("down,j", "move(1)", "down", key_display="Down"),
        Binding("pageup", "page(-1)", "", show=False),
        Binding("pagedown", "page(1)", "", show=False),
        Binding("home", "end(0)", "first", key_display="Home"),
        Binding("end", "end(-1)", "last", key_display="End"),
        Binding("enter", "open", "look at it", key_display="Enter"),
        Binding("q,escape", "app.leave", "quit", key_display="q"),
    ]

    class Chosen(Message):
        """A measurement is to be looked at."""

        def __init__(self, measurement_id: str) -> None:
            """Make it.

            Args:
                measurement_id: Which one.
            """
            super().__init__()
            self.measurement_id = measurement_id

    def __init__(self, found: Found, *, drawn: bool) -> None:
        """Make it.

        Args:
            found: What the search gave.
            drawn: Whether letters beyond ASCII can be shown.
        """
        super().__init__()
        self._found = found
        self._drawn = drawn
        self.at = max(0, len(found.listed) - 1)
        self._top = 0

    @property
    def listed(self) -> list[Listed]:
        """The measurements."""
        return self._found.listed

    def compose(self) -> ComposeResult:
        """Headings and rows, the foot, the keys."""
        yield Static("", id="rows", markup=False)
        yield Static("", id="foot", markup=False)
        yield Keys(self.BINDINGS)

    def on_resize(self) -> None:
        """Draw for the room that there is now."""
        self.draw()

    def reviewed(self, measurement_id: str) -> None:
        """Mark a measurement: there is one more review of it."""
        self._found = self._found._replace(
            listed=[
                one._replace(reviews=one.reviews + 1) if one.id == measurement_id else one
                for one in self.listed
            ]
        )
        self.draw()

    def draw(self) -> None:
        """Show the rows around the chosen one."""
        foot = footer_lines(self._found, "name filters, such as --vehicle or --since, to see others")
        if not self.listed:
            foot = ["No measurements: nothing in this log is as asked for."]
        self.query_one("#foot", Static).update(self._shown("\n".join(foot)))
        room = max(1, self.size.height - len(foot) - 3)
        self._top = max(min(self._top, self.at), self.at - room + 1, 0)
        shown = self.listed[self._top : self._top + room]
        rows = table_rows(shown, self.size.width - 2)
        marked = [
            ("> " if number == self.at - self._top else "  ") + row for number, row in enumerate(rows[1:])
        ]
        lines = ["  " + rows[0], *marked] if rows else []
        cut = [self._shown(line)[: self.size.width] for line in lines]  # some are longer in plain letters
        self.query_one("#rows", Static).update("\n".join(cut))

    def say(self, text: str) -> None:
        """One line to the person, until the next key."""
        self.query_one("#foot", Static).update(self._shown(text))

    def _shown(self, text: str) -> str:
        return text if self._drawn else plain(text)

    def action_move(self, by: int) -> None:
        """Choose another one."""
        self.at = max(0, min(len(self.listed) - 1, self.at + by))
        self.draw()

    def action_page(self, way: int) -> None:
        """Choose one a screen further."""
        self.action_move(way * max(1, self.size.height - 6))

    def action_end(self, at: int) -> None:
        """Choose the first or the last."""
        self.at = max(0, len(self.listed) - 1) if at else 0
        self.draw()

    def action_open(self) -> None:
        """Look at the chosen one."""
        if self.listed:
            self.post_message(self.Chosen(self.listed[self.at].id))
