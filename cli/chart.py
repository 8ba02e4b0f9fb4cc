"""Traces drawn in the terminal: readings over time with what was found in them, strokes beside each other."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple, TextIO

from calc.units import Unit, from_mm

if TYPE_CHECKING:
    from capture.end_play import EndPlay, Refusal
    from capture.readings import Trace
    from cli.screen import Screen
    from cli.stroke_list import Stroke

ROWS = 22
"""Height of a chart, lines."""

LEAST_COLUMNS, LEAST_ROWS = 60, ROWS + 2
"""On a smaller terminal there is no chart: its words would lie on its lines."""

PULL, PUSH, HALF, STRUCK = "▲", "▼", "◇", "×"
"""Marks of a rest: on the stop where readings are high, on the other, on neither, struck out."""

LEAST_ROOM_MM = 0.002
"""Heights that are all alike still have so much room above and below, millimetres."""

BESIDE = 0.12
"""Strokes of the same number stand so far beside each other, strokes."""

LETTERS = "ABCDEFGHIJ"
"""Names of measurements that are compared."""

_COLOURS = re.compile(r"\x1b\[[0-9;]*m")


def has_room(stream: TextIO, screen: Screen) -> bool:
    """Whether a chart can be drawn: letters for it, and a terminal that is large enough.

    Args:
        stream: Where it would be drawn; what is no terminal has room for anything.
        screen: What that stream can show.
    """
    if not screen.drawn or not _can_show(stream, PULL + PUSH + HALF + STRUCK + "⠿━┤"):
        return False
    if not screen.tty:
        return True
    try:
        columns, rows = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError):
        return True
    return (columns == 0 or columns >= LEAST_COLUMNS) and (rows == 0 or rows >= LEAST_ROWS)


def _can_show(stream: TextIO, text: str) -> bool:
    try:
        text.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def trace_lines(
    trace: Trace, outcome: EndPlay | Refusal, strokes: Sequence[Stroke], unit: Unit, screen: Screen
) -> list[str]:
    """Readings over time, with each rest as a line at its level, its stroke's number and its mark.

    Args:
        trace: The readings, at least one.
        outcome: What was found in them.
        strokes: Its strokes, numbered.
        unit: Unit of the readings' axis.
        screen: What to draw for.
    """
    begin = float(trace.times_s[0])
    times = (trace.times_s - begin).tolist()
    values = [from_mm(value, unit) for value in trace.readings_mm.tolist()]
    low, high = min(values), max(values)
    step = 1.3 * (high - low or 0.01) / (ROWS - 6)
    with figure(screen.width) as plt:
        plt.scatter(times, values, marker="braille")
        for stroke in strokes:
            level = from_mm(stroke.rest.level_mm, unit)
            ends = [stroke.rest.from_s - begin, stroke.rest.to_s - begin]
            plt.plot(ends, [level, level], marker="━")
            plt.scatter([stroke.middle_s - begin], [level], marker=mark_of(stroke))
            plt.text(
                str(stroke.number),
                stroke.middle_s - begin,
                level + stroke.rest.side * step,
                alignment="center",
            )
        slip = getattr(outcome, "slip", None)
        if slip is not None:
            moment = 0.5 * (slip.after_s + slip.before_s) - begin
            plt.vline(moment)
            plt.text("slip", moment, low + 2.5 * step, alignment="left")
        plt.ylim(low - 1.5 * step, high + 1.5 * step)
        plt.xlabel("time, s")
        lines = built(plt, f"reading, {unit}")
    return [*lines, *_legend(strokes, slipped=slip is not None)]


def mark_of(stroke: Stroke) -> str:
    """The mark of the rest that a stroke ends in."""
    if stroke.kind == "struck":
        return STRUCK
    if not stroke.rest.on_stop:
        return HALF
    return PULL if stroke.rest.side > 0 else PUSH


def _legend(strokes: Sequence[Stroke], *, slipped: bool) -> list[str]:
    """What the marks mean that are there."""
    marks = {mark_of(stroke) for stroke in strokes}
    words = {
        PULL: "rest, out",
        PUSH: "rest, in",
        HALF: "off the stop",
        STRUCK: "struck out",
    }
    told = [f"{mark} {text}" for mark, text in words.items() if mark in marks]
    if slipped:
        told.append("│ the base slipped")
    return ["  " + "   ".join(told)] if told else []


class Row(NamedTuple):
    """The full strokes of one measurement.

    Attributes:
        numbers: Their numbers.
        heights_mm: Their heights, millimetres.
        end_play_mm: Their measurement's end play; None if it has none.
    """

    numbers: list[int]
    heights_mm: list[float]
    end_play_mm: float | None


def stroke_lines(rows: Sequence[Row], unit: Unit, screen: Screen) -> list[str]:
    """The heights of strokes by their number, one letter for each measurement.

    Args:
        rows: One for each measurement, at most as many as there are ``LETTERS``.
        unit: Unit of the heights.
        screen: What to draw for.
    """
    last = max((number for row in rows for number in row.numbers), default=1)
    with figure(screen.width) as plt:
        for i, (letter, row) in enumerate(zip(LETTERS, rows, strict=False)):
            if row.end_play_mm is not None:
                level = from_mm(row.end_play_mm, unit)
                plt.plot([1, last], [level, level], marker="╌")
            if row.numbers:
                at = [number + BESIDE * i for number in row.numbers]  # so that none hides another
                plt.scatter(at, [from_mm(height, unit) for height in row.heights_mm], marker=letter)
        heights = [from_mm(height, unit) for row in rows for height in row.heights_mm]
        if heights:
            room = max(0.15 * (max(heights) - min(heights)), from_mm(LEAST_ROOM_MM, unit))
            plt.ylim(min(heights) - room, max(heights) + room)
        plt.xlim(0.5, last + 0.5 + BESIDE * len(rows))
        plt.xticks(list(range(1, last + 1, max(1, last // 12))))
        plt.xlabel("stroke")
        return built(plt, f"height, {unit}")


@contextmanager
def figure(columns: int) -> Iterator[Any]:
    """An empty chart, so many columns wide."""
    import plotext  # type: ignore[import-untyped] # noqa: PLC0415  (it takes its time)

    plotext.clear_figure()
    plotext.theme("clear")
    plotext.limitsize(False, False)
    plotext.plotsize(columns, ROWS)
    try:
        yield plotext
    finally:
        plotext.clear_figure()


def built(plt: Any, name: str) -> list[str]:  # noqa: ANN401  (a module without types)
    """The lines of a chart, without colours, under the name of its upright axis."""
    lines = [_COLOURS.sub("", line).rstrip() for line in plt.build().splitlines()]
    return [f"  {name}", *(line for line in lines if line)]
