"""The state of the shop, made from messages, and what a page is told of it. Pure: time is an argument."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Container
from dataclasses import dataclass, field
from typing import Any

from bus.payloads import OFFLINE, Car, CornerStatus, Cue, GaugeState, Live, Result, Status
from bus.topics import CORNERS, Topic
from calc.units import Unit, format_length
from shopboard.plausible import implausible
from shopboard.shown import brief_live, corner_data, cue_data, gauge_data, goes_with, live_data, result_data
from shopboard.words import job_words

SILENT_S = 25.0
"""A station tells its status every 10 s; one that said nothing for so long is silent, seconds."""

MOST_STATIONS = 500
"""More than these are no shop: whoever may write to the broker could make up any number."""

MOST_RESULTS = 1000
"""Results that are kept for the history, the newest ones."""

MOST_POINTS = 50
"""Points of a trace in one update of a page."""

Place = tuple[str, str, str]
"""Shop, station, corner."""


@dataclass(frozen=True, slots=True)
class News:
    """One event for the pages.

    Attributes:
        event: ``broker``, ``station``, ``result``, ``cue``, ``live`` (one corner) or ``lives`` (the shop).
        data: What it says, for JSON.
        station: Shop and station it is about; None: the whole shop.
        corner: The corner it is about; None: the whole station.
    """

    event: str
    data: Any
    station: tuple[str, str] | None = None
    corner: str | None = None


@dataclass(slots=True)
class _Corner:
    live: Live | None = None
    points: list[tuple[float, float, float]] = field(default_factory=list)
    result: Result | None = None
    fresh: Result | None = None  # newer than the station's status, which follows
    told: tuple[Any, ...] = ()


@dataclass(slots=True)
class _Station:
    status: Status = OFFLINE
    heard_at: float = 0.0
    silent: bool = False
    unheard: bool = False  # since the broker came back
    mistake: str | None = None
    corners: dict[str, _Corner] = field(default_factory=dict)

    def take_status(self, status: Status) -> None:
        self.status, self.mistake = status, None
        self.forget_live({one.corner for one in status.gauges if one.state is GaugeState.CONNECTED})
        for one in self.corners.values():
            if one.fresh is not None and not goes_with(one.fresh, status):
                one.fresh = None

    def forget_live(self, but: Container[str | None] = ()) -> None:
        """No number is of now, but those of the corners that are named."""
        for name, one in self.corners.items():
            if name not in but:
                one.live, one.points, one.told = None, [], ()

    def at(self, corner: str) -> _Corner:
        if (one := self.corners.get(corner)) is None:
            one = self.corners[corner] = _Corner()
        return one


class Shop:
    """All that is known, and what of it is new since somebody asked.

    Attributes:
        results: The newest results by id, the oldest first.
    """

    def __init__(self) -> None:
        self.results: OrderedDict[str, Result] = OrderedDict()
        self._stations: dict[tuple[str, str], _Station] = {}
        self._broker: dict[str, Any] = {"online": False, "words": "The broker has not been reached yet."}
        self._broker_new = True
        self._changed: dict[tuple[str, str], None] = {}
        self._told: dict[tuple[str, str], dict[str, Any]] = {}  # of each station, until it changes
        self._news: list[News] = []
        self._lives: dict[Place, None] = {}

    @property
    def is_urgent(self) -> bool:
        """Whether there is a result or a cue: the hands at the hub wait for it."""
        return bool(self._news)

    @property
    def has_news(self) -> bool:
        """Whether there is something that should not wait."""
        return self._broker_new or bool(self._changed) or bool(self._news)

    def broker_there(self) -> None:
        """The broker is there."""
        self._set_broker(online=True, words="")

    def broker_away(self, why: str) -> None:
        """The broker is away; nothing that is shown is of now."""
        self._set_broker(online=False, words=why)
        for place, station in self._stations.items():
            station.forget_live()
            station.unheard = True
            self._mark(place)

    def take(self, topic: Topic, message: Status | Live | Cue | Result, now_s: float) -> None:
        """Take a message in.

        Args:
            topic: Its topic.
            message: What it says.
            now_s: Seconds on a clock that never jumps.
        """
        station = self._station(topic)
        if station is None:
            return
        place = (topic.shop, topic.station)
        if (why := implausible(message)) is not None:
            self.unreadable(topic, why)
            return
        station.heard_at = now_s
        if station.silent or station.unheard:
            station.silent = station.unheard = False
            self._mark(place)
        match message:
            case Status():
                station.take_status(message)
                self._mark(place)
            case Live():
                self._take_live(station.at(topic.corner or ""), message)
                self._lives[*place, topic.corner or ""] = None
            case Cue():
                self._news.append(News("cue", cue_data(message), place, topic.corner))
            case Result():
                corner = station.at(topic.corner or "")
                corner.result = message
                corner.fresh = message if goes_with(message, station.status) else None
                self._keep(message)
                self._news.append(News("result", result_data(message), place, topic.corner))
                self._mark(place)

    def unreadable(self, topic: Topic, why: str) -> None:
        """A message of a station could not be read: the page says so, instead of showing an old state."""
        station = self._station(topic)
        if station is not None and station.mistake is None:
            station.mistake = f"sends a {topic.kind} message that this page cannot read ({why})"
            self._mark((topic.shop, topic.station))

    def look(self, now_s: float) -> None:
        """Look which stations have fallen silent.

        Args:
            now_s: As ``take`` has it.
        """
        for place, station in self._stations.items():
            if station.status.online and not station.silent and now_s - station.heard_at > SILENT_S:
                station.silent = True
                self._mark(place)

    def news(self) -> list[News]:
        """What is new, live readings apart; it is not told again."""
        found = [News("broker", self._broker)] if self._broker_new else []
        found += self._news
        found += [News("station", self.station_data(place), place) for place in self._changed]
        self._broker_new, self._news, self._changed = False, [], {}
        return found

    def lives(self) -> list[News]:
        """The live readings since the last call, merged: one event for the shop, and one a corner."""
        found, brief = [], []
        for shop, name, where in self._lives:
            corner = self._stations[shop, name].at(where)
            live = corner.live
            if live is None:
                continue
            found.append(News("live", live_data(live, corner.points), (shop, name), where))
            corner.points = []
            text = format_length(live.reading_mm, Unit(live.unit), live.step_mm)
            told = (text, live.phase, live.strokes)
            if told != corner.told:
                corner.told = told
                brief.append(brief_live((shop, name, where), live))
        self._lives = {}
        if brief:
            found.append(News("lives", brief))
        return found

    def snapshot(self, place: tuple[str, str] | None = None, corner: str | None = None) -> list[News]:
        """All that a page needs to begin.

        Args:
            place: The station that it looks at; None for the whole shop.
            corner: The corner.
        """
        found = [News("broker", self._broker)]
        places = (
            sorted(self._stations) if place is None else [one for one in [place] if one in self._stations]
        )
        found += [News("station", self.station_data(one), one) for one in places]
        if place is None:
            lives = [
                brief_live((*one, name), at.live)
                for one in places
                for name, at in self._stations[one].corners.items()
                if at.live is not None
            ]
            return [*found, News("lives", lives)] if lives else found
        if corner is None or place not in self._stations:
            return found
        at = self._stations[place].at(corner)
        if at.result is not None:
            found.append(News("result", result_data(at.result) | {"old": True}, place, corner))
        if at.live is not None:
            found.append(News("live", live_data(at.live, []), place, corner))
        return found

    def find(self, station: str, shop: str | None = None) -> tuple[str, str] | None:
        """The station of this name, in any shop unless that is said; None if it is not known."""
        known = [one for one in sorted(self._stations) if one[1] == station and shop in {None, one[0]}]
        return known[0] if known else None

    def station_data(self, place: tuple[str, str]) -> dict[str, Any]:
        """One station, for the page; worked out once for all pages."""
        if (known := self._told.get(place)) is None:
            known = self._told[place] = self._data(place)
        return known

    def _mark(self, place: tuple[str, str]) -> None:
        self._changed[place] = None
        self._told.pop(place, None)

    def _data(self, place: tuple[str, str]) -> dict[str, Any]:
        station = self._stations[place]
        status = station.status
        state, words = self._state(station)
        car = status.car
        alone = sum(one[1] == place[1] for one in self._stations) == 1
        return {
            "key": "/".join(place),
            "shop": place[0],
            "name": place[1],
            "path": place[1] if alone else "/".join(place),
            "state": state,
            "words": words,
            "unsent": status.unsent,
            "vehicle": car and car.vehicle,
            "registration": car and car.registration,
            "job": car and car.job,
            "jobs": [{"job": one.job, "words": job_words(one)} for one in status.jobs],
            "simulated": any(one.simulated for one in status.gauges),
            "gauges": [gauge_data(one, status.at) for one in status.gauges],
            "corners": [] if car is None else [self._corner(station, one, car) for one in car.corners],
            "order": list(CORNERS),
        }

    @staticmethod
    def _corner(station: _Station, one: CornerStatus, car: Car) -> dict[str, Any]:
        here = station.at(one.corner)
        return corner_data(one, here.result, here.fresh, car)

    def _keep(self, result: Result) -> None:
        self.results[result.measurement_id] = result
        self.results.move_to_end(result.measurement_id)
        while len(self.results) > MOST_RESULTS:
            self.results.popitem(last=False)

    def _state(self, station: _Station) -> tuple[str, str]:
        if not self._broker["online"]:
            return "unknown", "NOT KNOWN: the broker is away, and what stands here is from before"
        if not station.status.online:
            return "away", "AWAY: the station is off, or has lost the network"
        if station.silent:
            return "silent", f"SILENT: it has said nothing for {SILENT_S:g} seconds"
        if station.unheard:
            return "unknown", "NOT KNOWN: the broker is back, the station has not been heard again yet"
        if station.mistake:
            return "strange", f"NOT UNDERSTOOD: it {station.mistake}"
        return "there", "connected"

    def _set_broker(self, *, online: bool, words: str) -> None:
        now = {"online": online, "words": words}
        if now != self._broker:
            self._broker, self._broker_new = now, True
            for place in self._stations:
                self._mark(place)

    def _station(self, topic: Topic) -> _Station | None:
        place = (topic.shop, topic.station)
        if (station := self._stations.get(place)) is None:
            if len(self._stations) >= MOST_STATIONS:
                return None
            station = self._stations[place] = _Station()
            for other in [one for one in self._stations if one[1] == place[1]]:
                self._mark(other)  # a name that two shops have is told with its shop
        return station

    @staticmethod
    def _take_live(corner: _Corner, live: Live) -> None:
        corner.live = live
        corner.points.append((live.time_s, live.low_mm, live.high_mm))
        if len(corner.points) > MOST_POINTS:
            del corner.points[0]
