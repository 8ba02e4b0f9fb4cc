"""What a station tells the shop: events of its gauges and new measurements become messages of the bus."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

import msgspec

from bus.cue_words import Facts, speech_of, texts_of
from bus.desk import Desk
from bus.payloads import (
    Brief,
    Car,
    CornerStatus,
    Cue,
    CueKind,
    GaugeState,
    GaugeStatus,
    Live,
    Phase,
    Status,
)
from bus.results import brief_of
from bus.topics import CORNERS
from calc.units import Unit
from capture.described import Described
from capture.end_play import EndPlay
from capture.listening import Connected, CornerSet, Listener, ListenEvent, Listening, Lost, Over
from capture.readings import LowBattery, Reading, UnitChanged, decimals_of
from capture.refusals import ReasonCode
from capture.session import Ended, Progress, StrokeSeen
from capture.watch import Armed, Began, Forgotten
from cli.todo import AtGauge, todo_at, todo_of
from cli.version import version
from joblog.records import Measurement, utc_text


class Sender(Protocol):
    """Where messages go: ``bus.publisher.Publisher``, or ``Nowhere``."""

    def status_changed(self) -> None:
        """The status is another."""

    def result_waits(self) -> None:
        """A measurement is in the outbox."""

    def live_waits(self, gauge: str) -> bool:
        """A reading came; whether it will be told."""

    def cue(self, corner: str, cue: Cue) -> None:
        """Tell a cue."""


class Nowhere:
    """A station without a broker: nobody but its own voice is told."""

    def status_changed(self) -> None:
        """Nobody asks."""

    def result_waits(self) -> None:
        """The log has it."""

    def live_waits(self, gauge: str) -> bool:
        """Nobody looks."""
        del gauge
        return False

    def cue(self, corner: str, cue: Cue) -> None:
        """The voice was told."""


@dataclass(slots=True)
class _Gauge:
    """What was heard of one gauge."""

    connected: bool = False
    why: str | None = None
    phase: Phase | None = None
    heard_at: float = 0.0
    battery_percent: int | None = None
    battery_low: bool = False
    last: Reading | None = None
    low_mm: float = math.inf
    high_mm: float = -math.inf
    strokes: int = 0
    half_strokes: int = 0
    end_play_mm: float | None = None
    expanded_mm: float | None = None
    keeps: str | None = None
    slipped: object = None

    def begin(self, phase: Phase | None) -> None:
        """Nothing is counted yet."""
        self.phase = phase
        self.strokes = self.half_strokes = 0
        self.end_play_mm = self.expanded_mm = self.keeps = self.slipped = None

    def forget_range(self) -> None:
        self.low_mm, self.high_mm = math.inf, -math.inf


class Announcer:
    """Makes the messages of a station.

    Attributes:
        publisher: Sends them; set before anything is told.
        newest: The newest measurement of each corner since the service began.

    Args:
        listening: The gauges.
        desk: The job cards.
        unsent: How many measurements wait in the log to be published.
        hear: Is told each cue, besides the publisher.
    """

    def __init__(
        self,
        listening: Listening,
        desk: Desk,
        unsent: Callable[[], int] = lambda: 0,
        hear: Callable[[Cue], None] = lambda _: None,
    ) -> None:
        self.publisher: Sender
        self._hear = hear
        self.newest: dict[str, Measurement] = {}
        self._listening = listening
        self._desk = desk
        self._unsent = unsent
        self._since = utc_text(datetime.now(UTC))
        self._gauges: dict[str, _Gauge] = {}
        self._latest: dict[str, dict[str, Brief]] = {}
        self._todo: dict[str, list[str]] = {}
        self._job: str | None = None

    def phase(self, gauge: str) -> Phase | None:
        """What a gauge's watch does; None unless connected."""
        return self._heard(gauge).phase

    def why_lost(self, gauge: str) -> str | None:
        """Why a gauge is not connected; None if it is."""
        return self._heard(gauge).why

    def begin_again(self, corner: str) -> None:
        """The corner is measured anew: what its last result asked for is not asked any more."""
        self._todo.pop(corner, None)
        self.publisher.status_changed()

    def tell(self, gauge: str, event: ListenEvent) -> None:
        """Take one event of a gauge."""
        heard = self._heard(gauge)
        if type(event) is Reading:  # by far the most
            heard.last, heard.heard_at = event, time.time()  # a replayed reading's own time is any
            mm = event.value_mm
            heard.low_mm, heard.high_mm = min(heard.low_mm, mm), max(heard.high_mm, mm)
            if not self.publisher.live_waits(gauge):
                heard.forget_range()
            return
        listener = self._listening.listeners.get(gauge)
        if listener is not None and self._take(heard, listener, event):
            self.publisher.status_changed()

    def kept(self, measurement: Measurement) -> None:
        """A measurement is in the log."""
        m = measurement
        self._look_at_job()
        self.newest[m.corner] = m
        self._latest.setdefault(m.corner, {})[m.stage] = brief_of(m)
        self._todo[m.corner] = todo_of(m)
        self._desk.kept(m)
        self.publisher.result_waits()
        if m.state in {"measured", "refused"}:
            self._cue_result(m)
        self.publisher.status_changed()

    def forget_ranges(self) -> None:
        """Nobody heard the readings so far."""
        for heard in self._gauges.values():
            heard.forget_range()

    def live(self, gauge: str) -> tuple[str, Live] | None:
        """The newest reading of a gauge, to be told at its corner; None without one."""
        listener, heard = self._listening.listeners.get(gauge), self._heard(gauge)
        reading = heard.last
        if (
            listener is None
            or listener.corner is None
            or reading is None
            or not heard.high_mm >= heard.low_mm
        ):
            return None
        step = 10.0 ** -decimals_of(reading.value)
        live = Live(
            gauge=gauge,
            at=wall_time(heard.heard_at),
            time_s=round(reading.at, 3),
            reading_mm=reading.value_mm,
            low_mm=heard.low_mm,
            high_mm=heard.high_mm,
            step_mm=step if reading.unit is Unit.MM else step * 25.4,
            unit=listener.setup.hub.unit.value,
            phase=heard.phase or Phase.SETTLING,
            strokes=heard.strokes,
            half_strokes=heard.half_strokes,
            end_play_mm=heard.end_play_mm,
            expanded_mm=heard.expanded_mm,
            keeps=heard.keeps,
            simulated=listener.simulated,
        )
        heard.forget_range()
        return listener.corner, live

    def status(self) -> Status:
        """How the station is now."""
        self._look_at_job()
        listeners = self._listening.listeners
        gauges = [self._gauge_status(name, one) for name, one in listeners.items()]
        return Status(
            online=True,
            at=utc_text(datetime.now(UTC)),
            since=self._since,
            version=version(),
            gauges=gauges,
            car=self._car(),
            jobs=self._desk.jobs(),
            unsent=max(0, self._unsent()),
        )

    def _heard(self, gauge: str) -> _Gauge:
        if (heard := self._gauges.get(gauge)) is None:
            heard = self._gauges[gauge] = _Gauge()
        return heard

    def _take(self, heard: _Gauge, listener: Listener, event: ListenEvent) -> bool:  # noqa: C901, PLR0912
        """Take an event that is no reading; whether the status is another."""
        match event:
            case Connected():
                heard.connected, heard.why = True, None
                heard.begin(Phase.SETTLING)
            case Lost(why=why):
                heard.why = why
                heard.begin(None)
                if heard.connected:
                    self._cue(CueKind.GAUGE_LOST, listener)
                heard.connected = False
            case Over():
                heard.connected = False
                heard.begin(None)
            case Armed():
                heard.begin(Phase.WAITING)
                if not listener.held:
                    self._cue(CueKind.READY, listener, stage=True)
            case Began():
                heard.begin(Phase.MEASURING)
                self._todo.pop(listener.corner or "", None)
            case StrokeSeen():
                self._stroke(heard, listener, event)
            case Progress():
                self._progress(heard, listener, event)
                return False
            case Ended(outcome=outcome):
                heard.begin(Phase.SETTLING)
                if isinstance(outcome, EndPlay):
                    self._cue(CueKind.ENOUGH, listener)
            case Forgotten():
                heard.begin(Phase.SETTLING)
            case Described(facts=facts):
                heard.battery_percent = facts.battery_percent
            case LowBattery():
                heard.battery_low = True
            case CornerSet() | UnitChanged():
                heard.last = None
                heard.forget_range()
            case _:
                return False
        return True

    def _stroke(self, heard: _Gauge, listener: Listener, event: StrokeSeen) -> None:
        if event.full:
            heard.strokes = event.number
            kind = CueKind.PULL if event.direction == "out" else CueKind.PUSH
        else:
            heard.half_strokes = event.number
            kind = CueKind.HALF_STROKE
        self._cue(kind, listener, number=event.number, height_mm=abs(event.height_mm))

    def _progress(self, heard: _Gauge, listener: Listener, event: Progress) -> None:
        heard.strokes = max(event.strokes, heard.strokes)
        heard.half_strokes = max(event.half_strokes, heard.half_strokes)
        heard.end_play_mm, heard.expanded_mm, heard.keeps = event.end_play_mm, event.expanded_mm, event.keeps
        again_and_again = event.reason == ReasonCode.BASE_SLIPS
        slipped = again_and_again or event.slip_mm is not None
        if slipped and not heard.slipped:
            self._cue(CueKind.SLIPPED, listener, slip_mm=event.slip_mm)
        heard.slipped = slipped

    def _cue(self, kind: CueKind, listener: Listener, *, stage: bool = False, **facts: Any) -> None:  # noqa: ANN401
        corner = listener.corner
        if corner is None:
            return
        unit = listener.setup.hub.unit
        if stage:
            facts["stage"] = self._desk.errand(corner).stage
        words = Facts(corner=corner, unit=unit, number=facts.get("number") or 0)
        cue = Cue(
            kind=kind,
            at=utc_text(datetime.now(UTC)),
            gauge=listener.setup.name,
            corner=brief_corner(corner),
            unit=unit.value,
            text=texts_of(kind, words),
            speech=speech_of(kind, words),
            simulated=listener.simulated,
            **facts,
        )
        self._hear(cue)
        self.publisher.cue(corner, cue)

    def _cue_result(self, m: Measurement) -> None:
        brief = brief_of(m)
        measured = m.state == "measured"
        kind = CueKind.RESULT if measured else CueKind.REFUSED
        fit_mm = None if m.verdict == "within" else brief.fit_mm
        words = Facts(
            corner=m.corner,
            unit=m.unit,
            end_play_mm=brief.end_play_mm,
            step_mm=brief.resolution_mm,
            verdict=m.verdict,
            fit_mm=fit_mm,
        )
        reasons = m.analysis["reasons"]
        cue = Cue(
            kind=kind,
            at=m.at,
            gauge=m.gauge_name or "",
            corner=brief_corner(m.corner),
            unit=m.unit.value,
            text=texts_of(kind, words),
            speech=speech_of(kind, words),
            stage=brief.stage,
            end_play_mm=brief.end_play_mm,
            expanded_mm=brief.expanded_mm,
            resolution_mm=brief.resolution_mm,
            verdict=brief.verdict,
            fit_mm=fit_mm,
            reason=reasons[0]["code"] if reasons else None,
            measurement_id=m.id,
            simulated=m.simulated,
        )
        self._hear(cue)
        self.publisher.cue(m.corner, cue)

    def _gauge_status(self, name: str, listener: Listener) -> GaugeStatus:
        heard = self._heard(name)
        return GaugeStatus(
            name=name,
            state=GaugeState(listener.state.value),
            corner=brief_corner(listener.corner),
            phase=heard.phase,
            heard_at=wall_time(heard.heard_at, whole=True) if heard.heard_at else None,
            battery_percent=heard.battery_percent,
            battery_low=heard.battery_low,
            simulated=listener.simulated,
            why=heard.why,
        )

    def _look_at_job(self) -> None:
        """Another car: what was measured on the one before is not its own."""
        car = self._desk.car()
        job = None if car is None else car.job
        if job != self._job:
            self._job = job
            self.newest.clear()
            self._latest.clear()
            self._todo.clear()

    def _car(self) -> Car:
        """The car of the desk; without one the corners that gauges are at."""
        car = self._desk.car()
        if car is None:
            found = {one.corner: one for one in self._listening.listeners.values() if one.corner}
            return Car(corners=[self._corner(corner, found[corner]) for corner in CORNERS if corner in found])
        corners = [
            msgspec.structs.replace(
                one,
                todo=self._todo_at(one.corner, one),
                latest=self._latest_of(one.corner, one.latest),
                gauge=one.gauge or self._gauge_at(one.corner),
            )
            for one in car.corners
        ]
        return msgspec.structs.replace(car, corners=corners)

    def _corner(self, corner: str, listener: Listener) -> CornerStatus:
        hub, errand = listener.setup.hub, self._desk.errand(corner)
        found = {
            "corner": corner,
            "hub_title": hub.title,
            "least_mm": hub.limits.least_mm,
            "most_mm": hub.limits.most_mm,
            "unit": hub.unit.value,
            "stage": errand.stage,
            "todo": self._todo_at(corner),
            "gauge": listener.setup.name,
            "fitted_mm": errand.fitted_mm,
        }
        return msgspec.structs.replace(msgspec.convert(found, CornerStatus), latest=self._latest_of(corner))

    def _latest_of(self, corner: str, on_card: Sequence[Brief] = ()) -> list[Brief]:
        """The newest of each stage, of those on the card and those that were just measured."""
        found: dict[str, Brief] = {}
        for one in sorted((*on_card, *self._latest.get(corner, {}).values()), key=lambda brief: brief.at):
            found[one.stage] = one
        return sorted(found.values(), key=lambda brief: brief.at)

    def _gauge_at(self, corner: str) -> str | None:
        names = (name for name, one in self._listening.listeners.items() if one.corner == corner)
        return next(names, None)

    def _todo_at(self, corner: str, card: CornerStatus | None = None) -> list[str]:
        name = self._gauge_at(corner)
        listener = None if name is None else self._listening.listeners[name]
        heard = None if name is None else self._heard(name)
        at_gauge = AtGauge(
            there=listener is not None,
            why_lost=None if heard is None else heard.why,
            held=listener is not None and listener.held,
            phase=None if heard is None else heard.phase,
        )
        asks = self._todo.get(corner, [])
        newest = self.newest.get(corner)
        return todo_at(at_gauge, card, asks, has_result=newest is not None and newest.verdict is not None)


def wall_time(at: float, *, whole: bool = False) -> str:
    """A moment as messages write it.

    Args:
        at: Seconds since 1970, as ``time.time`` gives them.
        whole: Whether to the second only.
    """
    moment = datetime.fromtimestamp(at, UTC)
    return utc_text(moment.replace(microsecond=0) if whole else moment)


def brief_corner(corner: str | None) -> Any:  # noqa: ANN401 - a corner of the payloads
    """A corner as the payloads have it; it was checked where it came from."""
    return corner
