"""The ruler: one picture of a measurement, drawn with letters.

End play runs to scale from left to right. The limits are a band, the reading is a mark whose whisker is its
expanded uncertainty, and each shim on hand is a notch where its expected end play would fall. Words and
shapes carry the meaning; colour only helps.
"""

from __future__ import annotations

from dataclasses import dataclass

from calc import ruler
from calc.limits import Limits
from calc.ruler import ends_mm
from calc.units import Unit, format_size
from cli.screen import Screen

MARGIN = 2
"""Columns left free at the left edge."""

LABEL_ROWS = 3
"""Rows that the sizes under the notches may take before some go unnamed."""


@dataclass(frozen=True, slots=True)
class Notch:
    """A shim on hand.

    Attributes:
        thickness_mm: Its thickness, millimetres.
        expected_mm: The end play it is expected to give, millimetres; below zero is preload.
        chosen: Whether it is the one to fit.
    """

    thickness_mm: float
    expected_mm: float
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """What a ruler shows.

    Attributes:
        limits: The end play allowed.
        unit: Unit of the scale and the words.
        reading_mm: End play measured, millimetres; None for a picture without a reading.
        expanded_mm: Its expanded uncertainty, millimetres, 0 or more; None or 0 for no whisker.
        reading_text: What to write at the mark, such as ``0.312 mm ± 0.008 mm``.
        notches: The shims on hand, in any order.
    """

    limits: Limits
    unit: Unit
    reading_mm: float | None = None
    expanded_mm: float | None = None
    reading_text: str = ""
    notches: tuple[Notch, ...] = ()


@dataclass(frozen=True, slots=True)
class _Letters:
    axis: str
    first: str
    tick: str
    left: str
    fill: str
    right: str
    mark: str
    whisker: tuple[str, str, str]
    notch: str
    chosen: str
    past_left: str
    past_right: str


_DRAWN = _Letters("─", "├", "┼", "▐", "▒", "▌", "◆", ("├", "─", "┤"), "▾", "▼", "◂", "▸")
_ASCII = _Letters("-", "|", "+", "[", "=", "]", "#", ("<", "-", ">"), "v", "V", "<", ">")

_BLUE, _BOLD, _ORANGE, _PLAIN = "\x1b[34m", "\x1b[1m", "\x1b[33m", "\x1b[0m"


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a length falls on the picture.

    Attributes:
        low_mm: Length at the first column, millimetres.
        high_mm: Length at the last column, millimetres, above ``low_mm``.
        columns: Columns of the axis, 2 or more.
    """

    low_mm: float
    high_mm: float
    columns: int

    def column(self, length_mm: float) -> int:
        """The nearest column for a length; lengths off the scale stop at its ends."""
        return min(self.columns - 1, max(0, round(self.part(length_mm) * (self.columns - 1))))

    def part(self, length_mm: float) -> float:
        """How far along the scale a length lies: 0 at its low end, 1 at its high end."""
        return (length_mm - self.low_mm) / (self.high_mm - self.low_mm)

    def half_width(self, spread_mm: float) -> int:
        """Columns that ``spread_mm`` covers to each side of a mark; 0 when it is too small to draw."""
        return round(spread_mm / (self.high_mm - self.low_mm) * (self.columns - 1))

    def holds(self, length_mm: float) -> bool:
        """Whether a length lies on the scale."""
        return self.low_mm <= length_mm <= self.high_mm


def draw(picture: Picture, screen: Screen) -> list[str]:
    """Draw the ruler.

    Args:
        picture: What to show.
        screen: Width, letters and colours to draw with.

    Returns:
        Its lines, none wider than ``screen.width`` columns (colour codes take none).
    """
    letters = _DRAWN if screen.drawn else _ASCII
    scale = scale_for(picture, screen.width - 2 * MARGIN)
    lines = [*_reading_rows(picture, scale, letters, screen), _band_row(picture, scale, letters, screen)]
    lines += _axis_rows(picture, scale, letters)
    lines += _notch_rows(picture, scale, letters, screen)
    lines.append("")
    lines += _legend(picture, scale, letters, screen.width)
    return [(" " * MARGIN + line).rstrip() for line in lines]


def scale_for(picture: Picture, columns: int) -> Scale:
    """Choose the scale: from zero (or the lowest reading) to just beyond the furthest thing worth showing."""
    readings = [] if picture.reading_mm is None else [(picture.reading_mm, picture.expanded_mm or 0.0)]
    notches = [(notch.expected_mm, notch.chosen) for notch in picture.notches]
    return Scale(*ends_mm(picture.limits, readings, notches), columns)


def _reading_rows(picture: Picture, scale: Scale, letters: _Letters, screen: Screen) -> list[str]:
    if picture.reading_mm is None:
        return []
    cells = [" "] * scale.columns
    middle = scale.column(picture.reading_mm)
    half = scale.half_width(picture.expanded_mm or 0.0)
    if half:
        start, line, end = letters.whisker
        first, last = max(0, middle - half), min(scale.columns - 1, middle + half)
        cells[first : last + 1] = line * (last + 1 - first)
        cells[first], cells[last] = start, end
    cells[middle] = letters.mark
    label = picture.reading_text if screen.drawn else picture.reading_text.replace("±", "+/-")
    within = picture.limits.least_mm <= picture.reading_mm <= picture.limits.most_mm
    return [
        _centred(label, middle, scale.columns),
        _coloured("".join(cells), _BOLD if within else _BOLD + _ORANGE, screen),
    ]


def _band_row(picture: Picture, scale: Scale, letters: _Letters, screen: Screen) -> str:
    first, last = scale.column(picture.limits.least_mm), scale.column(picture.limits.most_mm)
    inside = letters.fill * max(0, last - first - 1)
    words = " within limits "
    if len(inside) >= len(words) + 4:
        start = (len(inside) - len(words)) // 2
        inside = inside[:start] + words + inside[start + len(words) :]
    band = letters.left + inside + letters.right if last > first else letters.fill
    return " " * first + _coloured(band, _BLUE, screen)


def _axis_rows(picture: Picture, scale: Scale, letters: _Letters) -> list[str]:
    unit = picture.unit
    axis, row = [letters.axis] * scale.columns, [" "] * scale.columns
    axis[0] = letters.first
    free_from = 0
    for at_mm, text in ticks(scale, unit):
        column = scale.column(at_mm)
        axis[column] = letters.first if column == 0 else letters.tick
        start = max(0, column - len(text) // 2)
        if free_from <= start <= scale.columns - len(text) - len(unit) - 1:
            row[start : start + len(text)] = text
            free_from = start + len(text) + 1
    row[-len(unit) :] = unit
    return ["".join(axis), "".join(row).rstrip()]


def ticks(scale: Scale, unit: Unit) -> list[tuple[float, str]]:
    """Where the axis has its numbers, millimetres, and what they say: one about every 12 columns."""
    return ruler.ticks(scale.low_mm, scale.high_mm, unit, scale.columns / 12)


def _notch_rows(picture: Picture, scale: Scale, letters: _Letters, screen: Screen) -> list[str]:
    shown = sorted(
        (n for n in picture.notches if n.chosen or scale.holds(n.expected_mm)), key=lambda n: n.expected_mm
    )
    if not shown:
        return []
    cells = [" "] * scale.columns
    for notch in sorted(shown, key=lambda n: n.chosen):
        cells[scale.column(notch.expected_mm)] = letters.chosen if notch.chosen else letters.notch
    rows: list[list[str]] = [[" "] * scale.columns for _ in range(LABEL_ROWS)]
    for notch in sorted(shown, key=lambda n: not n.chosen):  # the chosen one has the first pick of the room
        name = format_size(notch.thickness_mm, picture.unit).split(" ")[0]
        _place(f"[{name}]" if notch.chosen else name, scale.column(notch.expected_mm), rows)
    labels = ["".join(row).rstrip() for row in rows if any(c != " " for c in row)]
    return [_coloured("".join(cells).rstrip(), _BOLD, screen), *labels]


def _place(text: str, column: int, rows: list[list[str]]) -> None:
    """Write ``text`` centred under ``column`` in the first row with room for it, or nowhere."""
    for row in rows:
        start = max(0, min(column - len(text) // 2, len(row) - len(text)))
        if all(c == " " for c in row[max(0, start - 1) : start + len(text) + 1]):
            row[start : start + len(text)] = text
            return


def _legend(picture: Picture, scale: Scale, letters: _Letters, width: int) -> list[str]:
    items = []
    if picture.reading_mm is not None:
        half = scale.half_width(picture.expanded_mm or 0.0)
        whisker = " with its 95 % interval" if half else " (95 % interval too small to draw)"
        items.append(f"{letters.mark} end play measured{whisker if picture.expanded_mm else ''}")
    items.append(f"{letters.fill * 2} limits {picture.limits.text(picture.unit)}")
    if any(not n.chosen and scale.holds(n.expected_mm) for n in picture.notches):
        items.append(f"{letters.notch} shim on hand, at the end play it would give")
    to_fit = [format_size(n.thickness_mm, picture.unit) for n in picture.notches if n.chosen]
    items += [f"{letters.chosen} shim to fit, {size}" for size in to_fit]
    items += off_scale(picture, scale, letters.past_left, letters.past_right)
    return _wrapped(items, width - 2 * MARGIN)


def off_scale(picture: Picture, scale: Scale, past_left: str, past_right: str) -> list[str]:
    """How many shims on hand have no notch, because they lie beyond the scale; nothing if none does."""
    below = sum(1 for n in picture.notches if not n.chosen and n.expected_mm < scale.low_mm)
    above = sum(1 for n in picture.notches if not n.chosen and n.expected_mm > scale.high_mm)
    items = [f"{past_left} {_sizes(below)} on hand would leave no end play"] if below else []
    return [*items, f"{past_right} {_sizes(above)} on hand beyond this scale"] if above else items


def _sizes(number: int) -> str:
    return "1 size" if number == 1 else f"{number} sizes"


def _wrapped(items: list[str], width: int) -> list[str]:
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += "   " + item
        else:
            lines.append(item)
    return lines


def _centred(text: str, column: int, columns: int) -> str:
    start = max(0, min(column - len(text) // 2, columns - len(text)))
    return " " * start + text


def _coloured(text: str, code: str, screen: Screen) -> str:
    if not screen.colour or not text.strip():
        return text
    lead = len(text) - len(text.lstrip())
    return text[:lead] + code + text[lead:].rstrip() + _PLAIN
