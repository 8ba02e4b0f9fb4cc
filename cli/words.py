"""Phrases that people see after a measurement: the number, the verdict, the next thing to do, its caution."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.units import format_size

if TYPE_CHECKING:
    from calc.hub import Hub, Nut

STANDS = "Before taking it apart: car on stands on level ground, never on the jack alone."
DUST = "No compressed air on bearings or brake dust, and treat old brake dust as asbestos."
MAKERS = "Limits and torque are the maker's; this tool only does the sums."
ONWARD = "To line up the pin hole turn the nut onward only, never back."
BACK = "To line up the pin hole back the nut off to the next slot, as the hub file says."
SIMULATED = "SIMULATED: these readings come from a made-up hub, not from a car."


CORNER_NAMES = {"LF": "left front", "RF": "right front", "LR": "left rear", "RR": "right rear"}
STEP_NAMES = {
    "measure": "Measure",
    "teardown": "Taking apart",
    "parts": "Looking at the parts",
    "fitted": "Measuring the shim that was in the hub",
    "choose": "Choosing the shim",
    "reassemble": "Putting together",
}
STAGE_NAMES = {"as-found": "as found", "trial": "with the trial shim", "as-left": "as left"}
VERDICT_NAMES = {
    "within": "WITHIN LIMITS",
    "loose": "LOOSE, too much end play",
    "tight": "TIGHT, too little end play",
}


def place(corner: str, stage: str) -> str:
    """Where and when: ``left rear, as found``."""
    return f"{CORNER_NAMES.get(corner, corner)}, {STAGE_NAMES.get(stage, stage)}"


def strokes(full: int, half: int) -> str:
    """How much was seen: ``7 strokes, 1 half stroke set aside``.

    >>> strokes(1, 0), strokes(7, 2)
    ('1 stroke', '7 strokes, 2 half strokes set aside')
    """
    text = _count(full, "stroke")
    return f"{text}, {_count(half, 'half stroke')} set aside" if half else text


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def next_thing(
    hub: Hub, stage: str, verdict: str, fitted_mm: float | None, shim: dict[str, Any] | None
) -> list[str]:
    """What to do now, with its caution, one line each.

    Args:
        hub: The hub file.
        stage: as-found, trial or as-left.
        verdict: within, loose or tight.
        fitted_mm: Thickness of the shim in the hub, millimetres; None if not given.
        shim: The shim object, if there was a shim to work out.
    """
    if verdict == "within" and stage == "as-found":
        return ["Next: nothing to take apart here. Go to the next corner."]
    if verdict == "within" and stage == "as-left":
        return [
            "Next: this corner is done. Secure the nut with a new pin, then go to the next corner.",
            MAKERS,
        ]
    if verdict == "within":
        return [
            "Next: the trial shim may stay. Secure the nut with a new pin, then measure once more as left.",
            MAKERS,
        ]
    lines = []
    if stage == "as-found":
        lines.append("The reading is in the log: written down before anything is taken apart.")
    lines.append("Next: " + _work(hub, stage, verdict, fitted_mm, shim))
    return [*lines, *cautions(hub)]


def _work(hub: Hub, stage: str, verdict: str, fitted_mm: float | None, shim: dict[str, Any] | None) -> str:
    if not hub.sizes_mm:
        way = "tighten" if verdict == "loose" else "slacken"
        return (
            f"this hub has no shim, its nut sets the end play: {way} it as the maker's instructions "
            "say, then measure as left."
        )
    if fitted_mm is None:
        return (
            "measure the shim that is in the hub with a micrometer, then ask for the shim to fit "
            "(shimwright shim --end-play ... --fitted ... --hub ...)."
        )
    if shim is None or shim["choice"] is None:
        return "none of the shims on hand will do: get one of a size that will, then measure as left."
    again = "once more as left" if stage == "as-left" else "as left"
    return f"fit the {format_size(shim['choice']['thickness_mm'], hub.unit)} shim, then measure {again}."


def cautions(hub: Hub) -> list[str]:
    """What to mind before a hub is taken apart and when it goes together again, one line each."""
    lines = [STANDS, DUST]
    if hub.nut is not None:
        lines += nut_words(hub.nut)
    return [*lines, *hub.cautions, MAKERS]


def nut_words(nut: Nut) -> list[str]:
    """How the nut is tightened, as the hub file says, one line each."""
    lines = [f"Tighten the nut to {nut.torque_text}, as the hub file says."]
    if nut.washer is not None:
        lines.append(f"Washer under the nut: {nut.washer}.")
    if nut.line_up == "tighten":
        lines.append(ONWARD)
    elif nut.line_up == "back off":
        lines.append(BACK)
    if nut.most is not None:
        lines.append(f"While lining up never more than {nut.most}: change the nut or its washer instead.")
    return lines
