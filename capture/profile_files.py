"""Gauge profiles from TOML files; every mistake is reported with its key and line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from calc.units import Unit, exact_mm, parse_length
from capture.checksums import Checksum
from capture.errors import ProfileError, ProfileProblem
from capture.flags import Flag, ReadFlags
from capture.framing import MOST_FRAME_BYTES
from capture.line import parse_line
from capture.packed_format import Bits, Packed, PackedFormat
from capture.packets import Mark, MarkedFraming, SizedFraming
from capture.profile_keys import KEYS, LENGTHS, WrongError
from capture.profiles import BUILT_IN, Example, Framing, LineFraming, Parse, Profile, SerialSettings
from capture.readings import Gauge
from capture.text_format import TextFormat

MOST_PROFILE_BYTES = 100_000
"""A larger file is no profile."""

FORMATS = Path(__file__).with_name("formats")
"""Where the files of the built-in profiles are, each named after its profile."""


@cache
def built_in_names() -> tuple[str, ...]:
    """Names of every profile that is always there."""
    return (*BUILT_IN, *sorted(path.stem for path in FORMATS.glob("*.toml")))


@cache
def built_in(name: str) -> Profile:
    """Give a built-in profile.

    Args:
        name: One of ``built_in_names()``.
    """
    if name in BUILT_IN:
        return BUILT_IN[name]
    return parse_profile((FORMATS / f"{name}.toml").read_text(encoding="utf-8"), name)


def load_profile(name_or_path: str) -> Profile:
    """Give a built-in profile by its name, or read one from a file.

    Args:
        name_or_path: Such as ``line`` or ``my-gauge.toml``.

    Raises:
        ProfileError: If there is no such profile or file, or the file has mistakes.
    """
    if name_or_path in BUILT_IN or name_or_path in built_in_names():
        return built_in(name_or_path)
    path = Path(name_or_path)
    if not (path.suffix or path.exists() or len(path.parts) > 1):
        known = ", ".join(built_in_names())
        raise _error(
            name_or_path, f"is not built in; give one of {known}, or the file of your own (NAME.toml)"
        )
    return load_file(path)


def load_file(path: Path) -> Profile:
    """Read a profile from a file.

    Raises:
        ProfileError: If there is no such file, or it has mistakes.
    """
    name = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(MOST_PROFILE_BYTES + 1)
        if len(data) > MOST_PROFILE_BYTES:
            raise _error(name, f"is larger than {MOST_PROFILE_BYTES} bytes, so it is no profile")
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise _error(name, f"cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise _error(name, "is not UTF-8 text, so it is no profile") from error
    return parse_profile(text, name)


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


class _Reader:
    """Reads one file's tables and gathers its mistakes."""

    def __init__(self, tables: dict[str, Any], text: str, name: str) -> None:
        self._tables = tables
        self._text = text
        self._lines = _key_lines(text)
        self._name = name
        self._problems: list[ProfileProblem] = []

    def read(self) -> Profile:
        top = {key: value for key, value in self._tables.items() if key not in KEYS or not key}
        head = self._table("", top)
        gauge = self._gauge(self._table("gauge"))
        settings = self._settings(self._table("serial"))
        sends = head.get("sends", "asked" if settings.request else "stream")
        if bool(settings.request) != (sends == "asked"):
            self._wrong("sends", 'is "asked" exactly where the table [serial] has a request')
        framing = self._framing(self._table("framing"), stream=sends == "stream")
        parse, read_flags = self._format(framing)
        examples = self._examples()
        profile = Profile(
            name=head.get("name", self._name),
            title=head.get("title", ""),
            parse=parse,
            gauge=replace(gauge, single=sends == "button"),
            settings=settings,
            framing=framing,
            examples=examples,
            sends=sends,
            read_flags=read_flags,
            source=self._text,
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
        known = KEYS[name]
        values: dict[str, Any] = {}
        for key, value in table.items():
            full = f"{place}.{key}" if place else key
            if key not in known:
                self._wrong(full, "is no key here" + _nearest(key, [*known, *([] if name else KEYS)]))
                continue
            try:
                values[key] = known[key](value)
            except WrongError as error:
                self._wrong(full, str(error))
        return values

    def _gauge(self, values: dict[str, Any]) -> Gauge:
        unit: Unit | None = values.get("unit")
        lengths: dict[str, float | None] = {}
        for key in LENGTHS:
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
            unit=unit,
            resolution_mm=lengths.get("resolution_mm"),
            range_mm=lengths.get("range_mm"),
            permissible_error_mm=lengths.get("permissible_error_mm"),
            permissible_error_source=values.get("permissible_error_source", ""),
        )

    def _settings(self, values: dict[str, Any]) -> SerialSettings:
        if "period" in values:
            values["period_s"] = float(values.pop("period"))
        return SerialSettings(**values)

    def _framing(self, values: dict[str, Any], *, stream: bool) -> Framing:
        most = values.get("most_bytes", MOST_FRAME_BYTES)
        checksum = Checksum(**values["checksum"]) if "checksum" in values else None
        start, end = values.get("start", b""), values.get("end", b"")
        if "length" in values or "length_at" in values:
            return self._sized(values, checksum, confirm=stream and checksum is None)
        for key in ("marks", "length_add"):
            if key in values:
                self._wrong(f"framing.{key}", "needs a length, or a length_at that says which byte has it")
        if end:
            if "trailer" in values and not start:
                self._wrong("framing.trailer", "needs a start")
            return MarkedFraming(end, start, values.get("trailer", 0), checksum, most)
        for key in ("start", "trailer"):
            if key in values:
                self._wrong(f"framing.{key}", "needs an end, or a length")
        return LineFraming(most, checksum)

    def _sized(self, values: dict[str, Any], checksum: Checksum | None, *, confirm: bool) -> Framing:
        most = values.get("most_bytes", MOST_FRAME_BYTES)
        length, end = values.get("length", 0), values.get("end", b"")
        marks = values.get("marks", ())
        if "length_at" in values and length:
            self._wrong("framing.length_at", "cannot stand beside length: give one of them")
        if length > most:
            self._wrong("framing.length", f"is more than most_bytes, {most}")
        if "trailer" in values:
            self._wrong("framing.trailer", "has no meaning beside a length")
        if end and not length:
            self._wrong("framing.end", "has no meaning beside length_at")
        elif end:
            marks += tuple(Mark(length - len(end) + place, 255, byte) for place, byte in enumerate(end))
        for mark in marks:
            if length and not 0 <= mark.at < length:
                self._wrong("framing.marks", f"names byte {mark.at}, and a frame has {length}")
        if not (values.get("start") or marks or checksum):
            self._wrong(
                "framing", "needs a start, marks or a checksum: nothing else says where a frame begins"
            )
        if checksum is not None and length and not 0 <= checksum.place(length) <= length - checksum.size:
            self._wrong("framing.checksum", f"stands outside of a frame of {length} bytes")
        return SizedFraming(
            start=values.get("start", b""),
            length=length,
            length_at=values.get("length_at", 0),
            length_add=values.get("length_add", 0),
            marks=marks,
            checksum=checksum,
            confirm=confirm,
            most_bytes=most,
        )

    def _format(self, framing: Framing) -> tuple[Parse, ReadFlags | None]:
        texts, packed = self._table("text"), self._table("packed")
        if "text" in self._tables and "packed" in self._tables:
            self._wrong("packed", "cannot stand beside [text]: a frame is read in one way")
        if isinstance(self._tables.get("packed"), Mapping):
            return self._packed(packed, framing)
        table = self._tables.get("text")
        if not isinstance(table, Mapping):
            return parse_line, None
        if "pattern" not in texts:
            if "pattern" not in table:
                self._wrong(
                    "text", "needs a pattern; without the table [text] the lines are read as profile line"
                )
            return parse_line, None
        made = TextFormat(**texts)
        if bool(made.flags) != ("flags" in made.pattern.groupindex):
            self._wrong(
                "text.flags", "goes with the group (?P<flags>...) in the pattern, one not without the other"
            )
        return made, made.read_flags if made.flags else None

    def _packed(self, values: dict[str, Any], framing: Framing) -> tuple[Parse, ReadFlags | None]:
        if "value" not in values:
            if "value" not in self._tables["packed"]:
                self._wrong("packed", "needs value = { at = ..., width = ... }")
            return parse_line, None
        value = Packed(**values["value"])
        if value.mask >> (8 * value.width):
            self._wrong("packed.value", f"has a mask of more than {value.width} bytes")
        sign = values.get("sign", {})
        unit = values.get("unit", {})
        flags = {Flag.HOLD: values.get("hold"), Flag.LOW_BATTERY: values.get("low_battery")}
        made = PackedFormat(
            value=value,
            sign=Bits(sign["at"], sign["mask"]) if sign else None,
            minus=sign.get("minus", 1),
            scale=self._scale(values),
            point=values.get("point"),
            unit=Bits(unit["at"], unit["mask"]) if unit else None,
            units={unit.get("mm", 0): Unit.MM, unit.get("in", 1): Unit.INCH},
            error=values.get("error"),
            flags={flag: bits for flag, bits in flags.items() if bits is not None},
        )
        length = framing.length if isinstance(framing, SizedFraming) else 0
        if length and made.least_bytes > length:
            self._wrong(
                "packed", f"reads byte {made.least_bytes - 1}, counted from 0, and a frame has {length}"
            )
        return made, made.read_flags if made.flags else None

    def _scale(self, values: dict[str, Any]) -> dict[Unit, Decimal]:
        scale: dict[Unit, Decimal] = {}
        for unit, key, digits in ((Unit.MM, "scale", "decimals"), (Unit.INCH, "scale_in", "decimals_in")):
            if key in values and digits in values:
                self._wrong(f"packed.{digits}", f"cannot stand beside {key}: give one of them")
            if key in values:
                scale[unit] = values[key]
            elif digits in values:
                scale[unit] = Decimal(1).scaleb(-values[digits])
        scale.setdefault(Unit.MM, Decimal(1))
        return scale

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
                frame = values["frame"]
                value = None if values["value"] == "garbled" else Decimal(values["value"])
            except (KeyError, ValueError, ArithmeticError):
                self._wrong(place, 'needs frame = "..." and value = "0.123", or value = "garbled"')
                continue
            flags = values.get("flags", frozenset())
            examples.append(Example(frame, value, values.get("unit"), flags))
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
