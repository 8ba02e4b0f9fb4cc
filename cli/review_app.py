"""The interactive review: a list of measurements, and a screen for the one that is looked at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import App
from textual.binding import Binding, BindingType
from textual.screen import Screen

from cli.errors import CliError
from cli.redoing import redo
from cli.review_ask import Sure
from cli.review_case import Case
from cli.review_list import ListScreen
from cli.review_screen import FORGET, TraceScreen
from joblog.errors import LogError
from joblog.fetch import load_measurement
from joblog.reviews import list_reviews

if TYPE_CHECKING:
    from textual.driver import Driver

    from joblog.reader import Found


def case_of(log: Path, measurement_id: str) -> Case:
    """Take a measurement out of the log to review it; a long trace takes its time.

    Args:
        log: The log.
        measurement_id: Its id, or the beginning of it.

    Raises:
        LogError: If it is not there or cannot be read.
    """
    m = load_measurement(log, measurement_id)
    return Case(m, redo(m) if len(m.trace) else None, list_reviews(log, m.id))


def driver_for(*, drawn: bool) -> type[Driver] | None:
    """What writes to the terminal: the usual one, or one that lets nothing but ASCII through."""
    if drawn:
        return None
    usual: type[Driver] = App().get_driver_class()

    class AsciiDriver(usual):  # type: ignore[misc, valid-type]
        """Writes ``?`` for what slipped through."""

        def write(self, data: str) -> None:
            """Write to the terminal."""
            super().write(data.encode("ascii", "replace").decode("ascii"))

    return AsciiDriver


class ReviewApp(App[None]):
    """The list at first, or one measurement at once."""

    ENABLE_COMMAND_PALETTE = False
    TITLE = "shimwright review"
    CSS = """
    * { scrollbar-size: 0 0; }
    Screen { background: $background; }
    ListScreen #rows { height: 1fr; }
    ListScreen #foot, TraceScreen Static { height: auto; }
    TraceScreen #trace { height: 1fr; min-height: 5; }
    TraceScreen #title, TraceScreen #status, .keys, .name { text-style: bold; }
    TraceScreen #title, TraceScreen #stroke { height: 1; }
    TraceScreen #behind { max-height: 4; }
    .keys { height: auto; }
    ModalScreen { align: center middle; }
    .box { width: 90%; max-width: 76; height: auto; padding: 1 2; background: $surface; }
    .box .keys { margin-top: 1; }
    .page VerticalScroll { height: 1fr; }
    .box Input { border: none; height: 1; padding: 0; background: $panel; }
    .box Input:focus { border: none; }
    .box .name { margin-top: 1; }
    .page { width: 100%; height: 100%; background: $background; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+q", "leave", "quit", show=False, priority=True),
        Binding("ctrl+c", "leave", "quit", show=False, priority=True),
    ]

    def __init__(
        self, log: Path, found: Found, case: Case | None, who: str = "", *, drawn: bool = True
    ) -> None:
        """Make it.

        Args:
            log: The log; it is read, and reviews are put into it.
            found: The measurements to choose from.
            case: What to look at first; None for the list.
            who: Who reviews.
            drawn: Whether letters beyond ASCII can be shown.
        """
        super().__init__(driver_class=driver_for(drawn=drawn))
        self.log_path = log
        self.who = who
        self.drawn = drawn
        self.measurements = ListScreen(found, drawn=drawn)
        self._first = case

    def get_default_screen(self) -> Screen[None]:
        """The list."""
        return self.measurements

    def on_mount(self) -> None:
        """Look at one at once if it was named."""
        if self._first is not None:
            self._look_at(self._first)

    def on_list_screen_chosen(self, message: ListScreen.Chosen) -> None:
        """Fetch the chosen measurement."""
        self.fetch(message.measurement_id)

    @work(thread=True, exclusive=True, group="fetch")
    def fetch(self, measurement_id: str) -> None:
        """Read a measurement, beside the keys."""
        try:
            case = case_of(self.log_path, measurement_id)
        except (LogError, CliError, OSError) as error:
            self.call_from_thread(self.measurements.say, str(error))
            return
        self.call_from_thread(self._look_at, case)

    def _look_at(self, case: Case) -> None:
        if self.screen is self.measurements:
            self.push_screen(TraceScreen(case, self.log_path, self.who, drawn=self.drawn))

    def on_trace_screen_kept(self, message: TraceScreen.Kept) -> None:
        """The list shows that there is a review."""
        self.measurements.reviewed(message.measurement_id)

    def action_leave(self) -> None:
        """Leave the program; ask first if something would be forgotten."""
        if isinstance(self.screen, Sure):
            self.exit()  # asked for a second time
            return
        unsaved = any(isinstance(one, TraceScreen) and one.case.unsaved for one in self.screen_stack)
        if unsaved:
            self.push_screen(Sure(FORGET), self._leave)
        else:
            self.exit()

    def _leave(self, sure: bool | None) -> None:
        if sure:
            self.exit()
