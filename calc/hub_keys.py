"""The keys of a hub file, how each is read, and the mistakes that show only between keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from calc.hub_rules import Aim, Effect, LineUp, Renew, Step
from calc.limits import Decision
from calc.sizes import Sizes, above_zero, not_negative, read_sizes
from calc.toml_table import (
    Document,
    Key,
    Needed,
    Problem,
    Wrong,
    list_of_words,
    one_of,
    true_or_false,
    whole_number,
    words_of,
)
from calc.torque import Torque, parse_torque
from calc.units import MM_PER_INCH, Unit, UnitsError, exact_mm

MOST_MM = Decimal(50)
"""Longer than any shim or end play, millimetres: a longer one was written in another unit."""

PITCHES_MM = (Decimal("0.2"), Decimal(8))
"""Thread pitches of spindle nuts lie well between these, millimetres: others were written in another unit."""


def torque_of(value: object) -> Torque:
    """A reader of a torque with its unit, in quotes."""
    try:
        return parse_torque(words_of(value))
    except UnitsError as err:
        raise Wrong(str(err)) from err


_VARIED: dict[str, Key] = {
    "lubricant": Key(words_of),
    "fit": Key(words_of),
    "end_play.least": Key(not_negative, Needed.ALWAYS),
    "end_play.most": Key(not_negative, Needed.ALWAYS),
    "shim.effect": Key(one_of(Effect), Needed.WITH_ITS_TABLE),
    "shim.sizes": Key(read_sizes, Needed.WITH_ITS_TABLE),
    "shim.trial": Key(above_zero),
    "shim.aim": Key(one_of(Aim)),
    "shim.most_in_pack": Key(whole_number(10)),
    "shim.bin": Key(words_of),
    "nut.torque": Key(torque_of, Needed.WITH_ITS_TABLE),
    "nut.tolerance": Key(torque_of),
    "nut.most": Key(torque_of),
    "nut.slots": Key(whole_number(24)),
    "nut.pin_holes": Key(whole_number(4)),
    "nut.line_up": Key(one_of(LineUp)),
    "nut.thread_pitch": Key(above_zero),
    "nut.threads_per_inch": Key(above_zero),
    "nut.washer": Key(words_of),
    "seals.outer": Key(words_of),
    "seals.inner": Key(words_of),
    **{f"steps.{step}.{what}": Key(list_of_words) for step in Step for what in ("do", "cautions")},
}
"""Keys that a variant may say anew."""

KEYS: dict[str, Key] = {
    "title": Key(words_of, Needed.ALWAYS),
    "unit": Key(one_of(Unit), Needed.ALWAYS),
    "decision": Key(one_of(Decision)),
    "cautions": Key(list_of_words),
    **_VARIED,
    "uncertainty.shim": Key(not_negative),
    "uncertainty.reassembly": Key(not_negative),
    "part[].name": Key(words_of, Needed.ALWAYS),
    "part[].look_for": Key(words_of),
    "part[].renew": Key(one_of(Renew)),
    "part[].with": Key(list_of_words),
    "part[].becomes": Key(words_of),
    "part[].trial": Key(true_or_false),
    "default_variant": Key(words_of),
    "variant[].name": Key(words_of, Needed.ALWAYS),
    "variant[].title": Key(words_of),
    "variant[].tell_by": Key(words_of),
    **{f"variant[].{name}": Key(key.read) for name, key in _VARIED.items()},
}
"""Every key of a hub file, how it is read, and whether it may be left out."""


@dataclass(frozen=True, slots=True)
class Scope:
    """The values that hold for a variant, or for the file when it has no row.

    Attributes:
        row: The variant's table, ``variant[1]``; empty for the file's own values.
        values: Value of each key that a variant may say, by the key's plain name.
        keys: The full key that each value came from.
    """

    row: str
    values: dict[str, Any]
    keys: dict[str, str]


def scope_of(document: Document, row: str = "") -> Scope:
    """What holds for a variant: its own values over the file's."""
    keys = {name: name for name in _VARIED if name in document.values}
    if row:
        own = {name: f"{row}.{name}" for name in _VARIED if f"{row}.{name}" in document.values}
        pitch = {"nut.thread_pitch", "nut.threads_per_inch"}
        if pitch & own.keys():  # said in the other way, it is said anew all the same
            keys = {name: key for name, key in keys.items() if name not in pitch}
        keys |= own
    return Scope(row, {name: document.values[key] for name, key in keys.items()}, keys)


def check_hub(document: Document) -> tuple[Problem, ...]:
    """Note the mistakes that show only between keys; return what is merely odd."""
    unit = document.values.get("unit", Unit.MM)
    _check_lengths(document, unit)
    rows = document.rows("variant")
    warnings: list[Problem] = []
    for row in ["", *rows]:
        scope = scope_of(document, row)
        _check_scope(document, scope, unit)
        warnings += _odd(document, scope)
    names = _names(document, rows)
    _check_parts(document, names, [scope_of(document, row) for row in ["", *rows]])
    default = document.values.get("default_variant")
    if default is not None and default not in names:
        document.wrong("default_variant", f'"{default}" is no variant of this file: {_known(names)}')
    return tuple(warnings)


def _check_lengths(document: Document, unit: Unit) -> None:
    for key, value in document.values.items():
        if key.endswith(".threads_per_inch"):
            continue
        numbers = value.values if isinstance(value, Sizes) else (value,)
        longest = max((n for n in numbers if isinstance(n, Decimal)), default=Decimal(0))
        if exact_mm(longest, unit) > MOST_MM:
            document.wrong(
                key, f"{longest} {unit} is longer than {MOST_MM} mm: is the unit of the file right?"
            )


def _check_scope(document: Document, scope: Scope, unit: Unit) -> None:
    """Note what does not go together; what the file says for itself is noted once, not for each variant."""
    values = scope.values
    least, most = values.get("end_play.least"), values.get("end_play.most")
    if least is not None and most is not None and least > most:
        said = scope.keys["end_play.least"], scope.keys["end_play.most"]
        if said[0].startswith(scope.row):
            document.wrong(said[0], f"{least} is more than {said[1]}, {most}: exchange or correct them")
        elif said[1].startswith(scope.row):
            document.wrong(said[1], f"{most} is less than {said[0]}, {least}: exchange or correct them")
    _check_torques(document, scope)
    _check_pitch(document, scope, unit)
    if not scope.row:
        return
    for needed in ("shim.effect", "shim.sizes", "nut.torque"):
        table = needed.partition(".")[0]
        if f"{scope.row}.{table}" in document.tables and needed not in values:
            document.wrong(
                f"{scope.row}.{needed}", f"is missing here, and the file has no [{table}] of its own"
            )


def _check_torques(document: Document, scope: Scope) -> None:
    torque, tolerance, most = (scope.values.get(f"nut.{name}") for name in ("torque", "tolerance", "most"))
    if torque is None:
        return
    if tolerance is not None and tolerance.nm >= torque.nm:
        text = f"{tolerance} is no tolerance of a torque of {torque}: it must be less"
        _wrong_once(document, scope, ("nut.tolerance", "nut.torque"), text)
    if most is not None and most.nm < torque.nm:
        text = f"while lining up, at most {most} is less than the torque itself, {torque}: correct one"
        _wrong_once(document, scope, ("nut.most", "nut.torque"), text)


def _check_pitch(document: Document, scope: Scope, unit: Unit) -> None:
    pitch, threads = scope.values.get("nut.thread_pitch"), scope.values.get("nut.threads_per_inch")
    if pitch is not None and threads is not None:
        text = "says again what thread_pitch says: leave one of them out"
        _wrong_once(document, scope, ("nut.threads_per_inch",), text)
    elif pitch is not None and not PITCHES_MM[0] <= exact_mm(pitch, unit) <= PITCHES_MM[1]:
        text = (
            f"{pitch} {unit} from thread to thread is no nut's: is threads_per_inch meant, or another unit?"
        )
        _wrong_once(document, scope, ("nut.thread_pitch",), text)
    elif threads is not None and not PITCHES_MM[0] <= MM_PER_INCH / threads <= PITCHES_MM[1]:
        text = f"{threads} threads in an inch are no nut's: is thread_pitch meant?"
        _wrong_once(document, scope, ("nut.threads_per_inch",), text)


def _wrong_once(document: Document, scope: Scope, names: Sequence[str], text: str) -> None:
    """Note a mistake at the first of the keys that the scope says for itself, if it says any."""
    for name in names:
        key = scope.keys.get(name)
        if key is not None and key.startswith(scope.row):
            document.wrong(key, text)
            return


def _odd(document: Document, scope: Scope) -> Iterator[Problem]:
    """What is allowed but looks like a mistake, named once: in the variant only where the variant says it."""
    values = scope.values

    def problem(names: Sequence[str], text: str) -> Iterator[Problem]:
        for key in (scope.keys[name] for name in names):
            if key.startswith(scope.row):
                yield Problem(key, document.line(key), text)
                return

    trial, sizes = values.get("shim.trial"), values.get("shim.sizes")
    if trial is not None and sizes is not None and trial not in sizes.values:
        text = f"{trial} is not among shim.sizes: is it meant to be?"
        yield from problem(("shim.trial", "shim.sizes"), text)
    slots = values.get("nut.slots")
    if slots is not None and slots % 2 == 1 and "nut.pin_holes" in values:
        text = f"{slots}, an odd number, leaves no slot opposite for a pin right through: is it meant to be?"
        yield from problem(("nut.slots", "nut.pin_holes"), text)


def _names(document: Document, rows: Sequence[str]) -> list[str]:
    """The names of the tables of an array; a name that comes twice is a mistake."""
    names: list[str] = []
    for row in rows:
        name = document.values.get(f"{row}.name")
        if name is None:
            continue
        if name in names:
            document.wrong(f"{row}.name", f'"{name}" is the name of another one above: give it its own')
        names.append(name)
    return names


def _check_parts(document: Document, variants: Sequence[str], scopes: Sequence[Scope]) -> None:
    rows = document.rows("part")
    names = _names(document, rows)
    for row in rows:
        for other in document.values.get(f"{row}.with", ()):
            if other == document.values.get(f"{row}.name"):
                document.wrong(f"{row}.with", f'"{other}" is this part itself: name the others')
            elif other not in names:
                document.wrong(f"{row}.with", f'"{other}" is no part of this file: {_known(names)}')
        becomes = document.values.get(f"{row}.becomes")
        if becomes is not None and becomes not in variants:
            document.wrong(f"{row}.becomes", f'"{becomes}" is no variant of this file: {_known(variants)}')
        if document.values.get(f"{row}.trial") and not any("shim.trial" in one.values for one in scopes):
            document.wrong(f"{row}.trial", "there is no trial shim to start from: say shim.trial")


def _known(names: Sequence[str]) -> str:
    return f"known are {', '.join(names)}" if names else "it has none"
