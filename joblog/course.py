"""The course of one corner through a job: a table of what may come where, and nothing else.

As found, within: done. Else it is torn down, its parts are looked at, the fitted shim is measured, a shim
is chosen, it goes together again and is measured as left: within, done, or once more with another shim. With
new bearings or a new spindle a trial shim goes in first. Where the nut sets the end play, no shim is chosen.

What was written down is played through the table again each time: a correction moves all that follows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum


class Place(StrEnum):
    """Where a corner stands: what is to be done next."""

    AS_FOUND = "as found"
    TEARDOWN = "teardown"
    PARTS = "parts"
    FITTED = "fitted"
    CHOOSE = "choose"
    REASSEMBLE = "reassemble"
    TRIAL = "trial"
    AS_LEFT = "as left"
    DONE = "done"


class Move(StrEnum):
    """What can happen to a corner."""

    FOUND_WITHIN = "measured as found, within limits"
    FOUND_OUTSIDE = "measured as found, out of limits"
    TRIAL_MEASURED = "measured with the trial shim"
    LEFT_WITHIN = "measured as left, within limits"
    LEFT_OUTSIDE = "measured as left, out of limits"
    TORN_DOWN = "torn-down"
    PART = "part"
    FITTED = "fitted"
    CHOSEN = "choose"
    REASSEMBLED = "reassembled"
    SKIPPED = "skip"


Table = Mapping[Place, Mapping[Move, Place]]
_P, _M = Place, Move

SHIMMED: Table = {
    _P.AS_FOUND: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.TEARDOWN,
        _M.SKIPPED: _P.TEARDOWN,
    },
    _P.TEARDOWN: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.TEARDOWN,
        _M.LEFT_WITHIN: _P.DONE,
        _M.LEFT_OUTSIDE: _P.TEARDOWN,
        _M.TORN_DOWN: _P.PARTS,
        _M.SKIPPED: _P.PARTS,
    },
    _P.PARTS: {_M.PART: _P.PARTS, _M.TORN_DOWN: _P.PARTS, _M.SKIPPED: _P.FITTED},
    _P.FITTED: {_M.PART: _P.FITTED, _M.FITTED: _P.CHOOSE, _M.TORN_DOWN: _P.PARTS, _M.SKIPPED: _P.CHOOSE},
    _P.CHOOSE: {
        _M.PART: _P.CHOOSE,
        _M.FITTED: _P.CHOOSE,
        _M.CHOSEN: _P.REASSEMBLE,
        _M.TORN_DOWN: _P.PARTS,
        _M.SKIPPED: _P.REASSEMBLE,
    },
    _P.REASSEMBLE: {
        _M.PART: _P.REASSEMBLE,
        _M.FITTED: _P.CHOOSE,
        _M.CHOSEN: _P.REASSEMBLE,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
    _P.TRIAL: {
        _M.TRIAL_MEASURED: _P.CHOOSE,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
        _M.SKIPPED: _P.CHOOSE,
    },
    _P.AS_LEFT: {
        _M.LEFT_WITHIN: _P.DONE,
        _M.LEFT_OUTSIDE: _P.TEARDOWN,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
    _P.DONE: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.TEARDOWN,
        _M.LEFT_WITHIN: _P.DONE,
        _M.LEFT_OUTSIDE: _P.TEARDOWN,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
}
"""A hub whose end play a shim sets."""

NUT_SET: Table = {
    _P.AS_FOUND: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.REASSEMBLE,
        _M.SKIPPED: _P.REASSEMBLE,
    },
    _P.PARTS: {_M.PART: _P.PARTS, _M.TORN_DOWN: _P.PARTS, _M.SKIPPED: _P.REASSEMBLE},
    _P.REASSEMBLE: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.REASSEMBLE,
        _M.PART: _P.REASSEMBLE,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
    _P.AS_LEFT: {
        _M.LEFT_WITHIN: _P.DONE,
        _M.LEFT_OUTSIDE: _P.REASSEMBLE,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
    _P.DONE: {
        _M.FOUND_WITHIN: _P.DONE,
        _M.FOUND_OUTSIDE: _P.REASSEMBLE,
        _M.LEFT_WITHIN: _P.DONE,
        _M.LEFT_OUTSIDE: _P.REASSEMBLE,
        _M.REASSEMBLED: _P.AS_LEFT,
        _M.TORN_DOWN: _P.PARTS,
    },
}
"""A hub whose end play the nut sets."""

_LANDS: Mapping[Move, Place] = {
    _M.TORN_DOWN: _P.PARTS,
    _M.FITTED: _P.CHOOSE,
    _M.CHOSEN: _P.REASSEMBLE,
    _M.REASSEMBLED: _P.AS_LEFT,
}
"""Where work leads that was done although the table does not have it there, after a correction before it."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How a corner stands.

    Attributes:
        place: What is to be done next.
        fitted_mm: Thickness of the shims in the hub, or that came out of it, millimetres; None if not known.
        fitted_known: Whether those are the ones that go by the last measurement.
        needs_trial: Whether a trial shim must go in before a shim can be worked out.
        trial_in: Whether the shim in the hub is the trial shim.
        together: Whether it went together again since it was opened; its next reading is then as left.
        basis: Id of the measurement from which a shim is worked out; None if there is none to go by.
        chosen: Id of the entry of the choice that is to be fitted; None if there is none.
        again: Why it is to be chosen again; None if it is not.
    """

    place: Place = Place.AS_FOUND
    fitted_mm: float | None = None
    fitted_known: bool = False
    needs_trial: bool = False
    trial_in: bool = False
    together: bool = False
    basis: str | None = None
    chosen: str | None = None
    again: str | None = None

    @property
    def stage(self) -> str | None:
        """Which stage is to be measured here; None where the hub is apart."""
        match self.place:
            case Place.TRIAL:
                return "trial"
            case Place.AS_FOUND | Place.AS_LEFT | Place.DONE | Place.TEARDOWN:
                return "as-left" if self.together or self.place is Place.AS_LEFT else "as-found"
            case _:
                return None


@dataclass(frozen=True, slots=True)
class Happened:
    """What happened to a corner, as the course needs it.

    Attributes:
        move: What.
        entry: Id of its entry.
        thickness_mm: Of the shims that it is about, in all, millimetres; None where it is about none.
        trial: Whether a part was renewed that takes a trial shim, or the shim fitted is one.
        measurement: Id of the measurement.
        stale: Why a choice is to be made again; None if it stands.
    """

    move: Move
    entry: str
    thickness_mm: float | None = None
    trial: bool = False
    measurement: str | None = None
    stale: str | None = None


def table_of(shimmed: bool) -> Table:
    """What may come where, for a hub whose end play a shim sets, or its nut."""
    return SHIMMED if shimmed else NUT_SET


def may_come(place: Place, shimmed: bool) -> tuple[Move, ...]:
    """What may be done where a corner stands, measuring included."""
    return tuple(table_of(shimmed).get(place, {}))


def go_on(now: Standing, happened: Happened, shimmed: bool, parts_done: bool) -> Standing:
    """Where a corner stands after something happened to it.

    Args:
        now: Where it stood.
        happened: What happened; what has no place there leaves it where it stood.
        shimmed: Whether a shim sets the end play of this hub.
        parts_done: Whether every part was looked at by then.
    """
    move = happened.move
    there = table_of(shimmed).get(now.place, {}).get(move)
    if there is None:
        there = _LANDS.get(move)
        if there is None or (not shimmed and there in {Place.CHOOSE, Place.FITTED}):
            return replace(now, needs_trial=True, basis=None) if happened.trial and shimmed else now
    changed = _after(now, replace(now, place=there), happened, shimmed)
    return _settled(changed, move, shimmed, parts_done)


def _after(  # noqa: PLR0911 - one for each kind of move
    now: Standing, changed: Standing, happened: Happened, shimmed: bool
) -> Standing:
    """What becomes of the figures: the shim in the hub, what it was measured with, the choice."""
    match happened.move:
        case Move.PART if happened.trial and shimmed:
            place = Place.PARTS if now.place is Place.PARTS else Place.FITTED
            return replace(changed, needs_trial=True, basis=None, chosen=None, place=place)
        case Move.FITTED:
            return replace(
                changed,
                fitted_mm=happened.thickness_mm,
                fitted_known=True,
                trial_in=happened.trial,
                needs_trial=now.needs_trial and not happened.trial,
                chosen=None,
                place=Place.REASSEMBLE if happened.trial else changed.place,
            )
        case Move.CHOSEN if happened.stale is not None:
            return replace(changed, place=Place.CHOOSE, chosen=None, again=happened.stale)
        case Move.CHOSEN:
            return replace(changed, chosen=happened.entry, again=None, trial_in=False)
        case Move.REASSEMBLED:
            return replace(
                changed,
                fitted_mm=now.fitted_mm if happened.thickness_mm is None else happened.thickness_mm,
                fitted_known=happened.thickness_mm is not None or now.fitted_known,
                together=True,
                chosen=None,
                again=None,
                place=Place.TRIAL if now.trial_in else Place.AS_LEFT,
            )
        case Move.SKIPPED if now.place in {Place.FITTED, Place.TRIAL}:
            return replace(changed, needs_trial=False)
        case Move.TORN_DOWN | Move.PART | Move.SKIPPED:
            return changed
        case _:  # a reading; a trial shim that was measured with is a shim like any other
            return replace(changed, basis=happened.measurement, chosen=None, again=None, trial_in=False)


def _settled(standing: Standing, move: Move, shimmed: bool, parts_done: bool) -> Standing:
    """Pass over what was done already: parts that were looked at, a shim whose thickness is known."""
    if move not in {Move.TORN_DOWN, Move.PART, Move.SKIPPED}:
        return standing
    if standing.place is Place.PARTS and parts_done:
        standing = replace(standing, place=Place.FITTED if shimmed else Place.REASSEMBLE)
    if standing.place is Place.FITTED and standing.fitted_known and not standing.needs_trial:
        standing = replace(standing, place=Place.CHOOSE)
    return standing
