"""The review's small screens: ask for a reason, for who and why, for leave to forget, and show a text."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Static

Asked = dict[str, str]
"""What was written, by the name of its line."""


class Ask(ModalScreen[Asked | None]):
    """A question with one line to write for each thing asked; None if the person goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "back")]

    def __init__(self, words: str, lines: dict[str, str], needed: dict[str, str]) -> None:
        """Make it.

        Args:
            words: What is asked, and what to mind.
            lines: What stands in each line at first, by its name.
            needed: Lines that may not stay empty, with what to say then.
        """
        super().__init__()
        self._words = words
        self._lines = lines
        self._needed = needed

    def compose(self) -> ComposeResult:
        """The words, a line for each name, and the keys."""
        with Vertical(classes="box"):
            yield Static(self._words, markup=False)
            for name, text in self._lines.items():
                yield Static(f"{name}:", markup=False, classes="name")
                yield Input(text, id=name, select_on_focus=False)
            yield Static("", id="complaint", markup=False)
            yield Static("Enter: go on   Tab: next line   Esc: back", markup=False, classes="keys")

    def on_mount(self) -> None:
        """Begin at the first line that is empty, else at the last."""
        inputs = list(self.query(Input))
        next((one for one in inputs if not one.value), inputs[-1]).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """On the last line be done, if nothing is missing; before it go to the next."""
        inputs = list(self.query(Input))
        if event.input is not inputs[-1]:
            inputs[inputs.index(event.input) + 1].focus()
            return
        for one in inputs:
            complaint = self._needed.get(one.id or "")
            if complaint and not one.value.strip():
                self.query_one("#complaint", Static).update(f"! {complaint}")
                one.focus()
                return
        self.dismiss({one.id or "": " ".join(one.value.split()) for one in inputs})

    def action_back(self) -> None:
        """Leave it."""
        self.dismiss(None)


class Sure(ModalScreen[bool]):
    """A question for yes or no."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "yes"),
        Binding("n,escape", "answer(False)", "no"),
    ]

    def __init__(self, words: str) -> None:
        """Make it.

        Args:
            words: The question.
        """
        super().__init__()
        self._words = words

    def compose(self) -> ComposeResult:
        """The question and its two keys."""
        with Vertical(classes="box"):
            yield Static(self._words, markup=False)
            yield Static("y: yes   n: no", markup=False, classes="keys")

    def action_answer(self, answer: bool) -> None:
        """Be done."""
        self.dismiss(answer)


class Text(ModalScreen[None]):
    """A text to read, made for the width that there is."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,q", "back", "back"),
        Binding("up,k", "scroll(-1)", "up"),
        Binding("down,j", "scroll(1)", "down"),
        Binding("pageup", "scroll(-10)", "up"),
        Binding("pagedown,space", "scroll(10)", "down"),
    ]

    def __init__(self, made: Callable[[int], str]) -> None:
        """Make it.

        Args:
            made: Gives the text for a width, columns.
        """
        super().__init__()
        self._made = made

    def compose(self) -> ComposeResult:
        """The text, and the keys below it."""
        with Vertical(classes="page"):
            with VerticalScroll(can_focus=False):
                yield Static(self._made(self.app.size.width - 2), id="text", markup=False)
            yield Static("Up, Down, PgUp, PgDn: read on   Esc: back", markup=False, classes="keys")

    def action_scroll(self, lines: int) -> None:
        """Read on."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_back(self) -> None:
        """Leave it."""
        self.dismiss(None)
