"""Every table and key of a profile file, each with the check of its value."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from calc.units import Unit, UnitsError, parse_length
from capture.checksums import KINDS
from capture.flags import Flag
from capture.packed_format import CODINGS, WIDEST, Bits
from capture.packets import Mark

MOST_FRAME = 4096
"""Longest frame that a profile may allow, bytes."""

MOST_MARK = 16
"""Longest start or end mark, bytes."""

SENDS = ("stream", "asked", "button")

Check = Callable[[object], Any]


class WrongError(Exception):
    """A value is not what its key needs; the text says what to write."""


def text(value: object) -> str:
    """One line of text."""
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise WrongError(f"{value!r} must be a text of one line")
    return value


def raw(most: int) -> Check:
    """Bytes, at least one, written as text or as a list of numbers."""

    def check(value: object) -> bytes:
        data = b""
        try:
            if isinstance(value, str):
                data = value.encode("latin-1")
            elif isinstance(value, list) and all(type(one) is int for one in value):
                data = bytes(value)
        except ValueError:
            data = b""
        if not data:
            raise WrongError(f"{value!r} must be a text or a list of bytes such as [0xAA, 0x55]")
        if len(data) > most:
            raise WrongError(f"{value!r} must have at most {most} bytes")
        return data

    return check


def flag(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise WrongError(f"{value!r} must be true or false")
    return value


def whole(least: int, most: int) -> Check:
    """A whole number within limits."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise WrongError(f"{value!r} must be a whole number from {least} to {most}")
        return value

    return check


def number(least: str, most: str) -> Check:
    """A decimal number within limits."""

    def check(value: object) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise WrongError(f"{value!r} must be a number from {least} to {most}")
        decimal = Decimal(value)
        if not (decimal.is_finite() and Decimal(least) <= decimal <= Decimal(most)):
            raise WrongError(f"{value!r} must be a number from {least} to {most}")
        return decimal

    return check


def one_of(*choices: str) -> Check:
    """One of a few words."""

    def check(value: object) -> str:
        if value not in choices:
            raise WrongError(f"{value!r} must be one of {', '.join(choices)}")
        return str(value)

    return check


def stopbits(value: object) -> float:
    """Stop bits of a serial line."""
    if isinstance(value, bool) or value not in (1, Decimal("1.5"), 2):
        raise WrongError(f"{value!r} must be 1, 1.5 or 2")
    return float(str(value))


def unit(value: object) -> Unit:
    """Millimetres or inches."""
    return Unit(one_of(*Unit)(value))


def units(value: object) -> dict[bytes, Unit]:
    """What each unit text means."""
    return {
        key.strip().lower().encode(): unit(one)
        for key, one in _table(value, "unit", '{ "0" = "mm", "1" = "in" }').items()
    }


def signs(value: object) -> dict[bytes, str]:
    """What each sign text means."""
    meaning = {"+": "", "-": "-"}
    return {
        key.strip().encode("latin-1", "replace"): meaning[one_of("+", "-")(one)]
        for key, one in _table(value, "sign", '{ "P" = "+", "N" = "-" }').items()
    }


def flags(value: object) -> dict[str, Flag]:
    """What each flag character means."""
    table = _table(value, "flag", '{ "H" = "hold", "B" = "low battery" }')
    if any(len(key) != 1 for key in table):
        raise WrongError("must have one character for each flag")
    return {key: Flag(one_of(*Flag)(one)) for key, one in table.items()}


def _table(value: object, what: str, such_as: str) -> Mapping[str, object]:
    if not isinstance(value, dict) or not value:
        raise WrongError(f"must say what each {what} text means, such as {such_as}")
    return value


def flag_list(value: object) -> frozenset[Flag]:
    """The flags of an example."""
    if not isinstance(value, list):
        raise WrongError(f'{value!r} must be a list such as ["hold"]')
    return frozenset(Flag(one_of(*Flag)(one)) for one in value)


def pattern(value: object) -> re.Pattern[bytes]:
    """A regular expression with the group ``value``."""
    try:
        made = re.compile(text(value).encode("latin-1"))
    except UnicodeEncodeError as error:
        raise WrongError("holds characters that are no single byte; write them as \\xNN") from error
    except (re.error, RecursionError, OverflowError) as error:
        raise WrongError(f"is no pattern: {error}") from error
    unknown = made.groupindex.keys() - {"value", "sign", "unit", "flags"}
    if "value" not in made.groupindex or unknown:
        raise WrongError(
            "needs the group (?P<value>...), may have sign, unit and flags, and no other named group"
        )
    return made


def length(value: object) -> Decimal | str:
    """A length; a number is left for later, when the gauge's unit is known, a text is checked now."""
    if isinstance(value, str):
        try:
            size: Decimal = parse_length(value)
        except UnitsError as error:
            raise WrongError(str(error)) from error
    elif isinstance(value, (int, Decimal)) and not isinstance(value, bool):
        size = Decimal(value)
    else:
        raise WrongError(f"{value!r} must be a length")
    if not (size.is_finite() and 0 < size <= 1000):
        raise WrongError(f"{value!r} must be above 0 and at most 1000")
    return value if isinstance(value, str) else size


def inline(keys: Mapping[str, Check], needed: tuple[str, ...], such_as: str) -> Check:
    """A table written in one line; gives the checked values."""

    def check(value: object) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise WrongError(f"must be a table such as {such_as}")
        for key in value:
            if key not in keys:
                raise WrongError(f'has no "{key}"; known are {", ".join(keys)}')
        missing = [key for key in needed if key not in value]
        if missing:
            raise WrongError(f"needs {' and '.join(missing)}, such as {such_as}")
        checked = {}
        for key, one in value.items():
            try:
                checked[key] = keys[key](one)
            except WrongError as error:
                raise WrongError(f"{key}: {error}") from None
        return checked

    return check


_AT = whole(0, MOST_FRAME - 1)
_BITS = inline({"at": _AT, "mask": whole(1, 255)}, ("at", "mask"), "{ at = 5, mask = 0x80 }")


def bits(value: object) -> Bits:
    """Some bits of one byte."""
    return Bits(**_BITS(value))


def marks(value: object) -> tuple[Mark, ...]:
    """Bits that never change."""
    if not isinstance(value, list):
        raise WrongError("must be a list such as [{ at = 0, mask = 0x80, value = 0x80 }]")
    check = inline(
        {"at": _AT, "mask": whole(1, 255), "value": whole(0, 255)},
        ("at", "value"),
        "{ at = 0, mask = 0x80, value = 0x80 }",
    )
    made = []
    for one in value:
        mark = {"mask": 255} | check(one)
        if mark["value"] & ~mark["mask"]:
            raise WrongError(f"value {mark['value']:#x} has bits that the mask {mark['mask']:#x} leaves out")
        made.append(Mark(**mark))
    return tuple(made)


SETTINGS: dict[str, Check] = {
    "baud": whole(50, 4_000_000),
    "bytesize": whole(5, 8),
    "parity": one_of("none", "even", "odd", "mark", "space"),
    "stopbits": stopbits,
    "rtscts": flag,
    "xonxoff": flag,
    "dsrdtr": flag,
    "dtr": flag,
    "rts": flag,
    "request": raw(64),
    "period": number("0.01", "60"),
}

LENGTHS = ("resolution", "range", "permissible_error")

_CHECKSUM = inline(
    {
        "kind": one_of(*KINDS),
        "first": _AT,
        "at": whole(-MOST_FRAME, MOST_FRAME - 1),
        "stop": whole(-MOST_FRAME, MOST_FRAME - 1),
        "form": one_of("binary", "hex"),
        "order": one_of("big", "little"),
    },
    ("kind",),
    '{ kind = "xor", first = 1 }',
)

_VALUE = inline(
    {
        "at": _AT,
        "width": whole(1, WIDEST),
        "order": one_of("big", "little"),
        "nibbles": one_of("high", "low"),
        "coding": one_of(*CODINGS),
        "mask": whole(1, 256**WIDEST - 1),
        "zero": whole(-(2**63), 2**63),
    },
    ("at", "width"),
    '{ at = 2, width = 3, coding = "bcd" }',
)

_SIGN = inline(
    {"at": _AT, "mask": whole(1, 255), "minus": whole(0, 255)}, ("at", "mask"), "{ at = 5, mask = 0x80 }"
)

_UNIT = inline(
    {"at": _AT, "mask": whole(1, 255), "mm": whole(0, 255), "in": whole(0, 255)},
    ("at", "mask"),
    "{ at = 5, mask = 0x01, mm = 0, in = 1 }",
)

KEYS: dict[str, dict[str, Check]] = {
    "": {"name": text, "title": text, "sends": one_of(*SENDS)},
    "gauge": {"unit": unit, "permissible_error_source": text, **dict.fromkeys(LENGTHS, length)},
    "serial": SETTINGS,
    "framing": {
        "most_bytes": whole(1, MOST_FRAME),
        "start": raw(MOST_MARK),
        "end": raw(MOST_MARK),
        "trailer": whole(0, 8),
        "length": whole(1, MOST_FRAME),
        "length_at": _AT,
        "length_add": whole(-255, MOST_FRAME),
        "marks": marks,
        "checksum": _CHECKSUM,
    },
    "text": {
        "pattern": pattern,
        "decimals": whole(0, 9),
        "decimals_in": whole(0, 9),
        "units": units,
        "signs": signs,
        "flags": flags,
    },
    "packed": {
        "value": _VALUE,
        "sign": _SIGN,
        "decimals": whole(0, 9),
        "decimals_in": whole(0, 9),
        "scale": number("0.000000001", "1000"),
        "scale_in": number("0.000000001", "1000"),
        "point": bits,
        "unit": _UNIT,
        "error": bits,
        "hold": bits,
        "low_battery": bits,
    },
    "examples": {"frame": raw(MOST_FRAME), "value": text, "unit": unit, "flags": flag_list},
}
"""Every table and key, with the check of its value."""
