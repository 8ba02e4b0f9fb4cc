"""Small pieces of SVG for the pictures of a printed sheet: black ink, text escaped, no other hosts."""

from __future__ import annotations

from html import escape
from typing import Literal

FONTS = "'DejaVu Sans', Arial, Helvetica, 'Libertinus Serif', sans-serif"
"""Fonts of the words in a picture; the last named one is what the PDF has."""

Anchor = Literal["start", "middle", "end"]


def number(value: float) -> str:
    """A coordinate, to a hundredth, as short as it can be.

    >>> number(12.0), number(0.456), number(-0.001)
    ('12', '0.46', '0')
    """
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def line(x1: float, y1: float, x2: float, y2: float, width: float = 1.0, *, dash: str = "") -> str:
    """A straight line."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    ends = " ".join(f'{k}="{number(v)}"' for k, v in (("x1", x1), ("y1", y1), ("x2", x2), ("y2", y2)))
    return f'<line {ends} stroke="#000" stroke-width="{number(width)}"{dashed}/>'


def shape(points: list[tuple[float, float]], *, filled: bool) -> str:
    """A closed shape, black or white inside."""
    at = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    return f'<polygon points="{at}" fill="{"#000" if filled else "#fff"}" stroke="#000" stroke-width="1"/>'


def triangle(x: float, y: float, size: float, *, up: bool, filled: bool) -> str:
    """A triangle whose tip is at ``x``, ``y``."""
    base = y + size if up else y - size
    return shape([(x, y), (x - 0.6 * size, base), (x + 0.6 * size, base)], filled=filled)


def diamond(x: float, y: float, size: float, *, filled: bool) -> str:
    """A diamond about ``x``, ``y``."""
    return shape([(x, y - size), (x + size, y), (x, y + size), (x - size, y)], filled=filled)


def words(
    x: float, y: float, text: str, size: float = 10, anchor: Anchor = "middle", *, bold: bool = False
) -> str:
    """Text on the base line ``y``, escaped."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" text-anchor="{anchor}"{weight}>'
        f"{escape(text)}</text>"
    )


def drawing(width: float, height: float, name: str, parts: list[str]) -> str:
    """The whole picture.

    Args:
        width: Its width, in its own units.
        height: Its height.
        name: What it shows, for those who cannot see it.
        parts: Its pieces.
    """
    size = f'width="{number(width)}" height="{number(height)}" viewBox="0 0 {number(width)} {number(height)}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{escape(name)}" '
        f'font-family="{FONTS}" fill="#000">{"".join(parts)}</svg>'
    )
