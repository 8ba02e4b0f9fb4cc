"""Station files: which gauges a bay has, and where their results go; every mistake with its key and line.

Only what the file itself says is held here. The hub files and profiles it names are read by whoever uses it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import Any

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
    shown,
    words_of,
)
from calc.units import Unit

MOST_BYTES = 1_000_000
"""A larger file is no station file."""

USUAL_TIMEOUT_S = 60.0
"""A measurement whose strokes began has so long to end, unless the file says otherwise, seconds."""

_LEVEL = re.compile(r"[A-Za-z0-9_-]{1,64}").fullmatch


class Corner(StrEnum):
    """Left or right, front or rear."""

    LF = "LF"
    RF = "RF"
    LR = "LR"
    RR = "RR"


@dataclass(frozen=True, slots=True)
class GaugeEntry:
    """One gauge of a station.

    Attributes:
        name: What people call it.
        link: URL that its readings come over.
        profile: Name of a built-in profile, or the path of a profile file.
        unit: Unit of readings that do not say theirs; None to take the profile's.
        corner: Where it is used; None if a command is to say so before each car.
        hub: Path of the hub file.
    """

    name: str
    link: str
    profile: str
    unit: Unit | None
    corner: Corner | None
    hub: Path


@dataclass(frozen=True, slots=True)
class Broker:
    """The MQTT broker that results go to.

    Attributes:
        url: ``mqtt://HOST:PORT``, or ``mqtts://`` for TLS.
        user: User name; None to take it from the environment.
        password_file: File whose first line is the password; None to take it from the environment.
        ca: File with the authorities to trust; None for the system's.
        certificate: File with our own certificate, for brokers that ask for one.
        key: File with its key.
    """

    url: str
    user: str | None = None
    password_file: Path | None = None
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class VoiceEntry:
    """How the station is heard.

    Attributes:
        language: Of what it says, such as ``en``.
        silent: Kinds of cue that are not told, such as ``push``.
    """

    language: str = "en"
    silent: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Station:
    """What a station file says.

    Attributes:
        shop: The shop's name in topics.
        station: The bay's name in topics.
        gauges: The gauges, at least one.
        log: Path of the log; None for the usual place.
        broker: Where results are published; None for nowhere.
        voice: How it is heard; None for not at all.
        timeout_s: How long a measurement may take once its strokes began, seconds.
        gauge_check_days: How old a gauge's last check may be, days; None for any age.
        path: The file.
        lines: Line of each key, from 1; a gauge's are ``gauge[1].link`` and so on.
    """

    shop: str
    station: str
    gauges: tuple[GaugeEntry, ...]
    log: Path | None = None
    broker: Broker | None = None
    voice: VoiceEntry | None = None
    timeout_s: float = USUAL_TIMEOUT_S
    gauge_check_days: float | None = None
    path: Path = Path()
    lines: Mapping[str, int] = field(default_factory=dict, repr=False, compare=False)

    def problem(self, key: str, text: str) -> Problem:
        """A mistake at ``key``, such as a profile that cannot be read, with the line it stands on."""
        return Problem(key, Document(lines=dict(self.lines)).line(key), text)


class StationFileError(TomlFileError):
    """A station file cannot be used."""


def load_station(path: str | os.PathLike[str]) -> Station:
    """Read a station file; the paths in it are relative to its folder.

    Args:
        path: The file, UTF-8.

    Raises:
        StationFileError: If it cannot be read or has mistakes; all of them are named.
    """
    return parse_station(read_text(path, "station file", MOST_BYTES, StationFileError), Path(path))


def parse_station(text: str, path: Path) -> Station:
    """Read the text of a station file.

    Args:
        text: The whole file.
        path: What to call it in messages; paths in it are relative to the folder of this one.

    Raises:
        StationFileError: If it has mistakes; all of them are named.
    """
    document = read_document(text, KEYS)
    rows = document.rows("gauge")
    if not document.problems or "gauge" not in document.lines:
        _check(document, rows)
    if document.problems:
        raise StationFileError(os.fspath(path), document.sorted_problems())
    values, folder = document.values, path.parent
    gauges = tuple(
        GaugeEntry(
            name=values[f"{row}.name"],
            link=values[f"{row}.link"],
            profile=_beside(folder, values.get(f"{row}.profile", "line")),
            unit=values.get(f"{row}.unit"),
            corner=values.get(f"{row}.corner"),
            hub=folder / (values.get(f"{row}.hub") or values["hub"]),
        )
        for row in rows
    )
    return Station(
        shop=values["shop"],
        station=values["station"],
        gauges=gauges,
        log=folder / Path(values["log"]).expanduser() if "log" in values else None,
        broker=_broker(values, folder) if "broker" in document.tables else None,
        voice=_voice(values) if "voice" in document.tables else None,
        timeout_s=values.get("timeout", USUAL_TIMEOUT_S),
        gauge_check_days=values.get("gauge_check_days"),
        path=path,
        lines=document.lines,
    )


def _broker(values: Mapping[str, Any], folder: Path) -> Broker:
    def file(key: str) -> Path | None:
        return folder / Path(values[key]).expanduser() if key in values else None

    return Broker(
        url=values["broker.url"],
        user=values.get("broker.user"),
        password_file=file("broker.password_file"),
        ca=file("broker.ca"),
        certificate=file("broker.certificate"),
        key=file("broker.key"),
    )


def _voice(values: Mapping[str, Any]) -> VoiceEntry:
    return VoiceEntry(values.get("voice.language", "en"), tuple(values.get("voice.silent", ())))


def _check(document: Document, rows: list[str]) -> None:
    """Note the mistakes that show only between keys."""
    values = document.values
    if not rows:
        document.wrong("gauge", "is missing: write [[gauge]] with name and link for each gauge")
    for key, what in (("name", "name"), ("link", "link")):
        first: dict[str, int] = {}
        for number, row in enumerate(rows, start=1):
            value = values.get(f"{row}.{key}")
            if value in first:
                text = f"{shown(value)} is the {what} of gauge[{first[value]}] too: each needs its own"
                document.wrong(f"{row}.{key}", text)
            elif value is not None:
                first[value] = number
    _check_broker(document)
    for row in rows:
        if "hub" not in values and f"{row}.hub" not in values:
            document.wrong(f"{row}.hub", "is missing: name a hub file here, or one for all at the top")


def _check_broker(document: Document) -> None:
    values = document.values
    if values.get("broker.url", "mqtts").startswith("mqtts"):
        for key, other in (("certificate", "key"), ("key", "certificate")):
            if f"broker.{key}" in values and f"broker.{other}" not in values:
                document.wrong(f"broker.{other}", f"is missing: {key} needs its {other}")
        return
    for key in ("ca", "certificate", "key"):
        if f"broker.{key}" in values:
            document.wrong(f"broker.{key}", "is for TLS: write mqtts:// in url, or leave it out")


def _beside(folder: Path, profile: str) -> str:
    """A profile that is a file is looked for beside the station file; a name is left as it is."""
    path = Path(profile)
    return str(folder / path.expanduser()) if path.suffix or len(path.parts) > 1 else profile


def _level(value: object) -> str:
    word = words_of(value)
    if not _LEVEL(word):
        raise Wrong(f"{shown(word)} cannot stand in a topic: use letters, digits, - and _, at most 64")
    return word


def _line_of_text(value: object) -> str:
    word = words_of(value).strip()
    if not word.isprintable() or len(word) > 200:
        raise Wrong(f"{shown(word)} is no name: one line of at most 200 letters")
    return word


def _broker_url(value: object) -> str:
    word = words_of(value)
    if "@" in word:  # the text is not repeated: there is a password in it
        raise Wrong(
            "holds a user or password: write user and password_file instead, the file beside this one"
        )
    match = re.fullmatch(r"mqtts?://(?:\[[0-9A-Fa-f:.]+\]|[^\s/?#:\[\]]+)(?::([0-9]{1,5}))?/?", word)
    if not match or not 0 < int(match[1] or 1) < 65_536:
        raise Wrong(f"{shown(word)} is no broker: write mqtt://HOST:PORT, or mqtts:// for TLS")
    return word


def _password_is_elsewhere(value: object) -> str:
    del value  # not repeated
    raise Wrong("does not belong here: write it into a file of its own and name that in password_file")


def _time(unit: str, least: float, most: float) -> Callable[[object], float]:
    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | Decimal) or not least <= value <= most:
            raise Wrong(f"{shown(value)} is no time: give {unit} from {least:g} to {most:g}")
        return float(value)

    return read


KEYS: dict[str, Key] = {
    "shop": Key(_level, Needed.ALWAYS),
    "station": Key(_level, Needed.ALWAYS),
    "log": Key(words_of),
    "hub": Key(words_of),
    "timeout": Key(_time("seconds", 5, 3600)),
    "gauge_check_days": Key(_time("days", 1, 3650)),
    "broker.url": Key(_broker_url, Needed.WITH_ITS_TABLE),
    "broker.user": Key(_line_of_text),
    "broker.password": Key(_password_is_elsewhere),
    "broker.password_file": Key(words_of),
    "broker.ca": Key(words_of),
    "broker.certificate": Key(words_of),
    "broker.key": Key(words_of),
    "voice.language": Key(words_of),
    "voice.silent": Key(list_of_words),
    "gauge[].name": Key(_line_of_text, Needed.WITH_ITS_TABLE),
    "gauge[].link": Key(words_of, Needed.WITH_ITS_TABLE),
    "gauge[].profile": Key(words_of),
    "gauge[].unit": Key(one_of(Unit)),
    "gauge[].corner": Key(one_of(Corner)),
    "gauge[].hub": Key(words_of),
}
"""Every key of a station file, how it is read, and whether it may be left out."""
