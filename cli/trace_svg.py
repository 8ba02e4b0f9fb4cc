"""A trace as a picture for paper: readings over time, each rest a bar at its level with a mark."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from calc.units import Unit
from cli.ruler import Scale, ticks
from cli.svg import diamond, drawing, line, number, triangle, words

if TYPE_CHECKING:
    from capture.readings import Trace
    from cli.stroke_list import Stroke

WIDTH, HEIGHT = 300.0, 104.0

LEFT, RIGHT, TOP, BOTTOM = 36.0, 40.0, 10.0, 28.0
"""Left free around the plot, for the numbers of both units and the seconds."""

SMALL = 9.0


def trace_svg(trace: Trace, strokes: Sequence[Stroke], unit: Unit) -> str:
    """Draw a trace as SVG.

    Args:
        trace: The readings, at least one.
        strokes: Its strokes, numbered; their rests are drawn.
        unit: Unit of the axis at the left; the other one is at the right.
    """
    times: list[float] = (trace.times_s - trace.times_s[0]).tolist()
    values: list[float] = trace.readings_mm.tolist()
    low, high = min(values), max(values)
    room = 0.12 * (high - low) or 0.005
    scale = Scale(low - room, high + room, 40)
    span = max(times[-1], 1e-9)
    begin = float(trace.times_s[0])
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM

    def x(at_s: float) -> float:
        return LEFT + at_s / span * (right - LEFT - 8)  # the mark of the last rest has room

    def y(mm: float) -> float:
        return bottom - scale.part(mm) * (bottom - TOP)

    parts = [line(LEFT, TOP, LEFT, bottom, 0.8), line(right, TOP, right, bottom, 0.8)]
    parts.append(line(LEFT, bottom, right, bottom, 0.8))
    other = Unit.INCH if unit is Unit.MM else Unit.MM
    for at_mm, text in ticks(scale, unit):
        parts += [line(LEFT - 4, y(at_mm), LEFT, y(at_mm), 0.8)]
        parts += [words(LEFT - 6, y(at_mm) + 3, text, SMALL, "end")]
    for at_mm, text in ticks(scale, other):
        parts += [line(right, y(at_mm), right + 4, y(at_mm), 0.8)]
        parts += [words(right + 6, y(at_mm) + 3, text, SMALL, "start")]
    parts += [words(LEFT - 6, HEIGHT - 12, unit, SMALL, "end", bold=True)]
    parts += [words(right + 6, HEIGHT - 12, other, SMALL, "start", bold=True)]
    parts += _seconds(span, x, bottom)
    points = " ".join(f"{number(x(t))},{number(y(v))}" for t, v in thinned(times, values, int(right - LEFT)))
    parts.append(f'<polyline points="{points}" fill="none" stroke="#666" stroke-width="0.7"/>')
    for stroke in strokes:
        parts += _rest(
            stroke, x(stroke.rest.from_s - begin), x(stroke.rest.to_s - begin), y(stroke.rest.level_mm)
        )
    return drawing(WIDTH, HEIGHT, _name(times, strokes), parts)


def thinned(times: Sequence[float], values: Sequence[float], columns: int) -> list[tuple[float, float]]:
    """As many readings as a picture can show, with every peak: each column's first, least, most and last.

    >>> thinned([0, 1, 2, 3, 4, 5], [0, 9, 1, 2, -7, 3], 1)
    [(0, 0), (1, 9), (4, -7), (5, 3)]

    Args:
        times: Seconds, ascending, at least one.
        values: A reading for each.
        columns: Columns of the picture, at least 1.
    """
    span = (times[-1] - times[0]) or 1.0
    held: dict[int, list[int]] = {}
    for i, at in enumerate(times):
        held.setdefault(min(columns - 1, int((at - times[0]) / span * columns)), []).append(i)
    kept: list[tuple[float, float]] = []
    for inside in held.values():
        least, most = min(inside, key=values.__getitem__), max(inside, key=values.__getitem__)
        kept += [(times[i], values[i]) for i in sorted({inside[0], least, most, inside[-1]})]
    return kept


def _seconds(span: float, x: Callable[[float], float], bottom: float) -> list[str]:
    step = next((s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600) if span / s <= 8), span / 8)
    parts = []
    for n in range(int(span / step + 1e-9) + 1):
        at = x(n * step)
        parts += [line(at, bottom, at, bottom + 4, 0.8), words(at, bottom + 14, f"{n * step:g}", SMALL)]
    return [*parts, words(x(span / 2), bottom + 24, "time, s", SMALL)]


def _rest(stroke: Stroke, left: float, right: float, y: float) -> list[str]:
    """A rest as a bar at its level; its mark says which stop, or that it does not count."""
    middle = 0.5 * (left + right)
    bar = line(left, y, right, y, 2.6)
    if stroke.kind == "struck":
        return [
            bar,
            line(middle - 4, y - 4, middle + 4, y + 4, 1.4),
            line(middle - 4, y + 4, middle + 4, y - 4, 1.4),
        ]
    if not stroke.rest.on_stop:
        return [bar, diamond(middle, y, 4, filled=False)]
    up = stroke.rest.side > 0
    return [bar, triangle(middle, y - 7 if up else y + 7, 6, up=up, filled=up)]


def _name(times: Sequence[float], strokes: Sequence[Stroke]) -> str:
    rests = sum(1 for stroke in strokes if stroke.rest.on_stop)
    return f"Trace: {len(times)} readings in {times[-1]:.1f} s, {rests} rests on the stops"
