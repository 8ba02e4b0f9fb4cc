"""What a page is told of a message: its numbers in words, its ruler, its trace. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from bus.payloads import Brief, Car, CornerStatus, Cue, GaugeState, GaugeStatus, Live, Result, Status
from bus.topics import CORNERS
from calc.presented import number_with_uncertainty
from calc.units import Unit, format_length, format_size
from shopboard.ruler import Mark, mark_of, ruler_of
from shopboard.words import CORNERS as CORNER_WORDS
from shopboard.words import (
    PHASES,
    STAGES,
    TO_MEASURE,
    battery_words,
    by_how_much,
    gauge_words,
    limits_words,
    odds_words,
    play_words,
    seconds_between,
    verdict_words,
)

FRESH_S = 3.0
"""A result stands in the shop for so long, seconds, though its station's status does not name it yet."""


def live_data(live: Live, points: list[tuple[float, float, float]]) -> dict[str, Any]:
    """A live reading for the wheel.

    Args:
        live: The newest.
        points: Time, lowest and highest of it and those before that were not told.
    """
    unit = Unit(live.unit)
    text = format_length(live.reading_mm, unit, live.step_mm)
    estimate = None
    if live.end_play_mm is not None:
        estimate = format_length(live.end_play_mm, unit, live.step_mm)
        if live.expanded_mm is not None:
            full = number_with_uncertainty(live.end_play_mm, live.expanded_mm, unit, live.step_mm)
            estimate = full.removesuffix(" (95 %)")
    return {
        "gauge": live.gauge,
        "digits": text.partition(" ")[0],
        "unit": live.unit,
        "phase": live.phase,
        "words": PHASES[live.phase],
        "strokes": live.strokes,
        "half": live.half_strokes,
        "estimate": estimate,
        "play": live.end_play_mm,
        "spread": live.expanded_mm,
        "keeps": live.keeps,
        "simulated": live.simulated,
        "points": points,
    }


def brief_live(place: tuple[str, str, str], live: Live) -> list[Any]:
    """A live reading for the shop: where, the number in words, the phase, strokes.

    Args:
        place: Shop, station, corner.
        live: The newest.
    """
    text = format_length(live.reading_mm, Unit(live.unit), live.step_mm)
    return ["/".join(place), text, live.phase, live.strokes]


def cue_data(cue: Cue) -> dict[str, Any]:
    """A cue for the page."""
    return {"kind": cue.kind, "text": cue.text, "speech": cue.speech, "gauge": cue.gauge}


def result_data(result: Result) -> dict[str, Any]:
    """A result for the page, in words, with its ruler and its trace."""
    unit = Unit(result.unit)
    mark = mark_of(result, unit)
    choice = None if result.shim is None else result.shim.choice
    return {
        "id": result.measurement_id,
        "at": result.at,
        "corner": CORNER_WORDS[result.corner],
        "stage": result.stage,
        "stage_words": STAGES[result.stage],
        "state": result.state,
        "verdict": result.verdict,
        "verdict_words": verdict_words(result),
        "play": play_words(result, unit),
        "by": by_how_much(result, unit),
        "odds": odds_words(result),
        "strokes": result.strokes,
        "half": result.half_strokes,
        "reasons": [one.text for one in result.reasons],
        "fitted": None if result.fitted_mm is None else format_size(result.fitted_mm, unit),
        "fit": None if choice is None else format_size(choice.thickness_mm, unit),
        "why": None if result.shim is None else result.shim.why,
        "notes": [one for one in (result.gauge_note, *result.notes) if one],
        "origin": result.origin,
        "simulated": result.simulated,
        "hub": result.hub_title,
        "limits": limits_words(result.least_mm, result.most_mm, unit),
        "vehicle": result.vehicle,
        "job": result.job,
        "gauge": result.gauge_name,
        "todo": result.todo,
        "ruler": ruler_of(result.least_mm, result.most_mm, unit, [mark] if mark else [], result),
        "trace": None
        if result.trace is None
        else {"time": result.trace.time_s, "reading": result.trace.reading_mm},
    }


def rulers_of(results: Sequence[Result]) -> list[tuple[str, dict[str, Any]]]:
    """For each corner of a vehicle a ruler with the newest of each stage, and the corner in words.

    Args:
        results: Of one vehicle, the newest first.
    """
    found = []
    for corner in CORNERS:
        newest: dict[str, Result] = {}
        for one in results:
            if one.corner == corner and one.end_play_mm is not None:
                newest.setdefault(one.stage, one)
        if newest:
            last = max(newest.values(), key=lambda one: one.at)
            unit = Unit(last.unit)
            marks = [mark for one in newest.values() if (mark := mark_of(one, unit)) is not None]
            found.append((CORNER_WORDS[corner], ruler_of(last.least_mm, last.most_mm, unit, marks)))
    return found


def gauge_data(gauge: GaugeStatus, at: str | None) -> dict[str, Any]:
    """A gauge for the page.

    Args:
        gauge: Of a status.
        at: When the status was made.
    """
    return {
        "name": gauge.name,
        "state": "there" if gauge.state is GaugeState.CONNECTED else "lost",
        "words": gauge_words(gauge),
        "short": gauge_words(msgspec.structs.replace(gauge, phase=None)),
        "corner": gauge.corner,
        "corner_words": None if gauge.corner is None else CORNER_WORDS[gauge.corner],
        "phase": gauge.phase,
        "battery": battery_words(gauge),
        "battery_low": gauge.battery_low,
        "heard_ago": seconds_between(gauge.heard_at, at),
        "simulated": gauge.simulated,
    }


def goes_with(result: Result, status: Status) -> bool:
    """Whether a result is so new that the status was made before the station knew of it.

    Args:
        result: A measurement.
        status: The newest status of its station.
    """
    late = seconds_between(result.at, status.at)
    return late is not None and late < FRESH_S


def _short(result: Result) -> Brief:
    """A result as the status will have it."""
    measured = result.state == "measured"
    choice = None if result.shim is None else result.shim.choice
    return Brief(
        measurement_id=result.measurement_id,
        at=result.at,
        stage=result.stage,
        state=result.state,
        verdict=result.verdict,
        p_within=result.p_within,
        end_play_mm=result.end_play_mm if measured else None,
        expanded_mm=result.expanded_mm if measured else None,
        resolution_mm=result.resolution_mm if measured else None,
        fitted_mm=result.fitted_mm,
        fit_mm=None if choice is None else choice.thickness_mm,
        simulated=result.simulated,
    )


def _latest(status: CornerStatus, fresh: Result | None, car: Car) -> list[Brief]:
    """The newest of each stage: the station's, and a result that it has not named yet."""
    known = list(status.latest)
    if fresh is None or (fresh.vehicle, fresh.job) != (car.vehicle, car.job):
        return known
    if any(one.measurement_id == fresh.measurement_id for one in known):
        return known
    return [*(one for one in known if one.stage != fresh.stage), _short(fresh)]


def corner_data(
    status: CornerStatus, newest: Result | None, fresh: Result | None, car: Car
) -> dict[str, Any]:
    """A corner for the shop.

    Args:
        status: The corner, of a status.
        newest: The corner's newest result; None without one.
        fresh: The same if the status was made before it; None otherwise.
        car: The car, of the status.
    """
    unit = Unit(status.unit)
    latest = _latest(status, fresh, car)
    marks: list[Mark] = [mark for one in latest if (mark := mark_of(one, unit)) is not None]
    same = newest is not None and any(one.measurement_id == newest.measurement_id for one in latest)
    return {
        "corner": status.corner,
        "words": CORNER_WORDS[status.corner],
        "hub": status.hub_title,
        "limits": limits_words(status.least_mm, status.most_mm, unit),
        "stage": STAGES[status.stage],
        "todo": status.todo,
        "on_card": status.place is not None,
        "to_measure": status.place is None or status.place in TO_MEASURE,
        "gauge": status.gauge,
        "fitted": None if status.fitted_mm is None else format_size(status.fitted_mm, unit),
        "latest": [
            {
                "id": one.measurement_id,
                "stage": one.stage,
                "stage_words": STAGES[one.stage],
                "play": play_words(one, unit),
                "verdict": one.verdict,
                "verdict_words": verdict_words(one),
                "fit": None if one.fit_mm is None else format_size(one.fit_mm, unit),
                "at": one.at,
                "simulated": one.simulated,
            }
            for one in latest
        ],
        "ruler": ruler_of(status.least_mm, status.most_mm, unit, marks, newest if same else None),
    }
