"""A window of a trace drawn with letters: readings as dots, rests as lines, strokes by number.

Two by four dots to a letter where the terminal shows them, plain letters elsewhere; no colour tells anything.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calc.units import Unit, format_length
from cli.chart import HALF, PULL, PUSH, STRUCK, mark_of

if TYPE_CHECKING:
    from capture.end_play import Slip
    from capture.readings import Trace
    from cli.stroke_list import Stroke

LEAST_SPAN_S = 0.2
"""No window is shorter, seconds."""

LEAST_ROOM_MM = 0.004
"""Nor lower than this, millimetres: readings that stand still are a flat line."""

GUTTER = 10
"""Columns left of the picture, for the readings."""

_ASCII = str.maketrans(PULL + PUSH + HALF + STRUCK + "━│─┼┤", "^vox=|-++")

WORDS = {
    PULL: "rest, out",
    PUSH: "rest, in",
    HALF: "half stroke or set aside",
    STRUCK: "STRUCK OUT",
}
"""What the mark of a rest means."""


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a trace that is looked at.

    Attributes:
        from_s: Its begin, seconds.
        to_s: Its end, seconds, later.
    """

    from_s: float
    to_s: float

    @property
    def span_s(self) -> float:
        """How long it is, seconds."""
        return self.to_s - self.from_s

    def zoomed(self, factor: float, at_s: float, whole: Window) -> Window:
        """The window ``factor`` times as long, with ``at_s`` in its middle, inside ``whole``."""
        span = min(whole.span_s, max(min(LEAST_SPAN_S, whole.span_s), self.span_s * factor))
        return Window(at_s - span / 2, at_s + span / 2).kept_in(whole)

    def moved(self, part: float, whole: Window) -> Window:
        """The window moved by a part of its length, later if above 0, inside ``whole``."""
        by = part * self.span_s
        return Window(self.from_s + by, self.to_s + by).kept_in(whole)

    def showing(self, at_s: float, whole: Window) -> Window:
        """The same window where it shows ``at_s``; else as long a one with it in its middle."""
        room = 0.05 * self.span_s
        if self.from_s + room <= at_s <= self.to_s - room:
            return self
        return self.zoomed(1.0, at_s, whole)

    def kept_in(self, whole: Window) -> Window:
        """The window moved into ``whole``, which is at least as long."""
        by = max(0.0, whole.from_s - self.from_s) - max(0.0, self.to_s - whole.to_s)
        return replace(self, from_s=self.from_s + by, to_s=self.to_s + by)


def whole_of(trace: Trace) -> Window:
    """The window that shows all of a trace, from its first reading to its last."""
    first, last = float(trace.times_s[0]), float(trace.times_s[-1])
    return Window(first, max(last, first + LEAST_SPAN_S))


@dataclass(frozen=True, slots=True)
class Canvas:
    """What to draw on.

    Attributes:
        columns: Its width, letters.
        rows: Its height, letters, two of which are the axis.
        drawn: Whether letters beyond ASCII can be shown.
    """

    columns: int
    rows: int
    drawn: bool = True


Values = np.ndarray[tuple[int], np.dtype[np.float64]]


def draw_trace(
    trace: Trace,
    strokes: Sequence[Stroke],
    window: Window,
    canvas: Canvas,
    *,
    unit: Unit,
    chosen: int | None = None,
    slip: Slip | None = None,
) -> list[str]:
    """Draw a window of a trace.

    Args:
        trace: The readings.
        strokes: Its strokes, numbered.
        window: Which part of it.
        canvas: What to draw on.
        unit: Unit of the readings' axis.
        chosen: Number of the stroke that stands in brackets.
        slip: Where the base slipped.

    Returns:
        ``canvas.rows`` lines, none wider than ``canvas.columns``.
    """
    columns, rows = max(8, canvas.columns - GUTTER), max(3, canvas.rows - 2)
    times, values = trace.times_s, trace.readings_mm
    seen = (times >= window.from_s) & (times <= window.to_s)
    low, high = _heights(values[seen], rows)
    sheet = _Sheet(window, low, high, columns, rows)
    cells = sheet.dots(times[seen], values[seen], drawn=canvas.drawn)
    if slip is not None:
        column = sheet.column(0.5 * (slip.after_s + slip.before_s))
        if column is not None:
            for row in cells:
                row[column] = "│"
            _write(cells[0], "slip", column + 1)
    for stroke in strokes:
        _rest(cells, sheet, stroke)
    for stroke in sorted(strokes, key=lambda one: one.number != chosen):  # the chosen one has first pick
        _number(cells, sheet, stroke, chosen=stroke.number == chosen)
    lines = ["".join(row) for row in cells]
    lines = [f"{text:>{GUTTER - 2}} ┤{line}" for text, line in zip(sheet.heights(unit), lines, strict=True)]
    lines += sheet.axis(float(times[0]))
    if not canvas.drawn:
        lines = [line.translate(_ASCII) for line in lines]
    return [line[: canvas.columns].rstrip() for line in lines]


def legend(strokes: Sequence[Stroke], *, slipped: bool, drawn: bool) -> str:
    """What the marks mean that are there, in one line."""
    marks = {mark_of(stroke) for stroke in strokes}
    told = [f"{mark} {text}" for mark, text in WORDS.items() if mark in marks]
    if slipped:
        told.append("│ the base slipped")
    line = "   ".join(told)
    return line if drawn else line.translate(_ASCII)


def _heights(values: Values, rows: int) -> tuple[float, float]:
    """The lowest and the highest reading that the picture has room for, millimetres."""
    if not len(values):
        return 0.0, LEAST_ROOM_MM
    low, high = float(values.min()), float(values.max())
    room = max(0.0, LEAST_ROOM_MM - (high - low)) / 2
    rim = 1.2 * (high - low + 2 * room) / max(1, rows - 3)  # a row above and below for the numbers
    return low - room - rim, high + room + rim


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Where times and readings fall in a picture of letters."""

    window: Window
    low_mm: float
    high_mm: float
    columns: int
    rows: int

    def column(self, at_s: float) -> int | None:
        """The column of a time; None where it is not in the window."""
        part = (at_s - self.window.from_s) / self.window.span_s
        return min(self.columns - 1, int(part * self.columns)) if 0 <= part <= 1 else None

    def row(self, reading_mm: float) -> int:
        """The row of a reading, from the top."""
        part = (self.high_mm - reading_mm) / (self.high_mm - self.low_mm)
        return min(self.rows - 1, max(0, int(part * self.rows)))

    def dots(self, times: Values, values: Values, *, drawn: bool) -> list[list[str]]:
        """The readings: braille has two by four dots to a letter, whose bits stand in Unicode's order."""
        wide, high = (2, 4) if drawn else (1, 1)
        x = (times - self.window.from_s) / self.window.span_s * self.columns * wide
        y = (self.high_mm - values) / (self.high_mm - self.low_mm) * self.rows * high
        across = np.clip(x.astype(np.int64), 0, self.columns * wide - 1)
        down = np.clip(y.astype(np.int64), 0, self.rows * high - 1)
        bits = np.zeros((self.rows, self.columns), dtype=np.int64)
        which = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
        np.bitwise_or.at(bits, (down // high, across // wide), which[down % high, across % wide])
        return [[_letter(bit, drawn=drawn) for bit in row] for row in bits.tolist()]

    def heights(self, unit: Unit) -> list[str]:
        """What stands left of each row: the reading in its middle, on every third."""
        step = (self.high_mm - self.low_mm) / self.rows
        every = 3 if self.rows >= 7 else 2
        return [
            format_length(self.high_mm - (row + 0.5) * step, unit).split()[0] if row % every == 1 else ""
            for row in range(self.rows)
        ]

    def axis(self, begin_s: float) -> list[str]:
        """The time axis and its numbers, seconds from the first reading on."""
        rough = self.window.span_s * 10 / self.columns
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(f * power for f in (1, 2, 5, 10) if f * power >= rough * (1 - 1e-9))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        line, words = ["─"] * self.columns, [" "] * (self.columns + 2)
        free = 0
        for n in range(math.ceil((self.window.from_s - begin_s) / step - 1e-9), 10**6):
            column = self.column(begin_s + n * step)
            if column is None:
                if begin_s + n * step > self.window.to_s:
                    break
                continue
            line[column] = "┼"
            text = f"{n * step:.{decimals}f}"
            start = max(0, column - len(text) // 2)
            if free <= start <= self.columns - len(text) - 2:
                _write(words, text, start)
                free = start + len(text) + 1
        words[-2:] = " s"
        lead = " " * GUTTER
        return [" " * (GUTTER - 1) + "┤" + "".join(line), (lead + "".join(words))[: GUTTER + self.columns]]


def _letter(bits: int, *, drawn: bool) -> str:
    if not bits:
        return " "
    return chr(0x2800 + bits) if drawn else "."


def _rest(cells: list[list[str]], sheet: _Sheet, stroke: Stroke) -> None:
    """The line of a rest at its level, and the mark of what became of it."""
    rest = stroke.rest
    row = sheet.row(rest.level_mm)
    begin, end = max(rest.from_s, sheet.window.from_s), min(rest.to_s, sheet.window.to_s)
    first, last = sheet.column(begin), sheet.column(end)
    if begin > end or first is None or last is None:
        return
    for column in range(first, last + 1):
        cells[row][column] = "━"
    middle = sheet.column(stroke.middle_s)
    if middle is not None:
        cells[row][middle] = mark_of(stroke)


def _number(cells: list[list[str]], sheet: _Sheet, stroke: Stroke, *, chosen: bool) -> None:
    """The number of a stroke beyond its rest, where there is room; the chosen one in brackets."""
    middle = sheet.column(stroke.middle_s)
    if middle is None:
        return
    text = f"[{stroke.number}]" if chosen else str(stroke.number)
    row = sheet.row(stroke.rest.level_mm) - stroke.rest.side
    start = max(0, min(middle - len(text) // 2, sheet.columns - len(text)))
    if not 0 <= row < sheet.rows:
        return
    around = cells[row][max(0, start - 1) : start + len(text) + 1]
    if chosen or not any(cell.isdigit() or cell in "[]" for cell in around):
        _write(cells[row], text, start)


def _write(row: list[str], text: str, start: int) -> None:
    end = min(len(row), start + len(text))
    row[start:end] = text[: end - start]
