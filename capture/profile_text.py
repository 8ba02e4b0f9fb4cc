"""A profile's tables written as TOML: what ``parse_profile`` reads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal


def toml_of(tables: Mapping[str, object], comments: tuple[str, ...] = ()) -> str:
    """Write a profile file.

    Args:
        tables: Keys of the file: plain values, tables, and lists of tables.
        comments: Lines that stand on top of it.
    """
    lines = [f"# {' '.join(comment.split())}" for comment in comments]
    lines += [f"{key} = {_value(one)}" for key, one in tables.items() if not _is_table(one)]
    for key, one in tables.items():
        if isinstance(one, Mapping):
            lines += ["", f"[{key}]", *(f"{name} = {_value(value)}" for name, value in one.items())]
        elif _is_table(one) and isinstance(one, list):
            for row in one:
                lines += ["", f"[[{key}]]", *(f"{name} = {_value(value)}" for name, value in row.items())]
    return "\n".join(lines).strip() + "\n"


def _is_table(one: object) -> bool:
    return isinstance(one, Mapping) or (isinstance(one, list) and bool(one) and key_is_rows(one))


def key_is_rows(one: list[object]) -> bool:
    """Whether a list is one of tables that stand below each other, as examples do."""
    return all(isinstance(row, Mapping) and "frame" in row for row in one)


def _value(value: object) -> str:  # noqa: PLR0911 - one line a type
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, bytes):
        return "[" + ", ".join(f"0x{byte:02X}" for byte in value) + "]"
    if isinstance(value, str):
        return _text(str(value))
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(str(key))} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    return str(value)


def _key(key: str) -> str:
    return key if key.isidentifier() and key.isascii() else _text(key)


def _text(text: str) -> str:
    if "'" not in text and text.isprintable() and "\\" in text:
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
