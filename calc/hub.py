"""Hub files: what a workshop knows of one hub, in TOML, with every mistake named by its key and line."""

from __future__ import annotations

import os
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from calc.limits import Decision, Limits
from calc.sizes import Sizes, above_zero, not_negative, read_sizes
from calc.toml_file import TomlFileError, read_text
from calc.toml_table import (
    Document,
    Key,
    Needed,
    Problem,
    Wrong,
    list_of_words,
    one_of,
    read_document,
    whole_number,
    words_of,
)
from calc.torque import Torque, parse_torque
from calc.units import Unit, UnitsError, exact_mm, to_mm

MOST_BYTES = 200_000
"""A larger file is no hub file."""

MOST_MM = Decimal(50)
"""Longer than any shim or end play, millimetres: a longer one was written in another unit."""


class Effect(StrEnum):
    """What a thicker shim does to the end play: it opens it (gives more) or closes it (gives less)."""

    OPENS = "opens"
    CLOSES = "closes"


class Aim(StrEnum):
    """Which of the shims that fit is chosen."""

    TIGHTEST = "tightest"
    MIDDLE = "middle"
    SUREST = "surest"


class LineUp(StrEnum):
    """Which way the nut goes on from its torque to line up the cotter pin."""

    TIGHTEN = "tighten"
    BACK_OFF = "back off"


@dataclass(frozen=True, slots=True)
class Nut:
    """The spindle nut.

    Attributes:
        torque: What it is tightened to.
        slots: Slots of a castle nut; None when it has none or the file does not say.
        pin_holes: Cotter pin holes through the spindle; None when the file does not say.
        line_up: Which way it goes on to line up the pin; None when the file does not say.
    """

    torque: Torque
    slots: int | None = None
    pin_holes: int | None = None
    line_up: LineUp | None = None


@dataclass(frozen=True, slots=True)
class Hub:
    """One hub, all lengths in millimetres.

    Attributes:
        title: Its name for people.
        unit: The unit of the file, in which people see its lengths.
        limits: End play allowed.
        effect: What a thicker shim does; None when no shim sets the end play.
        sizes_mm: Shim thicknesses to choose from, ascending; empty when there are none.
        trial_mm: Shim to start from with new bearings or a new spindle; None when the file names none.
        aim: Which of the shims that fit is chosen.
        decision: How a measured end play is held against the limits.
        nut: The spindle nut; None when the file has none.
        shim_u_mm: Standard uncertainty of a shim's thickness as measured; 0 when not stated.
        reassembly_u_mm: Standard uncertainty that taking apart and reassembling adds; 0 when not stated.
        cautions: Sentences to show before the work.
        text: The file's own text.
        path: Where it was read from.
        warnings: What is allowed but looks like a mistake.
    """

    title: str
    unit: Unit
    limits: Limits
    effect: Effect | None = None
    sizes_mm: tuple[float, ...] = ()
    trial_mm: float | None = None
    aim: Aim = Aim.TIGHTEST
    decision: Decision = Decision.SIMPLE
    nut: Nut | None = None
    shim_u_mm: float = 0.0
    reassembly_u_mm: float = 0.0
    cautions: tuple[str, ...] = ()
    text: str = ""
    path: str = ""
    warnings: tuple[Problem, ...] = ()


class HubFileError(TomlFileError):
    """A hub file cannot be used."""


def load_hub(path: str | os.PathLike[str]) -> Hub:
    """Read a hub file.

    Args:
        path: The file, UTF-8.

    Raises:
        HubFileError: If it cannot be read or has mistakes; all of them are named.
    """
    return parse_hub(read_text(path, "hub file", MOST_BYTES, HubFileError), os.fspath(path))


def parse_hub(text: str, name: str) -> Hub:
    """Read the text of a hub file.

    Args:
        text: The whole file.
        name: What to call it in messages; kept as ``Hub.path``.

    Raises:
        HubFileError: If it has mistakes; all of them are named.
    """
    document = read_document(text, _KEYS)
    warnings = _check(document)
    if document.problems:
        raise HubFileError(name, document.sorted_problems())
    return _hub(document, text, name, warnings)


def _torque(value: object) -> Torque:
    try:
        return parse_torque(words_of(value))
    except UnitsError as err:
        raise Wrong(str(err)) from err


_KEYS: dict[str, Key] = {
    "title": Key(words_of, Needed.ALWAYS),
    "unit": Key(one_of(Unit), Needed.ALWAYS),
    "decision": Key(one_of(Decision)),
    "cautions": Key(list_of_words),
    "end_play.least": Key(not_negative, Needed.ALWAYS),
    "end_play.most": Key(not_negative, Needed.ALWAYS),
    "shim.effect": Key(one_of(Effect), Needed.WITH_ITS_TABLE),
    "shim.sizes": Key(read_sizes, Needed.WITH_ITS_TABLE),
    "shim.trial": Key(above_zero),
    "shim.aim": Key(one_of(Aim)),
    "uncertainty.shim": Key(not_negative),
    "uncertainty.reassembly": Key(not_negative),
    "nut.torque": Key(_torque, Needed.WITH_ITS_TABLE),
    "nut.slots": Key(whole_number(24)),
    "nut.pin_holes": Key(whole_number(4)),
    "nut.line_up": Key(one_of(LineUp)),
}
"""Every key of a hub file, how it is read, and whether it may be left out."""


def _check(document: Document) -> tuple[Problem, ...]:
    """Note the mistakes that show only between keys; return what is merely odd."""
    values = document.values
    unit = values.get("unit", Unit.MM)
    for key, value in values.items():
        numbers = value.values if isinstance(value, Sizes) else (value,)
        longest = max((n for n in numbers if isinstance(n, Decimal)), default=Decimal(0))
        if exact_mm(longest, unit) > MOST_MM:
            document.wrong(
                key, f"{longest} {unit} is longer than {MOST_MM} mm: is the unit of the file right?"
            )
    least, most = values.get("end_play.least"), values.get("end_play.most")
    if least is not None and most is not None and least > most:
        document.wrong(
            "end_play.least", f"{least} is more than end_play.most, {most}: exchange or correct them"
        )
    trial, sizes = values.get("shim.trial"), values.get("shim.sizes")
    if trial is not None and sizes is not None and trial not in sizes.values:
        text = f"{trial} is not among shim.sizes: is it meant to be?"
        return (Problem("shim.trial", document.line("shim.trial"), text),)
    return ()


def _hub(document: Document, text: str, name: str, warnings: tuple[Problem, ...]) -> Hub:
    values = document.values
    unit: Unit = values["unit"]

    def length_mm(key: str) -> float | None:
        return to_mm(values[key], unit) if key in values else None

    nut = None
    if "nut.torque" in values:
        nut = Nut(
            values["nut.torque"],
            values.get("nut.slots"),
            values.get("nut.pin_holes"),
            values.get("nut.line_up"),
        )
    sizes: Sizes = values.get("shim.sizes", Sizes(()))
    return Hub(
        title=values["title"],
        unit=unit,
        limits=Limits(to_mm(values["end_play.least"], unit), to_mm(values["end_play.most"], unit)),
        effect=values.get("shim.effect"),
        sizes_mm=tuple(to_mm(size, unit) for size in sizes.values),
        trial_mm=length_mm("shim.trial"),
        aim=values.get("shim.aim", Aim.TIGHTEST),
        decision=values.get("decision", Decision.SIMPLE),
        nut=nut,
        shim_u_mm=length_mm("uncertainty.shim") or 0.0,
        reassembly_u_mm=length_mm("uncertainty.reassembly") or 0.0,
        cautions=values.get("cautions", ()),
        text=text,
        path=name,
        warnings=warnings,
    )
