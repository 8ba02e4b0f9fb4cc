"""The review's screen of one measurement: trace, strokes, the numbers as recorded and as they are now."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Static

from cli.errors import CliError
from cli.outcome import number_text
from cli.redoing import limits_of
from cli.report import recorded_lines
from cli.review_ask import Ask, Asked, Sure, Text
from cli.review_keys import Keys
from cli.review_ruler import ruler_lines
from cli.review_trace import Canvas, Window, draw_trace, legend, whole_of
from cli.review_words import behind_lines, number_lines, stroke_line, title
from cli.screen import Screen as Paper
from cli.screen import plain
from cli.trace_redo import CHOSEN
from cli.trace_show import budget_table, review_lines
from joblog.errors import LogError
from joblog.reviews import add_review
from joblog.store import Store

if TYPE_CHECKING:
    from cli.redoing import Redone
    from cli.review_case import Case
    from cli.stroke_list import Stroke
    from joblog.reviews import Review

ZOOM = 0.5
PAN = 0.25

TALL = 30
"""On a screen of so many rows nothing has to give way."""

STILL = "Still working: press the key again in a moment."

EMPTY_WHY = "A reason is needed: say what was seen at the hub."


class TraceScreen(Screen[None]):
    """One measurement under review."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left,h", "pan(-1)", "pan", key_display="Left/Right"),
        Binding("right,l", "pan(1)", "", show=False),
        Binding("plus,equals_sign", "zoom(1)", "zoom", key_display="+/-"),
        Binding("minus", "zoom(-1)", "", show=False),
        Binding("0", "whole", "whole"),
        Binding("down,n", "choose(1)", "stroke", key_display="Up/Down"),
        Binding("up,p", "choose(-1)", "", show=False),
        Binding("x", "strike", "strike out/back"),
        Binding("u", "undo", "undo"),
        Binding("a", "keep(True)", "accept"),
        Binding("k", "keep(False)", "keep"),
        Binding("r", "reviews", "reviews"),
        Binding("i", "details", "details"),
        Binding("escape", "back", "list", key_display="Esc"),
        Binding("q", "app.leave", "quit"),
    ]

    class Kept(Message):
        """A review is in the log."""

        def __init__(self, measurement_id: str) -> None:
            """Make it.

            Args:
                measurement_id: Of which measurement.
            """
            super().__init__()
            self.measurement_id = measurement_id

    def __init__(self, case: Case, log: Path, who: str, *, drawn: bool) -> None:
        """Make it.

        Args:
            case: The measurement under review.
            log: The log that reviews go to.
            who: Who reviews, as far as known.
            drawn: Whether letters beyond ASCII can be shown.
        """
        super().__init__()
        self.case = case
        self.log_path = log
        self.who = who
        self.drawn = drawn
        readings = len(case.measurement.trace) > 0
        self.whole = whole_of(case.measurement.trace) if readings else Window(0.0, 1.0)
        self.window = self.whole
        self.chosen = 1 if len(case.strokes) > 1 else 0
        self.saving = False

    def compose(self) -> ComposeResult:
        """From the top: which one, the trace, the chosen stroke, the numbers, the ruler, the keys."""
        yield Static("", id="title", markup=False)
        yield Static("", id="trace", markup=False)
        for name in ("legend", "status", "stroke", "numbers", "behind", "ruler"):
            yield Static("", id=name, markup=False)
        yield Keys(self.BINDINGS)

    def on_resize(self) -> None:
        """Draw for the room that there is now."""
        self.say("")
        self.draw()

    def draw(self) -> None:
        """Bring all that is on the screen up to date."""
        case, m = self.case, self.case.measurement
        strokes = case.strokes
        self._put("title", title(m))
        self._put("legend", legend(strokes, slipped=case.slip is not None, drawn=self.drawn))
        self._put("stroke", "> " + stroke_line(self._stroke(), case))
        self._put("numbers", "\n".join(number_lines(case)))
        self._put("behind", "\n".join(behind_lines(case)))
        self._put("ruler", "\n".join(self._ruler()))
        self.call_after_refresh(self._draw_trace)  # what is below it takes its room first

    def _draw_trace(self) -> None:
        m = self.case.measurement
        area = self.query_one("#trace", Static)
        if not len(m.trace):
            area.update("No readings.")
        elif area.size.height:
            canvas = Canvas(area.size.width, area.size.height, self.drawn)
            lines = draw_trace(
                m.trace,
                self.case.strokes,
                self.window,
                canvas,
                unit=m.unit,
                chosen=self.chosen,
                slip=self.case.slip,
            )
            area.update("\n".join(lines))

    def _ruler(self) -> list[str]:
        case, m = self.case, self.case.measurement
        found = {"recorded": m.analysis}
        if case.redone is not None:
            found["now"] = case.redone.analysis
        limits, _ = limits_of(m)
        lines = ruler_lines(found, limits, m.unit, self.size.width - 1, drawn=self.drawn)
        return lines if self.size.height >= TALL else lines[:-2] + lines[-1:]  # without its line

    def _put(self, name: str, text: str) -> None:
        self.query_one(f"#{name}", Static).update(text if self.drawn else plain(text))

    def say(self, text: str) -> None:
        """One line to the person, until the next key that changes something."""
        self._put("status", text)
        self.query_one("#status").display = bool(text)
        self.query_one("#legend").display = not text or self.size.height >= TALL
        self.call_after_refresh(self._draw_trace)

    def _stroke(self) -> Stroke | None:
        strokes = self.case.strokes
        return strokes[self.chosen] if self.chosen < len(strokes) else None

    def action_pan(self, way: int) -> None:
        """Look at what is earlier or later."""
        self.window = self.window.moved(way * PAN, self.whole)
        self._draw_trace()

    def action_zoom(self, way: int) -> None:
        """Look closer at the chosen stroke, or from further away."""
        stroke = self._stroke()
        middle = 0.5 * (self.window.from_s + self.window.to_s)
        seen = stroke is not None and self.window.from_s <= stroke.middle_s <= self.window.to_s
        at_s = stroke.middle_s if stroke is not None and seen else middle
        self.window = self.window.zoomed(ZOOM if way > 0 else 1 / ZOOM, at_s, self.whole)
        self._draw_trace()

    def action_whole(self) -> None:
        """Look at all of it."""
        self.window = self.whole
        self._draw_trace()

    def action_choose(self, way: int) -> None:
        """Choose the next or the last stroke, and bring it into sight."""
        strokes = self.case.strokes
        if strokes:
            self.chosen = max(0, min(len(strokes) - 1, self.chosen + way))
            self.window = self.window.showing(strokes[self.chosen].middle_s, self.whole)
            self.say("")
            self.draw()

    def action_strike(self) -> None:
        """Strike the chosen stroke out, for a reason, or let it count again."""
        stroke = self._stroke()
        if self.saving:
            self.say(STILL)
        elif stroke is None:
            self.say("There is no stroke to strike out.")
        elif self.chosen in self.case.struck:
            self.case.restore(self.chosen)
            self._changed(f"Stroke {self.chosen} counts again.")
        else:
            words = f"Strike out stroke {self.chosen}. What was wrong with it?\n\n{CHOSEN}"
            self.app.push_screen(Ask(words, {"why": ""}, {"why": EMPTY_WHY}), self._strike)

    def _strike(self, asked: Asked | None) -> None:
        if asked is not None:
            self.case.strike(self.chosen, asked["why"])
            self._changed(f"Stroke {self.chosen} is struck out: u takes it back, a accepts what comes out.")

    def action_undo(self) -> None:
        """Take the last change back."""
        if self.saving:
            self.say(STILL)
        elif self.case.undo():
            self._changed("Taken back.")
        else:
            self.say("There is nothing to take back.")

    def _changed(self, said: str) -> None:
        self.say(said)
        self.draw()
        self.analyse()

    @work(thread=True, exclusive=True, group="analysis")
    def analyse(self) -> None:
        """Work out what comes out now, beside the keys."""
        try:
            redone = self.case.analysed()
        except CliError as error:
            self.app.call_from_thread(self.say, str(error))
            return
        self.app.call_from_thread(self._analysed, redone)

    def _analysed(self, redone: Redone | None) -> None:
        if self.case.take(redone):
            self.draw()

    def action_keep(self, accepted: bool) -> None:
        """Put what comes out into the log as a review."""
        case = self.case
        if case.redone is None:
            self.say("There are no readings to review.")
        elif self.saving or not case.up_to_date:
            self.say(STILL)
        elif accepted and not case.redone.analysis["usable"]:
            self.say("There is no end play to accept; k keeps what was found without accepting it.")
        else:
            self.app.push_screen(
                Ask(self._question(accepted), self._lines(), self._needed()), self._keeper(accepted)
            )

    def _question(self, accepted: bool) -> str:
        case = self.case
        analysis = case.redone.analysis if case.redone else {"usable": False}
        number = number_text(analysis, case.measurement.unit) if analysis["usable"] else "no end play"
        what = "Accept" if accepted else "Keep, without accepting it,"
        text = (
            f"{what} {number}, as a review beside the measurement?\nThe measurement itself is never changed."
        )
        return text if self.drawn else plain(text)

    def _lines(self) -> dict[str, str]:
        return {"who": self.who, "why": self.case.why}

    def _needed(self) -> dict[str, str]:
        return {"who": "Say who reviews it.", "why": "Say why: it is read again in a year."}

    def _keeper(self, accepted: bool) -> Callable[[Asked | None], None]:
        def keep(asked: Asked | None) -> None:
            if asked is None:
                return
            self.who = asked["who"]
            self.saving = True
            self.save(accepted, asked["why"])

        return keep

    @work(thread=True, group="saving")
    def save(self, accepted: bool, why: str) -> None:
        """Put what comes out into the log as a review, beside the keys; nothing is struck out meanwhile."""
        try:
            review = self.case.review(accepted=accepted, why=why, who=self.who)
            with Store.open(self.log_path) as store:
                add_review(store, review)
        except (LogError, CliError, OSError) as error:
            self.app.call_from_thread(self._saved, None, f"NOT KEPT: {error}")
            return
        what = "Accepted" if review.accepted else "Kept"
        said = f"{what} as review {review.id[:8]}. The measurement itself stays as it was recorded."
        self.app.call_from_thread(self._saved, review, said)

    def _saved(self, review: Review | None, said: str) -> None:
        self.saving = False
        if review is not None:
            self.case.kept(review)
            self.post_message(self.Kept(review.measurement_id))
        self.say(said)

    def action_reviews(self) -> None:
        """Show the reviews that were kept."""
        lines = review_lines(self.case.reviews, self.case.measurement.unit) or [
            "No review of it was kept yet."
        ]
        self.app.push_screen(Text(lambda _columns: self._readable(lines)))

    def action_details(self) -> None:
        """Show all that was recorded."""
        m = self.case.measurement

        def made(columns: int) -> str:
            paper = Paper(width=max(60, min(120, columns)), drawn=self.drawn)
            return self._readable([*recorded_lines(m, paper), *budget_table(m.analysis, m.unit)])

        self.app.push_screen(Text(made))

    def _readable(self, lines: list[str]) -> str:
        text = "\n".join(lines).strip("\n")
        return text if self.drawn else plain(text)

    def action_back(self) -> None:
        """Go back to the list; ask first if something would be forgotten."""
        if self.case.unsaved:
            self.app.push_screen(Sure(FORGET), self._go_back)
        else:
            self._go_back(True)

    def _go_back(self, sure: bool | None) -> None:
        if sure:
            self.dismiss(None)


FORGET = "What is struck out is not kept in the log. Forget it?"
