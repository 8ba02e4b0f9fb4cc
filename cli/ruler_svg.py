"""The ruler as a picture for paper: scale, marks and words as in the terminal, told apart by shape."""

from __future__ import annotations

from calc.units import Unit, format_length, format_size
from cli.ruler import LABEL_ROWS, Notch, Picture, Scale, off_scale, scale_for, ticks
from cli.svg import diamond, drawing, line, number, shape, triangle, words

WIDTH = 300.0
"""Width of the picture, in its own units; letters are 9 to 11 of them high."""

SIDE = 16.0
"""Left free at either end of the scale."""

COLUMNS = 66
"""The scale has a number about every twelfth of so many columns, as on a terminal of this width."""

LETTER = 5.6
"""Width of a letter of the small print, more than enough; so no two sizes run into each other."""

LEAST_WHISKER = 5.0
"""A shorter one would hide behind its mark, and is left out."""

WIDE = 7.2
"""Width of a bold letter of the usual size, in the widest of the fonts."""

SMALL, USUAL = 9.0, 10.5

_TEXT, _MARK, _BAND, _BAND_HIGH, _AXIS, _NOTCHES = 10.0, 23.0, 31.0, 14.0, 49.0, 66.0


def ruler_svg(picture: Picture) -> str:
    """Draw the ruler as SVG.

    Two scales stand under each other, the upper in the hub's unit, the lower in the other one.

    Args:
        picture: What to show.
    """
    scale = scale_for(picture, COLUMNS)
    notches, height = _notches(picture, scale)
    lower = height + 4
    parts = [
        *_band(picture, scale),
        *_reading(picture, scale),
        *_axis(scale, picture.unit, _AXIS),
        *notches,
        *_axis(scale, Unit.INCH if picture.unit is Unit.MM else Unit.MM, lower),
    ]
    bottom = lower + 18
    beyond = "; ".join(text.strip() for text in off_scale(picture, scale, "", ""))
    if beyond:
        bottom += 12
        parts.append(words(SIDE, bottom - 3, beyond, SMALL, "start"))
    return drawing(WIDTH, bottom, _name(picture), parts)


def _x(scale: Scale, length_mm: float) -> float:
    return SIDE + min(1.0, max(0.0, scale.part(length_mm))) * (WIDTH - 2 * SIDE)


def _band(picture: Picture, scale: Scale) -> list[str]:
    """The limits: a hatched band between two heavy lines, with what it is in it where there is room."""
    left, right = _x(scale, picture.limits.least_mm), _x(scale, picture.limits.most_mm)
    top, below = _BAND, _BAND + _BAND_HIGH
    parts = [
        line(at, below, min(at + _BAND_HIGH, right), max(top, below - (right - at)), 0.5)
        for at in (left + 5 * i for i in range(int(max(0.0, right - left) // 5)))
    ]
    parts += [line(left, top, right, top, 0.8), line(left, below, right, below, 0.8)]
    parts += [line(x, top - 3, x, below + 3, 2.2) for x in (left, right)]
    text = "within limits"
    room = LETTER * len(text) + 8
    if right - left > room + 10:
        middle = 0.5 * (left + right)
        if picture.reading_mm is not None:  # where the reading's line does not cross the words
            at = _x(scale, picture.reading_mm)
            beside = max((left, min(at, right)), (max(at, left), right), key=lambda part: part[1] - part[0])
            middle = min(max(0.5 * sum(beside), left + room / 2 + 2), right - room / 2 - 2)
        parts.append(
            f'<rect x="{number(middle - room / 2)}" y="{number(top + 1)}" width="{number(room)}" '
            f'height="{number(_BAND_HIGH - 2)}" fill="#fff"/>'
        )
        parts.append(words(middle, below - 4, text, SMALL))
    return parts


def _reading(picture: Picture, scale: Scale) -> list[str]:
    if picture.reading_mm is None:
        return []
    x, half = _x(scale, picture.reading_mm), picture.expanded_mm or 0.0
    low, high = _x(scale, picture.reading_mm - half), _x(scale, picture.reading_mm + half)
    parts = [line(x, _MARK, x, _AXIS, 0.8, dash="2 2")]
    if high - x > LEAST_WHISKER:
        parts += [line(low, _MARK, high, _MARK, 1.6)]
        parts += [line(end, _MARK - 5, end, _MARK + 5, 1.6) for end in (low, high)]
    parts.append(diamond(x, _MARK, 4, filled=True))
    room = 0.5 * WIDE * len(picture.reading_text)
    middle = min(max(x, room), WIDTH - room)
    return [*parts, words(middle, _TEXT, picture.reading_text, USUAL, bold=True)]


def _axis(scale: Scale, unit: Unit, y: float) -> list[str]:
    parts = [line(SIDE, y, WIDTH - SIDE, y, 1)]
    for at_mm, text in ticks(scale, unit):
        x = _x(scale, at_mm)
        parts.append(line(x, y, x, y + 4, 1))
        if x < WIDTH - SIDE - 22:
            parts.append(words(x, y + 14, text, SMALL))
    return [*parts, words(WIDTH - 2, y + 14, unit, SMALL, "end", bold=True)]


def _notches(picture: Picture, scale: Scale) -> tuple[list[str], float]:
    """The shims, and how far down they reach: white for one on hand, black and boxed for the one to fit."""
    shown = [n for n in picture.notches if n.chosen or scale.holds(n.expected_mm)]
    if not shown:
        return [], _NOTCHES + 4
    parts: list[str] = []
    for notch in sorted(shown, key=lambda n: (n.chosen, n.expected_mm)):
        size = 9.0 if notch.chosen else 6.0
        parts.append(triangle(_x(scale, notch.expected_mm), _NOTCHES, size, up=True, filled=notch.chosen))
    taken: list[list[tuple[float, float]]] = [[] for _ in range(LABEL_ROWS)]
    rows = 0
    for notch in sorted(
        shown, key=lambda n: (not n.chosen, n.expected_mm)
    ):  # the chosen one has the first pick
        row = _label(notch, picture.unit, scale, taken, parts)
        rows = max(rows, row)
    return parts, _NOTCHES + 14 + 12 * rows


def _label(
    notch: Notch, unit: Unit, scale: Scale, taken: list[list[tuple[float, float]]], parts: list[str]
) -> int:
    """Write a notch's size into the first row with room for it; which row that was, 0 for none."""
    text = format_size(notch.thickness_mm, unit).split(" ")[0]
    half = 0.5 * LETTER * len(text) + (5 if notch.chosen else 2)
    x = min(max(_x(scale, notch.expected_mm), half), WIDTH - half)
    for row, spans in enumerate(taken, start=1):
        if all(x + half <= low or x - half >= high for low, high in spans):
            spans.append((x - half, x + half))
            y = _NOTCHES + 8 + 12 * row
            if notch.chosen:
                box = [
                    (x - half + 1, y - 9),
                    (x + half - 1, y - 9),
                    (x + half - 1, y + 2.5),
                    (x - half + 1, y + 2.5),
                ]
                parts.append(shape(box, filled=False))
            parts.append(words(x, y, text, SMALL, bold=notch.chosen))
            return row
    return 0


def _name(picture: Picture) -> str:
    """The picture in words."""
    unit = picture.unit
    said = [f"limits {picture.limits.text(unit)}"]
    if picture.reading_mm is not None:
        said.insert(0, f"end play {picture.reading_text or format_length(picture.reading_mm, unit)}")
    said += [
        f"shim to fit {format_size(n.thickness_mm, unit)}, expected {format_length(n.expected_mm, unit)}"
        for n in picture.notches
        if n.chosen
    ]
    return "Ruler: " + "; ".join(said)
