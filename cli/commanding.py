"""Commands of the shop to a station's gauges: they go the way of the bytes, through each gauge's watch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bus.desk import Desk
from bus.errors import CommandRefused, shown
from bus.payloads import Accept, Command, Note, Phase, Quit, Redo, Select, Start
from capture.listening import Listener, Listening, State

if TYPE_CHECKING:
    from cli.announcing import Announcer


class Commander:
    """Does commands.

    Args:
        listening: The gauges.
        desk: The job cards.
        announcer: Knows what each gauge does.
    """

    def __init__(self, listening: Listening, desk: Desk, announcer: Announcer) -> None:
        self._listening = listening
        self._desk = desk
        self._announcer = announcer

    async def do(self, command: Command) -> str:
        """Do a command and say in one line what was done.

        Raises:
            CommandRefused: If it cannot be done; the text says why, and what to do instead.
        """
        match command:
            case Select():
                return await self._select(command)
            case Start(corner=corner):
                return self._start(self._at(corner))
            case Redo(corner=corner):
                listener = self._connected(self._at(corner))
                return self._arm(listener, "begun again: push and pull the hub, stop to stop")
            case Accept(corner=corner):
                return await self._accept(self._at(corner))
            case Note(text=text, corner=corner, job=job):
                answer = await self._desk.note(text, corner, job)
                self._announcer.publisher.status_changed()
                return answer
            case Quit(corner=corner):
                return self._quit(corner)

    async def _select(self, command: Select) -> str:
        said = []
        if command.corner is None and command.job is None:
            raise CommandRefused("select what? Name a corner, a job, or both")
        listener = None
        if command.corner is not None:
            listener = self._gauge_for(command.corner, command.gauge)
        if command.job is not None:
            said.append(await self._desk.select(command.job, command.corner))
        if listener is not None and command.corner is not None:
            if listener.corner != command.corner or listener.held:
                listener.set_corner(command.corner)
                listener.arm()
            self._announcer.begin_again(command.corner)
            said.append(f"{listener.setup.name} measures {command.corner}")
        self._announcer.publisher.status_changed()
        return "; ".join(said)

    def _start(self, listener: Listener) -> str:
        self._connected(listener)
        if self._announcer.phase(listener.setup.name) is Phase.MEASURING and not listener.held:
            raise CommandRefused(
                f"{listener.corner} is being measured: redo throws that away and begins again"
            )
        return self._arm(listener, "ready: push and pull the hub, stop to stop")

    def _arm(self, listener: Listener, said: str) -> str:
        listener.arm()
        if listener.corner is not None:
            self._announcer.begin_again(listener.corner)
        return f"{listener.corner} {said}"

    async def _accept(self, listener: Listener) -> str:
        corner = listener.corner or ""
        if self._announcer.phase(listener.setup.name) is Phase.MEASURING:
            listener.finish()
            return f"{corner} ended with the strokes there are; its result comes when it is in the log"
        newest = self._announcer.newest.get(corner)
        if newest is None:
            raise CommandRefused(f"nothing is being measured at {corner}, and it has no result yet")
        if newest.state != "measured":
            why = "; ".join(str(reason["text"]) for reason in newest.analysis["reasons"])
            raise CommandRefused(
                f"the newest measurement of {corner} gave no end play ({why}): measure again"
            )
        answer = await self._desk.accept(corner, newest)
        self._announcer.publisher.status_changed()
        return answer

    def _quit(self, corner: str | None) -> str:
        chosen = [one for one in self._listening.listeners.values() if one.corner is not None]
        if corner is not None:
            chosen = [self._at(corner)]
        for listener in chosen:
            listener.hold()
        self._announcer.publisher.status_changed()
        corners = ", ".join(str(one.corner) for one in chosen) or "no corner"
        return f"measuring is stopped at {corners}; start or select begins again"

    def _at(self, corner: str | None) -> Listener:
        """The gauge at a corner; the only one if none is named."""
        placed = {name: one for name, one in self._listening.listeners.items() if one.corner is not None}
        if corner is None:
            if len(placed) == 1:
                return next(iter(placed.values()))
            if not placed:
                raise CommandRefused("no gauge is at a corner yet: select one first")
            raise CommandRefused(
                f"name the corner: there are {_listed(str(o.corner) for o in placed.values())}"
            )
        found = [one for one in placed.values() if one.corner == corner]
        if not found:
            raise CommandRefused(f"no gauge is at {corner}: select it first")
        ready = [one for one in found if one.state is State.CONNECTED]
        return (ready or found)[0]

    def _gauge_for(self, corner: str, name: str | None) -> Listener:
        """The gauge that a corner is to be measured with."""
        listeners = self._listening.listeners
        if name is not None:
            if name not in listeners:
                there = _listed(f'"{one}"' for one in listeners)
                raise CommandRefused(f"no gauge is called {shown(name)}: there are {there}")
            return listeners[name]
        there_already = [one for one in listeners.values() if one.corner == corner]
        if there_already:
            return self._at(corner)
        roaming = [one for one in listeners.values() if one.setup.corner is None]
        if len(roaming) == 1:
            return roaming[0]
        if len(listeners) == 1:
            return next(iter(listeners.values()))
        there = _listed(f'"{one}"' for one in listeners)
        raise CommandRefused(f"which gauge is to measure {corner}? Name it as gauge: there are {there}")

    def _connected(self, listener: Listener) -> Listener:
        if listener.state is not State.CONNECTED:
            why = self._announcer.why_lost(listener.setup.name)
            because = f": {why}" if why else f", it is {listener.state}"
            raise CommandRefused(f"the gauge {listener.setup.name} is not connected{because}")
        return listener


def _listed(words: object) -> str:
    return ", ".join(sorted(str(one) for one in words))  # type: ignore[attr-defined]
