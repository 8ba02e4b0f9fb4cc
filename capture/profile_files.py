"""Gauge profiles from TOML files; every mistake is reported with its key and line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from calc.units import Unit, UnitsError, exact_mm, parse_length
from capture.errors import ProfileError, ProfileProblem
from capture.framing import MOST_FRAME_BYTES
from capture.line import parse_line
from capture.profiles import BUILT_IN, Example, LineFraming, Parse, Profile, SerialSettings
from capture.readings import Gauge
from capture.text_format import TextFormat

MOST_PROFILE_BYTES = 100_000
"""A larger file is no profile."""


def load_profile(name_or_path: str) -> Profile:
    """Give a built-in profile by its name, or read one from a file.

    Args:
        name_or_path: Such as ``line`` or ``my-gauge.toml``.

    Raises:
        ProfileError: If there is no such profile or file, or the file has mistakes.
    """
    if name_or_path in BUILT_IN:
        return BUILT_IN[name_or_path]
    path = Path(name_or_path)
    if not (path.suffix or path.exists() or len(path.parts) > 1):
        known = ", ".join(sorted(BUILT_IN))
        raise _error(
            name_or_path, f"is not built in; give one of {known}, or the file of your own (NAME.toml)"
        )
    try:
        with path.open("rb") as file:
            data = file.read(MOST_PROFILE_BYTES + 1)
        if len(data) > MOST_PROFILE_BYTES:
            raise _error(name_or_path, f"is larger than {MOST_PROFILE_BYTES} bytes, so it is no profile")
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise _error(name_or_path, f"cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise _error(name_or_path, "is not UTF-8 text, so it is no profile") from error
    return parse_profile(text, name_or_path)


def parse_profile(text: str, name: str) -> Profile:
    """Make a profile of a file's text.

    Args:
        text: TOML.
        name: What to call it in an error, and in itself where it has no ``name``.

    Raises:
        ProfileError: With every mistake that was found.
    """
    try:
        tables = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise _error(name, f"is no TOML: {error}") from error
    return _Reader(tables, text, name).read()


def _error(name: str, text: str) -> ProfileError:
    return ProfileError(name, (ProfileProblem("", None, text),))


class _WrongError(Exception):
    """A value is not what its key needs; the text says what to write."""


Check = Callable[[object], Any]


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise _WrongError(f"{value!r} must be a text of one line")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise _WrongError(f"{value!r} must be true or false")
    return value


def _whole(least: int, most: int) -> Check:
    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise _WrongError(f"{value!r} must be a whole number from {least} to {most}")
        return value

    return check


def _one_of(*choices: str) -> Check:
    def check(value: object) -> str:
        if value not in choices:
            raise _WrongError(f"{value!r} must be one of {', '.join(choices)}")
        return str(value)

    return check


def _stopbits(value: object) -> float:
    if isinstance(value, bool) or value not in (1, Decimal("1.5"), 2):
        raise _WrongError(f"{value!r} must be 1, 1.5 or 2")
    return float(str(value))


def _unit(value: object) -> Unit:
    return Unit(_one_of(*Unit)(value))


def _units(value: object) -> dict[bytes, Unit]:
    if not isinstance(value, dict) or not value:
        raise _WrongError('must say what each unit text means, such as { "0" = "mm", "1" = "in" }')
    return {key.strip().lower().encode(): _unit(unit) for key, unit in value.items()}


def _pattern(value: object) -> re.Pattern[bytes]:
    try:
        pattern = re.compile(_text(value).encode("latin-1"))
    except UnicodeEncodeError as error:
        raise _WrongError("holds characters that are no single byte; write them as \\xNN") from error
    except re.error as error:
        raise _WrongError(f"is no pattern: {error}") from error
    unknown = pattern.groupindex.keys() - {"value", "sign", "unit"}
    if "value" not in pattern.groupindex or unknown:
        raise _WrongError("needs the group (?P<value>...), may have sign and unit, and no other named group")
    return pattern


def _length(value: object) -> Decimal | str:
    """Leave a number for later, when the gauge's unit is known; check a text now."""
    if isinstance(value, str):
        try:
            number: Decimal = parse_length(value)
        except UnitsError as error:
            raise _WrongError(str(error)) from error
    elif isinstance(value, (int, Decimal)) and not isinstance(value, bool):
        number = Decimal(value)
    else:
        raise _WrongError(f"{value!r} must be a length")
    if not (number.is_finite() and 0 < number <= 1000):
        raise _WrongError(f"{value!r} must be above 0 and at most 1000")
    return value if isinstance(value, str) else number


_SETTINGS: dict[str, Check] = {
    "baud": _whole(50, 4_000_000),
    "bytesize": _whole(5, 8),
    "parity": _one_of("none", "even", "odd", "mark", "space"),
    "stopbits": _stopbits,
    "rtscts": _flag,
    "xonxoff": _flag,
    "dsrdtr": _flag,
    "dtr": _flag,
    "rts": _flag,
}

_LENGTHS = ("resolution", "range", "permissible_error")

_KEYS: dict[str, dict[str, Check]] = {
    "": {"name": _text, "title": _text},
    "gauge": {"unit": _unit, "permissible_error_source": _text, **dict.fromkeys(_LENGTHS, _length)},
    "serial": _SETTINGS,
    "framing": {"most_bytes": _whole(1, 4096)},
    "text": {"pattern": _pattern, "decimals": _whole(0, 9), "units": _units},
    "examples": {"frame": _text, "value": _text, "unit": _unit},
}
"""Every table and key of a profile file, with the check of its value."""


class _Reader:
    """Reads one file's tables and gathers its mistakes."""

    def __init__(self, tables: dict[str, Any], text: str, name: str) -> None:
        self._tables = tables
        self._lines = _key_lines(text)
        self._name = name
        self._problems: list[ProfileProblem] = []

    def read(self) -> Profile:
        top = {key: value for key, value in self._tables.items() if key not in _KEYS or not key}
        head = self._table("", top)
        gauge = self._gauge(self._table("gauge"))
        settings = SerialSettings(**self._table("serial"))
        framing = LineFraming(self._table("framing").get("most_bytes", MOST_FRAME_BYTES))
        parse = self._parse()
        examples = self._examples()
        profile = Profile(
            name=head.get("name", self._name),
            title=head.get("title", ""),
            parse=parse,
            gauge=gauge,
            settings=settings,
            framing=framing,
            examples=examples,
        )
        broken = None if self._problems else profile.broken_example()
        if broken:
            self._wrong("examples", broken)
        if self._problems:
            raise ProfileError(self._name, tuple(self._problems))
        return profile

    def _wrong(self, key: str, text: str) -> None:
        self._problems.append(ProfileProblem(key, self._lines.get(key), text))

    def _table(self, name: str, table: object = None, place: str | None = None) -> dict[str, Any]:
        """The checked values of one table; what is wrong in it becomes a problem and is left out."""
        place = name if place is None else place
        table = self._tables.get(name, {}) if table is None else table
        if not isinstance(table, Mapping):
            self._wrong(place, "must be a table")
            return {}
        known = _KEYS[name]
        values: dict[str, Any] = {}
        for key, value in table.items():
            full = f"{place}.{key}" if place else key
            if key not in known:
                self._wrong(full, "is no key here" + _nearest(key, [*known, *([] if name else _KEYS)]))
                continue
            try:
                values[key] = known[key](value)
            except _WrongError as error:
                self._wrong(full, str(error))
        return values

    def _gauge(self, values: dict[str, Any]) -> Gauge:
        unit: Unit | None = values.get("unit")
        lengths: dict[str, float | None] = {}
        for key in _LENGTHS:
            value = values.get(key)
            if isinstance(value, Decimal):
                if unit is None:
                    self._wrong(f"gauge.{key}", f'has no unit; write unit = "mm" above it, or "{value}mm"')
                    continue
                value = exact_mm(value, unit)
            elif value is not None:
                value = parse_length(value)
            lengths[f"{key}_mm"] = None if value is None else float(value)
        return Gauge(
            unit=unit, permissible_error_source=values.get("permissible_error_source", ""), **lengths
        )

    def _parse(self) -> Parse:
        values = self._table("text")
        table = self._tables.get("text")
        if not isinstance(table, Mapping):
            return parse_line
        if "pattern" not in values:
            if "pattern" not in table:
                self._wrong(
                    "text", "needs a pattern; without the table [text] the lines are read as profile line"
                )
            return parse_line
        return TextFormat(values["pattern"], values.get("units"), values.get("decimals", 0))

    def _examples(self) -> tuple[Example, ...]:
        rows = self._tables.get("examples", [])
        if not isinstance(rows, list):
            self._wrong("examples", "must be written as [[examples]]")
            return ()
        examples = []
        for number, row in enumerate(rows):
            place = f"examples[{number}]"
            values = self._table("examples", row, place)
            try:
                frame = values["frame"].encode("latin-1")
                value = None if values["value"] == "garbled" else Decimal(values["value"])
            except (KeyError, ValueError, ArithmeticError):
                self._wrong(place, 'needs frame = "..." and value = "0.123", or value = "garbled"')
                continue
            examples.append(Example(frame, value, values.get("unit")))
        return tuple(examples)


def _nearest(key: str, known: list[str]) -> str:
    near = difflib.get_close_matches(key, [word for word in known if word], n=1)
    return f'; did you mean "{near[0]}"?' if near else "; known are " + ", ".join(w for w in known if w)


_TABLE_LINE = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?").fullmatch
_KEY_LINE = re.compile(r"\s*([A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')\s*=").match


def _key_lines(text: str) -> dict[str, int]:
    """Where each key and table stands; a text of several lines may mislead it, and then a number is off."""
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), 1):
        head = _TABLE_LINE(line)
        if head:
            table = head[2]
            if head[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                lines.setdefault(table, number)
                table = f"{table}[{counts[table]}]"
            lines.setdefault(table, number)
            continue
        key = _KEY_LINE(line)
        if key:
            name = key[1].strip("\"'")
            lines.setdefault(f"{table}.{name}" if table else name, number)
    return lines
