"""Reads a TOML text by a table of keys and finds every mistake in it, each named with its key and line.

``tomllib`` keeps no lines, so they are found by a second, simple look at the text; where that finds none, the
line of the table around the key stands in.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Any, TypeVar

_BARE_OR_QUOTED = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_PATH = rf"{_BARE_OR_QUOTED}(?:\s*\.\s*{_BARE_OR_QUOTED})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_PATH})\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(rf"\s*({_PATH})\s*=\s*(.*)")
_NUMBER = re.compile(r"\[\d+\]")
_AT_LINE = re.compile(r"\s*\(at line (\d+), column \d+\)$|\s*\(at end of document\)$")

EnumT = TypeVar("EnumT", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a file.

    Attributes:
        key: The key in full, ``shim.sizes``; empty when the whole file is meant.
        line: Its line, from 1; None when there is none.
        text: What is wrong, and what to write.
    """

    key: str
    line: int | None
    text: str

    def __str__(self) -> str:
        where = [f"line {self.line}"] if self.line else []
        return f"{', '.join([*where, *([self.key] if self.key else [])])}: {self.text}".removeprefix(": ")


class Wrong(Exception):  # noqa: N818  (never leaves this module and its users' readers)
    """A reader's way to say what is wrong with a value, one text for each mistake.

    Attributes:
        texts: What is wrong.
    """

    def __init__(self, *texts: str) -> None:
        super().__init__("; ".join(texts))
        self.texts = texts


class Needed(StrEnum):
    """Whether a key may be left out."""

    ALWAYS = "always"
    WITH_ITS_TABLE = "with its table"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Key:
    """One row of the table of keys.

    Attributes:
        read: Turns the TOML value (text, int, Decimal, bool, list, dict) into ours, or raises ``Wrong``.
        needed: Whether it may be left out.
    """

    read: Callable[[object], object]
    needed: Needed = Needed.NO


@dataclass(slots=True)
class Document:
    """What was read, and what was wrong.

    Attributes:
        values: Our values by full key; keys that were absent or wrong are missing.
        tables: Names of the tables that the file has; of an array each one: ``gauge[1]``, ``gauge[2]``.
        problems: Every mistake, in the order of discovery.
        lines: Line of each key and table, from 1.
    """

    values: dict[str, Any] = field(default_factory=dict)
    tables: set[str] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    lines: dict[str, int] = field(default_factory=dict)

    def line(self, key: str) -> int | None:
        """The line of ``key``, else that of the nearest table around it, else None."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = key.rpartition(".")[0]
        return None

    def rows(self, array: str) -> list[str]:
        """The names of an array's tables, from its first: ``gauge[1]``, ``gauge[2]`` and so on."""
        count = sum(table.startswith(f"{array}[") and table.endswith("]") for table in self.tables)
        return [f"{array}[{number}]" for number in range(1, count + 1)]

    def wrong(self, key: str, *texts: str) -> None:
        """Note mistakes at ``key``."""
        self.problems.extend(Problem(key, self.line(key), text) for text in texts)

    def sorted_problems(self) -> tuple[Problem, ...]:
        """The mistakes, from the top of the file to its end; those without a line first."""
        return tuple(sorted(self.problems, key=lambda p: p.line or 0))


def read_document(text: str, keys: Mapping[str, Key]) -> Document:
    """Read a TOML text.

    Args:
        text: The whole file.
        keys: The keys that it may have, by full name; ``a.b`` stands in table ``a``, and ``a[].b`` in each
            table of the array ``a``, whose tables are counted from 1: the value of the first is ``a[1].b``.

    Returns:
        The document; when the text is no TOML at all, its only problem says so.
    """
    document = Document(lines=key_lines(text))
    try:
        tree = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError, ArithmeticError) as err:
        document.problems.append(_no_toml(str(err), text))
        return document
    _read_table(document, tree, "", keys)
    for pattern, key in keys.items():
        array, mark, rest = pattern.partition("[]")
        for name in [f"{row}{rest}" for row in document.rows(array)] if mark else [pattern]:
            table = name.rpartition(".")[0]
            wanted = key.needed is Needed.ALWAYS or (
                key.needed is Needed.WITH_ITS_TABLE and table in document.tables
            )
            if (
                wanted
                and name not in document.values
                and not any(_at(p.key, name) for p in document.problems)
            ):
                document.wrong(name, "is missing")
    return document


def key_lines(text: str) -> dict[str, int]:
    r"""The line of each key and table of a TOML text, from 1, by full name; an array's tables are numbered.

    >>> key_lines('title = "x"\n[shim]\ntrial = 3.75\n')
    {'title': 1, 'shim': 2, 'shim.trial': 3}
    >>> key_lines('[[gauge]]\nname = "x"\n[[gauge]]\n')
    {'gauge': 1, 'gauge[1]': 1, 'gauge[1].name': 2, 'gauge[2]': 3}
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    table, inside = "", ""
    for number, line in enumerate(text.splitlines(), start=1):
        if inside:
            inside = "" if inside in line else inside
        elif match := _HEADER.fullmatch(line):
            table = _plain(match[2])
            if match[1] == "[[":
                counts[table] = counts.get(table, 0) + 1
                lines.setdefault(table, number)
                table = f"{table}[{counts[table]}]"
            elif table.partition(".")[0] in counts:  # a table inside an array's last one
                array, dot, below = table.partition(".")
                table = f"{array}[{counts[array]}]{dot}{below}"
            lines.setdefault(table, number)
        elif match := _KEY.match(line):
            key = _plain(match[1])
            lines.setdefault(f"{table}.{key}" if table else key, number)
            quotes = match[2][:3]
            if quotes in {'"""', "'''"} and quotes not in match[2][3:]:
                inside = quotes
    return lines


def one_of(kind: type[EnumT]) -> Callable[[object], EnumT]:
    """A reader of a word that is one of an enumeration's."""

    def read(value: object) -> EnumT:
        words = " or ".join(f'"{member}"' for member in kind)
        try:
            return kind(words_of(value))
        except ValueError:
            raise Wrong(f"{shown(value)} is unknown: write {words}") from None

    return read


def words_of(value: object) -> str:
    """A reader of text that is not empty."""
    if not isinstance(value, str):
        raise Wrong(f"{shown(value)} is no text: put it in quotes")
    if not value.strip():
        raise Wrong("is empty: write some text, or leave the key out")
    return value


def list_of_words(value: object) -> tuple[str, ...]:
    """A reader of a list of texts."""
    if not isinstance(value, list):
        raise Wrong(f'{shown(value)} is no list: write ["...", "..."]')
    return tuple(words_of(item) for item in value)


def true_or_false(value: object) -> bool:
    """A reader of true or false."""
    if not isinstance(value, bool):
        raise Wrong(f"{shown(value)} is neither true nor false: write one of them, without quotes")
    return value


def whole_number(most: int) -> Callable[[object], int]:
    """A reader of a whole number from 1 to ``most``."""

    def read(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= most:
            raise Wrong(f"{shown(value)} is no whole number from 1 to {most}")
        return value

    return read


def decimal_number(value: object) -> Decimal:
    """A reader of a plain number: below 1000 either way, with at most 9 decimals."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise Wrong(
            f"{shown(value)} is no number: write it plain, without quotes; the unit is that of the file"
        )
    number = Decimal(value)
    if not number.is_finite() or not -1000 < number < 1000:
        raise Wrong(f"{shown(value)} is out of range: a length in a hub is below 1000")
    exponent = number.as_tuple().exponent
    if isinstance(exponent, int) and exponent < -9:
        raise Wrong(f"{shown(value)} has more than 9 decimals")
    return number


def shown(value: object) -> str:
    """A TOML value in a message: short, on one line."""
    match value:
        case bool():
            text = "true" if value else "false"
        case str():
            text = f'"{value}"'
        case dict():
            text = "a table"
        case list():
            text = "a list"
        case int() if abs(value) >= 10**20:
            text = "a number of many digits"
        case _:
            text = str(value)
    printable = "".join(c if c.isprintable() else "?" for c in text)
    return printable if len(printable) <= 40 else f"{printable[:37]}..."


def _read_table(document: Document, tree: dict[str, object], prefix: str, keys: Mapping[str, Key]) -> None:
    known_as = _NUMBER.sub("[]", prefix)
    for part, value in tree.items():
        name = f"{prefix}{part}"
        if f"{known_as}{part}" in keys:
            try:
                document.values[name] = keys[f"{known_as}{part}"].read(value)
            except Wrong as err:
                document.wrong(name, *err.texts)
        elif any(key.startswith(f"{known_as}{part}[].") for key in keys):
            _read_array(document, value, name, keys)
        elif any(key.startswith(f"{known_as}{part}.") for key in keys):
            if isinstance(value, dict):
                document.tables.add(name)
                _read_table(document, value, f"{name}.", keys)
            else:
                plain = _NUMBER.sub("", name)
                document.wrong(name, f"{shown(value)} is no table: write [{plain}] and its keys below it")
        else:
            document.wrong(name, _unknown(part, known_as, keys))


def _read_array(document: Document, value: object, name: str, keys: Mapping[str, Key]) -> None:
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        meant = f", or default_{name} = ... to name one" if f"default_{name}" in keys else ""
        text = f"{shown(value)} is no list of tables: write [[{name}]] above the keys of each{meant}"
        document.wrong(name, text)
        return
    for number, item in enumerate(value, start=1):
        row = f"{name}[{number}]"
        document.tables.add(row)
        _read_table(document, item, f"{row}.", keys)


def _unknown(part: str, prefix: str, keys: Mapping[str, Key]) -> str:
    from difflib import get_close_matches  # noqa: PLC0415  (only a file with a mistake pays for it)

    known = sorted(
        {
            key.removeprefix(prefix).partition(".")[0].removesuffix("[]")
            for key in keys
            if key.startswith(prefix)
        }
    )
    close = get_close_matches(part, known, n=1)
    if close:
        return f"is unknown: is {prefix}{close[0]} meant?".replace("[]", "")
    elsewhere = [key for key in keys if key.rpartition(".")[2] == part]
    if elsewhere:
        return f"is unknown here: is {elsewhere[0]} meant?".replace("[]", "")
    return f"is unknown: known here are {', '.join(known)}"


def _no_toml(message: str, text: str) -> Problem:
    match = _AT_LINE.search(message)
    line = None
    if match:
        line = int(match[1]) if match[1] else max(1, len(text.splitlines()))
        message = message[: match.start()]
    return Problem("", line, f"is not TOML: {message[:1].lower()}{message[1:]}")


def _at(problem_key: str, name: str) -> bool:
    """Whether a problem was noted at ``name``, in it, or at a table around it."""
    return problem_key == name or problem_key.startswith(f"{name}.") or name.startswith(f"{problem_key}.")


def _plain(path: str) -> str:
    """A dotted path without quotes and blanks."""
    return ".".join(part.strip().strip("\"'") for part in path.split("."))
