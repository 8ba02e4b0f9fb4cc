"""A job sheet as PDF, set by typst with the fonts that it brings along; nothing is fetched."""

from __future__ import annotations

import json
from pathlib import Path

from cli.sheet_content import Content

TEMPLATE = Path(__file__).with_name("sheet.typ")

_OWN_LETTERS = 0x0530
"""The fonts that come along have the letters below (Latin, Greek, Cyrillic); others are the system's."""

_PUNCTUATION = range(0x2000, 0x2600)


def pdf_sheet(content: Content) -> bytes:
    """Set a job sheet as PDF. The same content gives the same bytes.

    Args:
        content: What stands on it. It reaches the template as data, never as part of its text, so that
            nothing that a person wrote can be a command.
    """
    import typst  # noqa: PLC0415  (40 MB)

    data = json.dumps(content, ensure_ascii=True, allow_nan=False)
    own = all(
        ord(c) < _OWN_LETTERS or ord(c) in _PUNCTUATION for c in json.dumps(content, ensure_ascii=False)
    )
    made = typst.compile(
        TEMPLATE.read_bytes(), sys_inputs={"sheet": data}, format="pdf", ignore_system_fonts=own
    )
    if not isinstance(made, bytes):
        raise TypeError(f"typst gave {type(made).__name__} where one PDF was asked for")
    return made
