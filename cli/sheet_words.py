"""What stands on a job sheet, in words: lengths in both units, times with their offset, entries."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calc.limits import percent
from calc.presented import number_with_uncertainty
from calc.trend import from_kilometres, kilometres
from calc.units import Unit, format_length, format_size
from cli.job_words import car_words
from cli.words import CORNER_NAMES, STAGE_NAMES
from joblog.jobs import EntryKind, Place

if TYPE_CHECKING:
    from joblog.jobs import JobEntry, Odometer

Data = dict[str, Any]

DEFERS = (
    "This sheet records what was measured and what was done. It defers to the maker's service literature, "
    "local codes and licensed practice; who is not trained for this work should not do it."
)

LEGEND = (
    "How to read the pictures: black diamond = end play measured, its whisker = its 95 % interval (none "
    "where it is too small to draw); hatched band = limits; black triangle with boxed size = shim to fit, at "
    "the end play expected of it; white triangle = other shim on hand. In the trace: thick bar = rest; black "
    "triangle = on the stop where readings are high; white triangle = on the other; white diamond = off the "
    "stops; cross = struck out."
)

PLACES = {
    Place.AS_FOUND: "to be measured as found",
    Place.TEARDOWN: "to be taken apart",
    Place.PARTS: "parts to be looked at",
    Place.FITTED: "fitted shim to be measured",
    Place.CHOOSE: "shim to be chosen",
    Place.REASSEMBLE: "to be reassembled and torqued",
    Place.AS_LEFT: "to be measured as left",
    Place.TRIAL: "to be measured with the trial shim",
    Place.DONE: "done",
}
"""Where a corner stands, in words."""

_JOINERS = "\u200c\u200d"  # they shape letters and do nothing else


def clean(text: str) -> str:
    """Text fit for paper and for every format: one line, nothing invisible that turns or hides letters.

    >>> clean("Heron" + chr(9) + "GT" + chr(10) + chr(0x202E) + "X" + chr(0))
    'Heron GT X?'
    """
    kept = []
    for letter in text:
        kind = unicodedata.category(letter)
        if kind.startswith("Z") or letter in "\t\n\r\v\f":
            kept.append(" ")
        elif kind == "Cf":
            kept.append(letter if letter in _JOINERS else "")
        else:
            kept.append("?" if kind.startswith("C") else letter)
    return " ".join("".join(kept).split())


def time_words(at: str) -> str:
    """A UTC time of the log as local time with its offset from UTC: ``2026-03-02 09:30 +01:00``."""
    local = datetime.fromisoformat(at).astimezone()
    offset = f"{local:%z}"
    return f"{local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}"


def size_both(mm: float, unit: Unit) -> str:
    """A shim's or a limit's size in both units, the hub's first.

    >>> size_both(2.95, Unit.MM), size_both(2.9972, Unit.INCH)
    ('2.95 mm (0.1161 in)', '0.118 in (2.997 mm)')
    """
    other = _other(unit)
    return f"{format_size(mm, unit)} ({format_size(mm, other)})"


def length_both(mm: float, unit: Unit) -> str:
    """A length in both units, the hub's first."""
    return f"{format_length(mm, unit)} ({format_length(mm, _other(unit))})"


def result_words(analysis: dict[str, Any], unit: Unit) -> tuple[str, str]:
    """A usable analysis' end play with its expanded uncertainty, in the hub's unit and in the other."""
    value, half, step = (float(analysis[key]) for key in ("end_play_mm", "expanded_mm", "resolution_mm"))
    return number_with_uncertainty(value, half, unit, step), number_with_uncertainty(
        value, half, _other(unit), step
    )


def pack_words(thicknesses_mm: list[float], unit: Unit) -> str:
    """One shim or a pack of several: ``2.95 mm (0.1161 in)``, or the sum with what it is made of."""
    if not thicknesses_mm:
        return "none"
    if len(thicknesses_mm) == 1:
        return size_both(thicknesses_mm[0], unit)
    pieces = " + ".join(format_size(one, unit) for one in thicknesses_mm)
    return f"{size_both(sum(thicknesses_mm), unit)}, a pack of {len(thicknesses_mm)}: {pieces}"


def odometer_words(odometer: Odometer | None) -> str:
    """As it was read, and in the other unit: ``123,456 km (76,712 mi)``."""
    if odometer is None:
        return "not noted"
    other = "mi" if odometer.unit == "km" else "km"
    turned = from_kilometres(kilometres(odometer.value, odometer.unit), other)
    exact = f"{odometer.value:,.1f}".removesuffix(".0")
    return f"{exact} {odometer.unit} ({turned:,.0f} {other})"


def corner_words(corner: str) -> str:
    """``Left rear (LR)``."""
    return f"{CORNER_NAMES.get(corner, corner).capitalize()} ({corner})"


def entry_words(entry: JobEntry, unit: Unit) -> tuple[str, str]:
    """What an entry says: what it is about, and the rest.

    Args:
        entry: An entry of a job card.
        unit: The hub's unit.
    """
    name, rest = _ENTRIES[entry.kind]
    if entry.kind is EntryKind.PART:
        name = f"{name}: {entry.data.get('name', '')}"
    return name, rest(entry.data, unit)


def _car(data: Data, _unit: Unit) -> str:
    return car_words(data)


def _hub(data: Data, _unit: Unit) -> str:
    variant = f", variant {data['variant']}" if data.get("variant") else ""
    return f"{data.get('hub_title', '')}{variant}"


def _stage(data: Data, _unit: Unit) -> str:
    stage = str(data.get("stage", ""))
    return STAGE_NAMES.get(stage, stage)


def _out(data: Data, unit: Unit) -> str:
    return pack_words(_pack(data), unit) + ("; a trial shim" if data.get("trial") else "")


def _skipped(data: Data, _unit: Unit) -> str:
    return f"{data.get('step', '')}: {data.get('why', '')}"


def _why(data: Data, _unit: Unit) -> str:
    return str(data.get("why") or data.get("text") or "")


def _where(data: Data, _unit: Unit) -> str:
    return str(data.get("station") or "")


def _pack(data: Data) -> list[float]:
    return [float(one) for one in data.get("thicknesses_mm") or ()]


def _part(data: Data, _unit: Unit) -> str:
    with_ = data.get("with") or ()
    together = f", together with {', '.join(map(str, with_))}" if with_ else ""
    finding = f"{data['finding']}; " if data.get("finding") else ""
    return f"{finding}{str(data.get('action', '')).upper()}{together}"


def _chosen(data: Data, unit: Unit) -> str:
    said = [pack_words(_pack(data), unit)]
    if data.get("expected_mm") is not None:
        said.append(f"expected end play {length_both(float(data['expected_mm']), unit)}")
    if data.get("p_within") is not None:
        said.append(f"within limits with a probability of {percent(float(data['p_within']))}")
    if data.get("zero_mm") is not None and not data.get("why"):
        said.append(f"zero shim {length_both(float(data['zero_mm']), unit)}")
    why = f". Why: {data['why']}" if data.get("why") else ""
    return ", ".join(said) + why


def _reassembled(data: Data, unit: Unit) -> str:
    said = [pack_words(_pack(data), unit)] if _pack(data) else []
    if data.get("torque_text") or data.get("torque_nm") is not None:
        said.append(f"nut torqued to {data.get('torque_text') or _torque(float(data['torque_nm']))}")
    if data.get("lined_up"):
        said.append(f"pin lined up: {data['lined_up']}")
    if data.get("new_pin") is not None:
        said.append("new cotter pin" if data["new_pin"] else "NO new cotter pin")
    return "; ".join(said)


_ENTRIES: dict[EntryKind, tuple[str, Callable[[Data, Unit], str]]] = {
    EntryKind.CAR: ("Car", _car),
    EntryKind.CORNER: ("Hub", _hub),
    EntryKind.MEASURED: ("Measured", _stage),
    EntryKind.TORN_DOWN: ("Taken apart", _why),
    EntryKind.PART: ("Part", _part),
    EntryKind.FITTED: ("Shim out", _out),
    EntryKind.CHOSEN: ("Shim chosen", _chosen),
    EntryKind.REASSEMBLED: ("Shim in, torque", _reassembled),
    EntryKind.SKIPPED: ("Left out", _skipped),
    EntryKind.NOTE: ("Note", _why),
    EntryKind.TAKEN_UP: ("Taken up", _where),
    EntryKind.CLOSED: ("Closed", _why),
    EntryKind.REOPENED: ("Opened again", _why),
}
"""What each kind of entry is called, and how the rest of it is said."""


def _torque(nm: float) -> str:
    from decimal import Decimal  # noqa: PLC0415

    from calc.torque import Torque, TorqueUnit  # noqa: PLC0415

    return Torque(Decimal(f"{nm:g}"), TorqueUnit.NM).text


def _other(unit: Unit) -> Unit:
    return Unit.INCH if unit is Unit.MM else Unit.MM
