"""What ``shimwright nut`` answers, as JSON objects and in words, with the cautions that belong to it."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from calc.limits import chances, percent
from calc.nuts import axial_mm, moves_of, turn_deg
from calc.uncertainty import Budget, Component
from calc.units import Unit, format_length
from cli.words import MAKERS, nut_words

if TYPE_CHECKING:
    from calc.hub import Hub, Nut
    from calc.limits import Limits
    from calc.nuts import Castle
    from calc.torque import Torque, Wrench

LEAST_FIRST = (
    "Start to line up at the least torque allowed and never go past the most; if no slot meets the hole by "
    "then, change the washer or the nut (FAA AC 43.13-1B, 7-40)."
)
NEW_PIN = "Fit a new cotter pin; never use one twice."
WHICH_WAY = "Which way to line up is the procedure's: some tighten on, some back off. Look it up."
BY_EYE = (
    "With a wrench on the nut no angle can be read: paint a mark on nut and spindle, and go by the marks."
)
FROM_PLAY = (
    "This holds from an end play as measured, not from the torque: a nut backed off a tightened joint first "
    "only unloads it, so a stated back-off never tells the end play."
)
AGAIN = (
    "Turn the hub while the nut moves, so that the rollers settle; then measure again before the pin goes in."
)
GRIP = "Pull at the middle of the grip and square to the wrench: the length counts to there."


def line_up_object(
    castle: Castle, pitch_mm: float | None, at_deg: float | None, nut: Nut | None
) -> dict[str, Any]:
    """Where the pin goes in; lengths are millimetres, angles degrees.

    Args:
        castle: Slots and pin holes.
        pitch_mm: From thread to thread, millimetres; None if not known.
        at_deg: How far the nut stands past the last place, degrees; None if not known.
        nut: What the hub file says of the nut; None without one.
    """
    on_deg = None if at_deg is None else castle.on_deg(at_deg)
    back_deg = None if at_deg is None else castle.past_deg(at_deg)
    return {
        "slots": castle.slots,
        "pin_holes": castle.holes,
        "places": castle.places,
        "step_deg": castle.step_deg,
        "step_mm": _axial(castle.step_deg, pitch_mm),
        "at_deg": at_deg,
        "on_deg": on_deg,
        "on_mm": _axial(on_deg, pitch_mm),
        "back_deg": back_deg,
        "back_mm": _axial(back_deg, pitch_mm),
        "line_up": None if nut is None else nut.line_up,
        "torque_nm": None if nut is None else nut.torque.nm,
        "most_nm": None if nut is None or nut.most is None else nut.most.nm,
    }


def line_up_lines(found: dict[str, Any], rules: Hub | None) -> list[str]:
    """The same in words, one line each.

    Args:
        found: What ``line_up_object`` made.
        rules: The hub file; None without one.
    """
    unit = Unit.MM if rules is None else rules.unit
    lines = _of_hub(rules)
    slots, holes = _count(found["slots"], "slot"), _count(found["pin_holes"], "pin hole")
    places, step = _count(found["places"], "place"), _degrees(found["step_deg"])
    lines.append(
        f"{slots}, {holes} through the spindle: the pin goes in at {places} in a turn, {step} from one "
        f"to the next{_along(found['step_mm'], unit)}."
    )
    on, back = _way(found["on_deg"], found["on_mm"], unit), _way(found["back_deg"], found["back_mm"], unit)
    way = found["line_up"]
    if found["on_deg"] is None:
        lines.append(
            f"From the torque it is at worst just under {_degrees(found['step_deg'])} to the next place; how "
            "far depends on where the nut stops. --at DEG works it out."
        )
    elif found["on_deg"] == 0:
        lines.append("A slot meets the hole where the nut stands: the pin goes in as it is.")
    elif way == "tighten":
        lines.append(f"From where it stands: {on} onward to the next place.")
    elif way == "back off":
        lines.append(f"From where it stands: {back} back to the place before.")
    else:
        lines.append(f"From where it stands: {on} onward, or {back} back.")
    return [*lines, *([] if way else [WHICH_WAY]), LEAST_FIRST, BY_EYE, NEW_PIN, MAKERS]


def turn_object(
    castle: Castle | None,
    pitch_mm: float,
    end_play_mm: float,
    u_mm: float,
    limits: Limits,
    *,
    wished_mm: float,
    at_deg: float,
    settling_u_mm: float,
) -> dict[str, Any]:
    """How far to turn a nut that sets the end play; lengths are millimetres, angles degrees, onward above 0.

    Args:
        castle: Slots and pin holes; None where the nut has none, and may stand anywhere.
        pitch_mm: From thread to thread.
        end_play_mm: As measured.
        u_mm: Its standard uncertainty.
        limits: End play allowed.
        wished_mm: End play wished for.
        at_deg: How far the nut stands past the last place where the pin went in.
        settling_u_mm: Standard uncertainty that moving the nut adds.
    """
    budget = Budget((Component("end play", "A", u_mm), Component("settling", "B", settling_u_mm)))
    moves, choice = [], None
    if castle is not None:
        found = moves_of(
            castle,
            pitch_mm,
            end_play_mm,
            u_mm,
            math.inf,
            limits,
            wished_mm=wished_mm,
            at_deg=at_deg,
            settling_u_mm=settling_u_mm,
        )
        moves = [asdict(move) for move in found.moves]
        choice = None if found.choice is None else asdict(found.choice)
    return {
        "end_play_mm": end_play_mm,
        "u_mm": budget.u_mm,
        "least_mm": limits.least_mm,
        "most_mm": limits.most_mm,
        "wished_mm": wished_mm,
        "pitch_mm": pitch_mm,
        "exact_deg": turn_deg(end_play_mm, wished_mm, pitch_mm),
        "exact_p_within": chances(wished_mm, budget.u_mm, budget.dof, limits).within,
        "slots": None if castle is None else castle.slots,
        "pin_holes": None if castle is None else castle.holes,
        "step_deg": None if castle is None else castle.step_deg,
        "moves": moves,
        "choice": choice,
    }


def turn_lines(found: dict[str, Any], limits: Limits, rules: Hub | None, unit: Unit) -> list[str]:
    """The same in words, one line each.

    Args:
        found: What ``turn_object`` made.
        limits: End play allowed.
        rules: The hub file; None without one.
        unit: Unit of the lengths.
    """
    lines = [] if rules is None else [rules.title]
    lines.append(
        f"End play now {format_length(found['end_play_mm'], unit)}; limits {limits.text(unit)}; wished "
        f"{format_length(found['wished_mm'], unit)}."
    )
    exact = found["exact_deg"]
    lines.append(
        "It is as wished where it stands."
        if abs(exact) < 0.05
        else f"Exactly that is {_degrees(abs(exact))} {_name_of_way(exact)}"
        f"{_slots(abs(exact), found['slots'])}."
    )
    if found["slots"] is None:
        lines.append("Slots and pin holes are not known, so this does not say whether a pin goes in there.")
    else:
        lines += _table(found, limits, unit)
        lines.append(_advice(found, limits, unit))
    if not found["u_mm"]:
        lines.append("No uncertainty was given (--u), so no chances are told.")
    return [*lines, FROM_PLAY, AGAIN, NEW_PIN, MAKERS]


def _table(found: dict[str, Any], limits: Limits, unit: Unit) -> list[str]:
    rows = [("turn", "end play", "is", "chance within" if found["u_mm"] else "")]
    for move in found["moves"]:
        play = format_length(move["expected_mm"], unit) if move["expected_mm"] > 0 else "none left"
        verdict = "within" if move["fits"] else str(limits.verdict(move["expected_mm"]))
        if move["expected_mm"] <= 0:
            verdict = "tight"
        mark = " <- nearest" if move == found["choice"] else ""
        chance = percent(move["p_within"]) if found["u_mm"] else ""
        rows.append((_named(move["angle_deg"], found), play, verdict, chance + mark))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    return [
        "  "
        + "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[3]]).rstrip()
        for row in rows
    ]


def _advice(found: dict[str, Any], limits: Limits, unit: Unit) -> str:
    choice = found["choice"]
    if choice is None:
        return (
            f"At no place where the pin goes in is the end play within {limits.text(unit)}: change the "
            "washer or the nut, so that the slots fall elsewhere, and measure again."
        )
    play = format_length(choice["expected_mm"], unit)
    if choice["angle_deg"] == 0:
        return f"Next: leave the nut where it stands, with {play}."
    return f"Next: turn the nut {_named(choice['angle_deg'], found)}; {play} is expected."


def wrench_object(torque: Torque, tool: Wrench) -> dict[str, Any]:
    """What to set the wrench to; torques are newton metres, lengths millimetres.

    Args:
        torque: What the nut shall get.
        tool: Wrench and adapter.
    """
    return {
        "torque_nm": torque.nm,
        "length_mm": tool.length_mm,
        "adapter_mm": tool.adapter_mm,
        "angle_deg": tool.angle_deg,
        "factor": tool.length_mm / tool.arm_mm,
        "set_nm": torque.nm * tool.length_mm / tool.arm_mm,
        "set_text": tool.setting(torque).text,
        "unallowed_nm": torque.nm * tool.arm_mm / tool.length_mm,
    }


def wrench_lines(torque: Torque, tool: Wrench, rules: Hub | None) -> list[str]:
    """The same in words, one line each.

    Args:
        torque: What the nut shall get.
        tool: Wrench and adapter.
        rules: The hub file; None without one.
    """
    lines = [
        *([] if rules is None else [rules.title]),
        f"Set the wrench to {tool.setting(torque)}: the nut then gets {torque}.",
    ]
    if math.isclose(tool.arm_mm, tool.length_mm):
        lines.append("The adapter stands square to the wrench, or has no length, and changes nothing.")
    else:
        lines.append(f"Set to {torque} it would give the nut {tool.applied(torque)}.")
    most = None if rules is None or rules.nut is None else rules.nut.most
    if most is not None:
        lines.append(f"While lining up set it to at most {tool.setting(most)}: the nut then gets {most}.")
    return [*lines, GRIP, "Keep the adapter at this angle to the wrench all the while.", MAKERS]


def _of_hub(rules: Hub | None) -> list[str]:
    if rules is None:
        return []
    return [rules.title, *([] if rules.nut is None else nut_words(rules.nut))]


def _axial(angle_deg: float | None, pitch_mm: float | None) -> float | None:
    return None if angle_deg is None or pitch_mm is None else axial_mm(angle_deg, pitch_mm)


def _way(angle_deg: float | None, along_mm: float | None, unit: Unit) -> str:
    return "" if angle_deg is None else f"{_degrees(angle_deg)}{_along(along_mm, unit)}"


def _along(along_mm: float | None, unit: Unit) -> str:
    if along_mm is None:
        return ""
    other = Unit.INCH if unit is Unit.MM else Unit.MM
    return f" ({format_length(along_mm, unit)}, {format_length(along_mm, other)}, along the spindle)"


def _named(angle_deg: float, found: dict[str, Any]) -> str:
    """A turn in words: ``60° on, 1 slot``."""
    if angle_deg == 0:
        return "as it stands"
    return f"{_degrees(abs(angle_deg))} {_name_of_way(angle_deg)}{_slots(abs(angle_deg), found['slots'])}"


def _name_of_way(angle_deg: float) -> str:
    return "on (tighten)" if angle_deg > 0 else "back (slacken)"


def _slots(angle_deg: float, slots: int | None) -> str:
    if slots is None:
        return ""
    number = f"{angle_deg / 360 * slots:.2f}".rstrip("0").rstrip(".")
    return f", {number} {'slot' if number == '1' else 'slots'}"


def _degrees(angle_deg: float) -> str:
    digits = f"{angle_deg:.1f}".removesuffix(".0")
    return f"{digits}°"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
