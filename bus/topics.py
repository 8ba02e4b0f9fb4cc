"""Topics: where each kind of message of a station goes, and what a topic that came in means.

    shimwright/1/<shop>/<station>/status             retained, QoS 1; also the last will
    shimwright/1/<shop>/<station>/<corner>/live      QoS 0
    shimwright/1/<shop>/<station>/<corner>/cue       QoS 1
    shimwright/1/<shop>/<station>/<corner>/result    retained, QoS 1
    shimwright/1/<shop>/<station>/command            QoS 1, to the station
    shimwright/1/<shop>/<station>/answer/<asker>     QoS 1, from the station, for who asked

The 1 is the version of the payloads: a change that a reader of version 1 cannot live with gets a 2. Pure.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from bus.errors import TopicError

ROOT = "shimwright"
VERSION = "1"

CORNERS = ("LF", "RF", "LR", "RR")
"""Left or right, front or rear."""

MOST_LEVEL = 64
"""Characters in the longest name of a shop, a station or an asker."""

MOST_TOPIC = 256
"""Bytes in the longest response topic that is answered on."""

_LEVEL = re.compile(rf"[A-Za-z0-9_-]{{1,{MOST_LEVEL}}}").fullmatch


class Kind(StrEnum):
    """The kinds of messages."""

    STATUS = "status"
    LIVE = "live"
    CUE = "cue"
    RESULT = "result"
    COMMAND = "command"
    ANSWER = "answer"


QOS = {Kind.STATUS: 1, Kind.LIVE: 0, Kind.CUE: 1, Kind.RESULT: 1, Kind.COMMAND: 1, Kind.ANSWER: 1}
"""Quality of service that each kind is sent with."""

RETAINED = frozenset({Kind.STATUS, Kind.RESULT})
"""Kinds of which the broker keeps the newest for who comes later."""

_OF_A_CORNER = frozenset({Kind.LIVE, Kind.CUE, Kind.RESULT})


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic, taken apart.

    Attributes:
        shop: The shop's name.
        station: The station's name.
        kind: The kind of message.
        corner: LF, RF, LR or RR where the kind is one of a corner, else None.
        asker: Who asked, for an answer, else None.
    """

    shop: str
    station: str
    kind: Kind
    corner: str | None = None
    asker: str | None = None


@dataclass(frozen=True, slots=True)
class StationTopics:
    """The topics of one station.

    >>> bay = StationTopics("larkfield", "bay-2")
    >>> bay.status, bay.result("LR")
    ('shimwright/1/larkfield/bay-2/status', 'shimwright/1/larkfield/bay-2/LR/result')

    Attributes:
        shop: The shop's name: letters, digits, - and _, at most 64.
        station: The station's name, likewise.

    Raises:
        TopicError: If a name is not as said.
    """

    shop: str
    station: str

    def __post_init__(self) -> None:
        checked_level(self.shop, "the name of a shop")
        checked_level(self.station, "the name of a station")

    @property
    def base(self) -> str:
        """What every topic of the station begins with, without the last slash."""
        return f"{ROOT}/{VERSION}/{self.shop}/{self.station}"

    @property
    def status(self) -> str:
        """How the station is: retained."""
        return f"{self.base}/{Kind.STATUS}"

    @property
    def command(self) -> str:
        """What others ask of the station."""
        return f"{self.base}/{Kind.COMMAND}"

    def live(self, corner: str) -> str:
        """Readings of a corner as they come."""
        return self._at(corner, Kind.LIVE)

    def cue(self, corner: str) -> str:
        """What the mechanic at a corner is told."""
        return self._at(corner, Kind.CUE)

    def result(self, corner: str) -> str:
        """The newest measurement of a corner: retained."""
        return self._at(corner, Kind.RESULT)

    def answer(self, asker: str) -> str:
        """Where ``asker`` is answered; the response topic to name in a command.

        Raises:
            TopicError: If the asker's name cannot stand in a topic.
        """
        return f"{self.base}/{Kind.ANSWER}/{checked_level(asker, 'the name of an asker')}"

    def may_answer_on(self, response_topic: str) -> bool:
        """Whether the station answers there: not among its own or another station's messages.

        Whoever may write commands chooses the response topic, and must not have the station write what that
        person may not write.

        Args:
            response_topic: As the command named it.
        """
        if not response_topic or len(response_topic.encode()) > MOST_TOPIC:
            return False
        if any(c in response_topic for c in "+#\0"):
            return False
        first = response_topic.split("/", 1)[0]
        if first.startswith("$"):
            return False
        if first != ROOT:
            return True
        begin = f"{self.base}/{Kind.ANSWER}/"
        return response_topic.startswith(begin) and _LEVEL(response_topic[len(begin) :]) is not None

    def _at(self, corner: str, kind: Kind) -> str:
        if corner not in CORNERS:
            raise TopicError(corner, f"is no corner: use one of {', '.join(CORNERS)}")
        return f"{self.base}/{corner}/{kind}"


def checked_level(name: str, what: str) -> str:
    """A name that may stand between two slashes of a topic.

    Args:
        name: The name.
        what: What it is, for the error.

    Raises:
        TopicError: If it may not.
    """
    if not _LEVEL(name):
        why = f"cannot be {what} in a topic: use letters, digits, - and _, at most {MOST_LEVEL}"
        raise TopicError(name, why)
    return name


def parse_topic(text: str) -> Topic:
    """Take a topic apart.

    >>> parse_topic("shimwright/1/larkfield/bay-2/LR/live").corner
    'LR'

    Args:
        text: As it came from the broker.

    Raises:
        TopicError: If it is none of ours, or of another version.
    """
    levels = text.split("/")
    if levels[:1] != [ROOT] or len(levels) not in {5, 6}:
        raise TopicError(text, "is no topic of shimwright")
    if levels[1] != VERSION:
        raise TopicError(text, f"is of another version: this program reads {ROOT}/{VERSION}")
    shop, station, *rest = levels[2:]
    if _LEVEL(shop) and _LEVEL(station):
        match rest:
            case [Kind.STATUS | Kind.COMMAND as kind]:
                return Topic(shop, station, Kind(kind))
            case [Kind.ANSWER, asker] if _LEVEL(asker):
                return Topic(shop, station, Kind.ANSWER, asker=asker)
            case [corner, kind] if corner in CORNERS and kind in _OF_A_CORNER:
                return Topic(shop, station, Kind(kind), corner)
    raise TopicError(text, "is no topic of shimwright")


def board_filters(shop: str | None = None) -> list[str]:
    """What a board subscribes to: all that the stations tell, of one shop or of every shop.

    >>> board_filters("larkfield")[0]
    'shimwright/1/larkfield/+/status'

    Args:
        shop: The shop's name; None for every shop that the broker lets it see.

    Raises:
        TopicError: If the name cannot stand in a topic.
    """
    place = "+" if shop is None else checked_level(shop, "the name of a shop")
    base = f"{ROOT}/{VERSION}/{place}/+"
    return [f"{base}/{Kind.STATUS}", *(f"{base}/+/{kind}" for kind in (Kind.LIVE, Kind.CUE, Kind.RESULT))]
