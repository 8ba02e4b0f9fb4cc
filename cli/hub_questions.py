"""The questions of ``shimwright hub new``, in order, and the asking of them one at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from io import TextIOWrapper
from textwrap import fill

from calc.hub_rules import Aim, Effect, LineUp
from calc.hub_text import (
    Answer,
    check_answer,
    number_of,
    one_typed,
    sizes_of,
    whole_of,
    words_typed,
)
from calc.toml_table import Wrong
from calc.units import Unit
from cli.errors import CliError, ExitCode, MisuseError
from cli.screen import USUAL_WIDTH, put


class LeftError(CliError):
    """The person left before the last question."""

    exit_code = ExitCode.INTERRUPTED


BACK = "<"
"""Typed alone, it goes back to the question before."""

Typed = Callable[[str, str], dict[str, Answer]]
"""Reads what was typed, in a file of this unit, into answers by key."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes:
        option: The option that answers it: ``--least``.
        ask: The question.
        read: Reads the answer.
        keys: The keys that it may answer.
        needed: Whether an empty answer is refused; otherwise it means: not stated.
        after: The key without whose answer it makes no sense; empty for none.
        many: Whether it is asked again until an empty answer.
    """

    option: str
    ask: str
    read: Typed
    keys: tuple[str, ...]
    needed: bool = False
    after: str = ""
    many: bool = False


def _text(key: str) -> Typed:
    return lambda text, _unit: {key: words_typed(text)}


def _list(key: str) -> Typed:
    return lambda text, _unit: {key: [words_typed(text)]}


def _length(key: str) -> Typed:
    return lambda text, unit: {key: number_of(text, unit)}


def _whole(key: str) -> Typed:
    return lambda text, _unit: {key: whole_of(text)}


def _unit(text: str, _unit: str) -> dict[str, Answer]:
    known = {"inch": "in", "inches": "in", '"': "in", "millimetres": "mm", "millimeters": "mm"}
    return {"unit": one_typed(known.get(text.strip().casefold(), text), Unit)}


def _effect(text: str, _unit: str) -> dict[str, Answer]:
    return {"shim.effect": one_typed(text, Effect)}


def _aim(text: str, _unit: str) -> dict[str, Answer]:
    return {"shim.aim": one_typed(text, Aim)}


def _line_up(text: str, _unit: str) -> dict[str, Answer]:
    return {"nut.line_up": one_typed(text, LineUp)}


def _sizes(text: str, unit: str) -> dict[str, Answer]:
    return {"shim.sizes": sizes_of(text, unit)}


def _thread(text: str, unit: str) -> dict[str, Answer]:
    bare = text.strip().casefold()
    for name in ("threads per inch", "tpi"):
        if bare.endswith(name):
            return {"nut.threads_per_inch": number_of(bare.removesuffix(name), unit)}
    return {"nut.thread_pitch": number_of(text, unit)}


SOURCE = "source"
"""Stands among the answers though it is no key: where the figures come from."""

QUESTIONS = (
    Question(
        "--source",
        "Where do the figures come from? (the maker's literature: title, page, date)",
        _text(SOURCE),
        (SOURCE,),
    ),
    Question("--title", "What is this hub called?", _text("title"), ("title",), needed=True),
    Question("--unit", "In which unit does the literature give lengths: mm or in?", _unit, ("unit",), True),
    Question(
        "--least", "Least end play allowed?", _length("end_play.least"), ("end_play.least",), needed=True
    ),
    Question("--most", "Most end play allowed?", _length("end_play.most"), ("end_play.most",), needed=True),
    Question(
        "--effect",
        "If a shim sets the end play: what does a thicker one do, opens (more end play) or closes (less)? "
        "(empty: no shim, the nut sets it)",
        _effect,
        ("shim.effect",),
    ),
    Question(
        "--sizes",
        "Which shims are there? (such as 2.40 to 3.75 step 0.05, or each with a blank between)",
        _sizes,
        ("shim.sizes",),
        needed=True,
        after="shim.effect",
    ),
    Question(
        "--trial",
        "Which of them is the trial shim, for new bearings or a new spindle?",
        _length("shim.trial"),
        ("shim.trial",),
        after="shim.effect",
    ),
    Question(
        "--aim",
        "Which of the shims that fit: tightest, middle or surest? (empty: tightest)",
        _aim,
        ("shim.aim",),
        after="shim.effect",
    ),
    Question(
        "--most-in-pack",
        "How many shims may lie on one another? (empty: one)",
        _whole("shim.most_in_pack"),
        ("shim.most_in_pack",),
        after="shim.effect",
    ),
    Question(
        "--bin",
        "What is this kind of shim called in the stock? (empty: as the hub)",
        _text("shim.bin"),
        ("shim.bin",),
        after="shim.effect",
    ),
    Question(
        "--torque",
        "Torque of the spindle nut, with its unit? (such as 135 N·m or 100 lb·ft)",
        _text("nut.torque"),
        ("nut.torque",),
    ),
    Question(
        "--tolerance",
        "Plus or minus how much, with its unit?",
        _text("nut.tolerance"),
        ("nut.tolerance",),
        after="nut.torque",
    ),
    Question(
        "--most-torque",
        "Torque not to exceed while the cotter pin is lined up, with its unit?",
        _text("nut.most"),
        ("nut.most",),
        after="nut.torque",
    ),
    Question("--slots", "Slots of the castle nut?", _whole("nut.slots"), ("nut.slots",), after="nut.torque"),
    Question(
        "--pin-holes",
        "Cotter pin holes through the spindle? (one right through it is 1)",
        _whole("nut.pin_holes"),
        ("nut.pin_holes",),
        after="nut.torque",
    ),
    Question(
        "--line-up",
        "Which way does the nut go on to line up the pin: tighten or back off?",
        _line_up,
        ("nut.line_up",),
        after="nut.torque",
    ),
    Question(
        "--thread",
        "Thread of the nut: from thread to thread, or threads per inch? (such as 1.5, or 16 tpi)",
        _thread,
        ("nut.thread_pitch", "nut.threads_per_inch"),
        after="nut.torque",
    ),
    Question(
        "--washer", "Which washer is under the nut?", _text("nut.washer"), ("nut.washer",), after="nut.torque"
    ),
    Question("--outer-seal", "Which way does the outer seal face?", _text("seals.outer"), ("seals.outer",)),
    Question("--inner-seal", "Which way does the inner seal face?", _text("seals.inner"), ("seals.inner",)),
    Question("--lubricant", "Which grease or oil, and where?", _text("lubricant"), ("lubricant",)),
    Question("--fit", "How do spindle and bearings fit? (such as: pressed)", _text("fit"), ("fit",)),
    Question(
        "--caution",
        "A caution to show before the work? (asked again until empty)",
        _list("cautions"),
        ("cautions",),
        many=True,
    ),
)


@dataclass(slots=True)
class Asking:
    """Asks what the options leave open.

    Attributes:
        given: What the options say, by option.
        asked: Whether the rest is asked; otherwise it is not stated.
        on_title: Called with the title as soon as it is known; it may raise.
        answers: What is known so far, by key.
    """

    given: Mapping[str, list[str]]
    asked: bool
    on_title: Callable[[str], None]
    answers: dict[str, Answer] = field(default_factory=dict)

    def run(self) -> dict[str, Answer]:
        """Go through the questions.

        Raises:
            MisuseError: If an option's value cannot be used, or is missing where nothing is asked.
            CliError: If the input ends before the last question.
            LeftError: At Ctrl-C.
        """
        if isinstance(sys.stdin, TextIOWrapper):  # what is no text is refused line by line, not all at once
            sys.stdin.reconfigure(errors="surrogateescape")
        try:
            return self._run()
        except KeyboardInterrupt:
            put("", sys.stderr)
            raise LeftError("stopped with Ctrl-C, nothing was written") from None

    def _run(self) -> dict[str, Answer]:
        at, way = 0, 1
        while at < len(QUESTIONS):
            question = QUESTIONS[at]
            for key in question.keys:
                self.answers.pop(key, None)
            way = self._settle(question, way)
            at = max(0, at + way)
            if at == 0:
                way = 1
        return self.answers

    def _settle(self, question: Question, way: int) -> int:
        """Have a question answered; return 1 to go on, -1 to go back."""
        texts = self.given.get(question.option, [])
        if question.after and question.after not in self.answers:
            if texts:
                opener = next(q.option for q in QUESTIONS if question.after in q.keys)
                raise MisuseError(question.option, f"makes no sense without {opener}: give that too")
            return way
        if texts:
            for text in texts:
                if wrong := self._take(question, text):
                    raise MisuseError(question.option, wrong)
            return way if way < 0 else self._known(question)
        if not self.asked:
            if question.needed:
                raise MisuseError(question.option, "missing: with --no-input it must be given")
            return 1
        return self._ask(question)

    def _ask(self, question: Question) -> int:
        may = "" if question.needed or "empty" in question.ask else " [may be left empty]"
        put(fill(question.ask + may, USUAL_WIDTH), sys.stderr)
        while True:
            line = _line(question)
            if line == BACK:
                return -1
            if not line:
                if question.needed:
                    put("  No: this one is needed; Ctrl-C leaves without a file", sys.stderr)
                    continue
                return 1
            if wrong := self._take(question, line):
                put(
                    fill(f"No: {wrong}", USUAL_WIDTH, initial_indent="  ", subsequent_indent="  "), sys.stderr
                )
            elif not question.many:
                return self._known(question)

    def _known(self, question: Question) -> int:
        if "title" in question.keys:
            self.on_title(str(self.answers["title"]))
        return 1

    def _take(self, question: Question, text: str) -> str:
        """Take an answer in; return what is wrong with it, empty when nothing is."""
        try:
            read = question.read(text, str(self.answers.get("unit", "mm")))
        except Wrong as err:
            return str(err)
        for key, answer in read.items():
            before = self.answers.get(key)
            whole = [*before, *answer] if isinstance(before, list) and isinstance(answer, list) else answer
            if key == SOURCE:
                problems = [] if answer else ["is empty: write some text"]
            else:
                known = {name: value for name, value in self.answers.items() if name != SOURCE}
                problems = check_answer(known, key, whole)
            if problems:
                return "; ".join(problems)
            self.answers[key] = whole
        return ""


def _line(question: Question) -> str:
    sys.stderr.write("> ")
    sys.stderr.flush()
    line = "" if sys.stdin is None else sys.stdin.readline()
    if not line:
        put("", sys.stderr)
        raise CliError(
            f"the input ended at the question of {question.option}, nothing was written: answer all of them, "
            "or give the answers as options with --no-input"
        )
    return line.strip()
