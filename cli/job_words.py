"""What a job card says to a person: what to do now at a corner, with its caution and its number."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.hub_rules import Step
from calc.units import Unit, format_length, format_size
from cli.words import CORNER_NAMES, MAKERS, STAGE_NAMES
from joblog.course import Place, may_come

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from calc.hub import Hub
    from joblog.jobs import CornerCard, Job

STEP_OF: dict[Place, Step] = {
    Place.AS_FOUND: Step.MEASURE,
    Place.TEARDOWN: Step.TEARDOWN,
    Place.PARTS: Step.PARTS,
    Place.FITTED: Step.FITTED,
    Place.CHOOSE: Step.CHOOSE,
    Place.REASSEMBLE: Step.REASSEMBLE,
    Place.TRIAL: Step.MEASURE,
    Place.AS_LEFT: Step.MEASURE,
}
"""Whose rules in the hub file hold where a corner stands."""

_TRAINED = ("trained", "Not for the untrained.")
_CAUTIONS: dict[Step, tuple[tuple[str, str], ...]] = {
    Step.MEASURE: (("jack", "Car on stands on level ground, never on the jack alone."), _TRAINED),
    Step.TEARDOWN: (
        ("jack", "Car on stands on level ground, never on the jack alone."),
        ("press", "Press and pullers: shield up, stand aside, support the ring that is tight."),
        ("asbestos", "Treat old brake dust as asbestos: no compressed air on it."),
        _TRAINED,
    ),
    Step.PARTS: (
        ("compressed air", "No compressed air on bearings or brake dust."),
        ("asbestos", "Treat old brake dust as asbestos."),
    ),
    Step.FITTED: (
        ("micrometer", "By micrometer, at three places: a figure engraved on it is no measurement."),
    ),
    Step.CHOOSE: (("maker", MAKERS),),
    Step.REASSEMBLE: (
        ("press", "Press: shield up, stand aside, support the ring that is tight."),
        ("maker", MAKERS),
    ),
}
"""Said at a step unless the hub file's own cautions there speak of it: a word that shows it, and the caution.

Common practice.
"""

_TRADE_WORDS: dict[str, str] = {
    "measured as found, within limits": "measure",
    "measured as found, out of limits": "measure",
    "measured with the trial shim": "measure",
    "measured as left, within limits": "measure",
    "measured as left, out of limits": "measure",
}


def next_words(card: CornerCard) -> tuple[str, str]:
    """What to do now at a corner, with its number, and its caution: one line each.

    Args:
        card: The corner.
    """
    where = f"{CORNER_NAMES[card.corner].capitalize()} ({card.corner})"
    do = _to_do(card)
    if card.standing.again and card.place is Place.CHOOSE:
        do = f"choose again, as {card.standing.again}: {do}"
    return f"{where}: {do}", f"Mind: {' '.join(cautions_at(card))}"


def cautions_at(card: CornerCard) -> list[str]:
    """What to mind where a corner stands: the hub file's own cautions there, then what they leave out."""
    step = STEP_OF.get(card.place)
    if step is None:
        return [MAKERS]
    own = list(card.hub.rules(step).cautions)
    said = " ".join(own).casefold()
    return own + [text for word, text in _CAUTIONS[step] if word not in said]


def limits_text(hub: Hub) -> str:
    """The limits in the hub file's unit and in the other."""
    other = Unit.INCH if hub.unit is Unit.MM else Unit.MM
    return f"{hub.limits.text(hub.unit)} ({hub.limits.text(other)})"


def sizes_text(thicknesses_mm: Sequence[float], unit: Unit) -> str:
    """Shims of a pack: ``3.15 mm + 0.05 mm``; a single one is its size."""
    return " + ".join(format_size(size, unit) for size in thicknesses_mm)


def car_words(data: Mapping[str, Any]) -> str:
    """What an entry says of the car: vehicle, registration, odometer, who works on it.

    Args:
        data: Of an entry of the kind ``car``.
    """
    said = [str(data[name]) for name in ("vehicle", "registration") if data.get(name)]
    if data.get("odometer") is not None:
        said.append(f"odometer {data['odometer']:.10g} {data.get('odometer_unit', 'km')}")
    if data.get("mechanic"):
        said.append(f"mechanic {data['mechanic']}")
    return ", ".join(said)


def _to_do(card: CornerCard) -> str:  # noqa: PLR0911 - one for each place
    hub, now = card.hub, card.standing
    match card.place:
        case Place.AS_FOUND:
            return f"measure as found; limits {limits_text(hub)}."
        case Place.TEARDOWN:
            again = " again" if now.together else ""
            return f"take the hub apart{again}; the reading is in the log: {_reading(card)}."
        case Place.PARTS:
            return f"look at the parts and enter each: {', '.join(card.parts_left())}."
        case Place.FITTED if now.needs_trial:
            trial = "of known thickness" if hub.trial_mm is None else format_size(hub.trial_mm, hub.unit)
            return f"put in the trial shim, {trial}, as new parts came in, and enter it (job fitted)."
        case Place.FITTED:
            return "measure the shim that was in the hub and enter it (job fitted)."
        case Place.CHOOSE:
            had = "not known" if now.fitted_mm is None else format_size(now.fitted_mm, hub.unit)
            limits = limits_text(hub)
            return f"choose the shim (job choose); end play {_reading(card)} with {had}, limits {limits}."
        case Place.REASSEMBLE:
            return _put_together(card)
        case Place.TRIAL:
            return f"measure with the trial shim; limits {limits_text(hub)}."
        case Place.AS_LEFT:
            return f"measure as left; limits {limits_text(hub)}."
        case _:
            return f"done; {_reading(card)}, limits {limits_text(hub)}."


def _put_together(card: CornerCard) -> str:
    hub, nut = card.hub, card.hub.nut
    if not card.shimmed:
        words = [f"set the end play with the nut; it was {_reading(card)}, limits {limits_text(hub)}"]
    elif card.chosen is not None:
        words = [f"fit the {sizes_text(card.chosen.data['thicknesses_mm'], hub.unit)} shim"]
    elif card.thicknesses_mm:
        kind = "trial shim" if card.standing.trial_in else "shim back in"
        words = [f"fit the {sizes_text(card.thicknesses_mm, hub.unit)} {kind}"]
    else:
        words = ["fit the shim"]
    if nut is not None:
        words.append(f"nut {nut.torque_text}")
        if nut.line_up is not None:
            onward = "tighten on only" if nut.line_up == "tighten" else "back off to the next slot"
            most = "" if nut.most is None else f", at most {nut.most}"
            words.append(f"to line up the pin {onward}{most}")
        words.append("new pin")
    return "; ".join(words) + "."


def _reading(card: CornerCard) -> str:
    """The last good reading, in words."""
    good = [one for one in card.measurements if one.state == "measured"]
    if not good or good[-1].end_play_mm is None:
        return "no reading"
    last = good[-1]
    return (
        f"{STAGE_NAMES[last.stage]} {format_length(last.end_play_mm or 0.0, card.hub.unit)}, {last.verdict}"
    )


def where_it_stands(job: Job, card: CornerCard) -> str:
    """Where a corner stands and what may come there, on one line."""
    names = dict.fromkeys(_TRADE_WORDS.get(move, str(move)) for move in may_come(card.place, card.shimmed))
    left = card.parts_left() if card.place is Place.PARTS else ()
    missing = f" (parts still to be looked at: {', '.join(left)})" if left else ""
    return (
        f"{card.corner} of job {job.short_id} stands at {card.place}{missing}; "
        f"what may come: {', '.join(names)}"
    )


def most_sensible(job: Job) -> CornerCard | None:
    """The corner to go on with: all are measured as found first, then the one begun; None if all done."""
    order = [Place.AS_FOUND, *(place for place in Place if place is not Place.AS_FOUND)]
    found_first = [card for card in job.corners.values() if card.place is Place.AS_FOUND]
    if found_first:
        return found_first[0]
    left = [card for card in job.corners.values() if card.place is not Place.DONE]
    return max(left, key=lambda card: order.index(card.place), default=None)


def next_object(job: Job, card: CornerCard) -> dict[str, Any]:
    """The next object of the contract."""
    nut, step = card.hub.nut, STEP_OF.get(card.place)
    do, mind = next_words(card)
    return {
        "job_id": job.id,
        "corner": card.corner,
        "place": str(card.place),
        "do": do,
        "mind": mind,
        "how": [] if step is None else list(card.hub.rules(step).do),
        "cautions": cautions_at(card),
        "stage": card.standing.stage,
        "least_mm": card.hub.limits.least_mm,
        "most_mm": card.hub.limits.most_mm,
        "fitted_mm": card.fitted_mm,
        "shims_mm": None if card.chosen is None else card.chosen.data["thicknesses_mm"],
        "torque_nm": None if nut is None else nut.torque.nm,
        "torque": None if nut is None else nut.torque_text,
        "again": card.standing.again,
    }
