"""What the place we print to can show: its width, its letters, its colours; and how text gets there."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

NARROWEST = 60
WIDEST = 120
USUAL_WIDTH = 80

_PLAIN = str.maketrans(
    {
        "±": "+/-",
        "−": "-",
        "–": "-",
        "·": ".",
        "×": "x",
        "µ": "u",
        "μ": "u",
        "≥": ">=",
        "≤": "<=",
        "…": "...",
        "“": '"',
        "”": '"',
        "’": "'",
        "°": " deg",
        "→": "->",
        "²": "2",
    }
)


@dataclass(frozen=True, slots=True)
class Screen:
    """How to print on one stream.

    Attributes:
        width: Columns to use, 60 to 120.
        drawn: Whether the stream can show box-drawing letters; plain ASCII otherwise.
        colour: Whether colour helps: a terminal, and nobody said no (``NO_COLOR``, ``TERM=dumb``).
        tty: Whether a person watches it change, so that a line may be redrawn.
    """

    width: int = USUAL_WIDTH
    drawn: bool = True
    colour: bool = False
    tty: bool = False


def screen_of(stream: TextIO) -> Screen:
    """Find out what ``stream`` can show.

    Args:
        stream: Standard output or standard error.
    """
    tty = _is_tty(stream)
    dumb = os.environ.get("TERM") == "dumb"
    return Screen(
        width=min(WIDEST, max(NARROWEST, _columns(stream) if tty else USUAL_WIDTH)),
        drawn=_can_show(stream, "├─◆┤▒▾▼±µ"),
        colour=tty and not dumb and not os.environ.get("NO_COLOR"),
        tty=tty and not dumb,
    )


def plain(text: str) -> str:
    """Write ``text`` with ASCII letters only: ``±`` becomes ``+/-``; what has no like becomes ``?``.

    >>> plain("0.312 mm ± 0.008 mm")
    '0.312 mm +/- 0.008 mm'
    """
    return text.translate(_PLAIN).encode("ascii", "replace").decode("ascii")


def put(text: str, stream: TextIO | None = None) -> None:
    """Print one or more lines on ``stream`` (standard output if not given) in letters that it can show."""
    out = sys.stdout if stream is None else stream
    out.write((text if _can_show(out, text) else plain(text)) + "\n")
    out.flush()


def put_report(lines: Sequence[str]) -> None:
    """Print lines of a report on standard output; those wider than it are folded between words."""
    import textwrap  # noqa: PLC0415

    width = screen_of(sys.stdout).width
    for line in lines:
        if len(line) <= width or "\x1b" in line:  # a coloured line is a drawn one, and fits
            put(line)
            continue
        lead = len(line) - len(line.lstrip())
        put(textwrap.fill(line, width, subsequent_indent=" " * (lead + 2), break_on_hyphens=False))


def message(text: str) -> None:
    """Print one line for the person, on standard error."""
    put(" ".join(text.split()), sys.stderr)


def put_json(item: object) -> None:
    """Print one JSON object as one line on standard output.

    Raises:
        ValueError: If a number is not finite; such a number must have been made null before.
    """
    import json  # noqa: PLC0415  # start-up time: only where JSON is asked for

    put(json.dumps(item, ensure_ascii=True, allow_nan=False))


def _is_tty(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


def _columns(stream: TextIO) -> int:
    try:
        said = int(os.environ.get("COLUMNS", ""))
    except ValueError:
        said = 0
    if said > 0:
        return said
    try:
        return os.get_terminal_size(stream.fileno()).columns or USUAL_WIDTH
    except (OSError, ValueError):
        return USUAL_WIDTH


def _can_show(stream: TextIO, text: str) -> bool:
    if text.isascii():
        return True
    try:
        text.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
