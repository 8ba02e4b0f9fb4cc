"""What a listening gauge goes through, as lines of the journal: told once, however often it happens."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from calc.units import Unit, format_length
from capture.described import Described
from capture.listening import Connected, CornerSet, Fault, ListenEvent, Lost, Over, Trouble
from capture.readings import Gap, Garbled, Hold, LowBattery, Overrun, UnitChanged, UnitMissing
from capture.session import StrokeSeen
from capture.watch import Armed, Began, Forgotten
from cli.journal import Journal

SAY_AGAIN_S = 3600.0
"""A link that stays lost for the same reason is told of so often, seconds."""

COUNT_S = 60.0
"""Garbled frames are counted for so long before they are told of again, seconds."""


@dataclass(slots=True)
class _Told:
    """What was told of one gauge."""

    lost: str = ""
    lost_at: float = 0.0
    garbled: int = 0
    garbled_at: float = float("-inf")


class Teller:
    """Turns the events of all gauges into lines of the journal.

    Args:
        journal: The journal.
        unit_of: The unit in which people see a gauge's lengths.
        clock: Monotonic seconds.
    """

    def __init__(
        self, journal: Journal, unit_of: Callable[[str], Unit], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._journal = journal
        self._unit_of = unit_of
        self._clock = clock
        self._told: dict[str, _Told] = {}

    def forget(self, gauge: str) -> None:
        """The gauge is listened to no more."""
        self._told.pop(gauge, None)

    def tell(self, gauge: str, event: ListenEvent) -> None:  # noqa: C901, PLR0912 - one arm an event
        """Take one event; readings, and what the end of a measurement says too, are passed over."""
        say = self._journal.say
        match event:
            case Garbled(why=why):
                self._garbled(gauge, why)
            case StrokeSeen(number=number, full=full, direction=direction, height_mm=height):
                kind = "stroke" if full else "half stroke"
                text = f"{kind} {number} {direction}, {format_length(abs(height), self._unit_of(gauge))}"
                say(
                    "stroke",
                    text,
                    gauge=gauge,
                    number=number,
                    full=full,
                    direction=direction,
                    height_mm=height,
                )
            case Connected(tries=tries, corner=corner):
                self._told.pop(gauge, None)
                where = (
                    f"for {corner}" if corner else "but no corner is set: nothing is measured until one is"
                )
                say("connected", f"connected {where}", gauge=gauge, corner=corner, tries=tries)
            case Lost():
                self._lost(gauge, event)
            case Armed():
                say("armed", "ready: push and pull the hub, stop to stop", gauge=gauge)
            case Began():
                say("began", "the hub moves: measuring", gauge=gauge)
            case Forgotten(why=why):
                say("forgotten", f"no measurement: {why}", gauge=gauge)
            case CornerSet(corner=corner):
                say("corner", f"measures {corner} from now on", gauge=gauge, corner=corner)
            case Over():
                say("over", "its source has come to its end", gauge=gauge)
            case Gap(seconds=seconds):
                say(
                    "gap",
                    f"no readings came for {seconds:.1f} s",
                    gauge=gauge,
                    level="warning",
                    seconds=seconds,
                )
            case Overrun(dropped=dropped):
                text = f"{dropped} pieces were dropped because this computer was too busy"
                say("overrun", text, gauge=gauge, level="warning", dropped=dropped)
            case UnitChanged(was=was, now=now):
                say("unit-changed", f"it was switched from {was} to {now}", gauge=gauge, level="warning")
            case Hold():
                say("hold", str(event), gauge=gauge, level="warning" if event.on else "info")
            case LowBattery():
                say("low-battery", str(event), gauge=gauge, level="warning")
            case UnitMissing(text=text):
                why = f'the reading "{text}" does not say its unit: add unit = "mm" or "in" to its entry'
                say("unit-missing", why, gauge=gauge, level="warning")
            case Trouble(text=text):
                say("trouble", text, gauge=gauge, level="warning")
            case Fault(text=text):
                say("fault", f"a fault in the program: {text}", gauge=gauge, level="error")
            case Described():
                say("described", str(event), gauge=gauge)
            case _:
                return

    def _lost(self, gauge: str, event: Lost) -> None:
        told, now = self._told.setdefault(gauge, _Told()), self._clock()
        if event.why == told.lost and now - told.lost_at < SAY_AGAIN_S:
            return
        told.lost, told.lost_at = event.why, now
        text = f"{event.why}; it is tried again until it is there"
        self._journal.say("lost", text, gauge=gauge, level="warning", tries=event.tries)

    def _garbled(self, gauge: str, why: str) -> None:
        told, now = self._told.setdefault(gauge, _Told()), self._clock()
        told.garbled += 1
        if now - told.garbled_at < COUNT_S:
            return
        text = f"{told.garbled} garbled so far, the last one: {why}"
        self._journal.say("garbled", text, gauge=gauge, level="warning", garbled=told.garbled)
        told.garbled_at = now
