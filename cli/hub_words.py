"""A hub file for a person: limits, shims, nut, parts, and the rules at the step they belong to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calc.hub_rules import Renew, Step
from calc.units import Unit, format_size
from cli.words import MAKERS, STEP_NAMES, nut_words

if TYPE_CHECKING:
    from calc.hub import Hub, Part


def hub_lines(found: Hub) -> list[str]:
    """A hub file in words, one line each.

    Args:
        found: The hub, with the values of the variant that is shown.
    """
    other = Unit.INCH if found.unit is Unit.MM else Unit.MM
    lines = [
        found.title,
        *_variant_lines(found),
        f"End play: {found.limits.text(found.unit)} ({found.limits.text(other)}).",
        *_shim_lines(found),
    ]
    if found.decision != "simple":
        lines.append(
            f"Decision at a limit: {found.decision}, one expanded uncertainty inside the limits passes."
        )
    if found.cautions:
        lines += ["Before the work:", *(f"  Caution: {text}" for text in found.cautions)]
    for step in Step:
        if told := _step_lines(found, step):
            lines += [f"{STEP_NAMES[step]}:", *(f"  {line}" for line in told)]
    return [*lines, MAKERS]


def _step_lines(found: Hub, step: Step) -> list[str]:
    """What belongs to one step: its cautions, what to do, and what the rest of the file says for it."""
    rules = found.rules(step)
    lines = [*(f"Caution: {text}" for text in rules.cautions), *rules.do]
    match step:
        case Step.PARTS:
            lines += [_part_line(found, part) for part in found.parts]
        case Step.CHOOSE if found.sizes_mm:
            lines += _choice_lines(found)
        case Step.REASSEMBLE:
            lines += _fitting_lines(found)
            if found.nut is not None:
                lines += [*nut_words(found.nut), *_nut_lines(found)]
    return lines


def _variant_lines(found: Hub) -> list[str]:
    lines = []
    for one in found.variants:
        told = f"; to tell it by: {one.tell_by}" if one.tell_by else ""
        title = f" ({one.title})" if one.title != one.name else ""
        shown = ", shown here" if one.name == found.variant else ""
        lines.append(f"Variant {one.name}{shown}{title}{told}.")
    if found.variants and found.variant is None:
        lines.append("Shown here are the file's own values, of no variant.")
    return lines


def _shim_lines(found: Hub) -> list[str]:
    if not found.sizes_mm:
        return ["No shim: the nut sets the end play."]
    sizes = [format_size(size, found.unit) for size in found.sizes_mm]
    more = "more" if found.effect == "opens" else "less"
    pack = "fitted one at a time" if found.most_in_pack == 1 else f"up to {found.most_in_pack} on one another"
    return [
        f"Shims: {_range(sizes)}; a thicker one gives {more} end play; {pack}.",
        f"In the stock they are called: {found.shim_bin}.",
    ]


def _choice_lines(found: Hub) -> list[str]:
    aims = {
        "tightest": "the tightest that is still within limits",
        "middle": "the one nearest the middle of the limits",
        "surest": "the one most surely within limits",
    }
    lines = [f"Choice: {aims[found.aim]}."]
    if found.trial_mm is not None:
        trial = format_size(found.trial_mm, found.unit)
        lines.append(f"Trial shim with new bearings or a new spindle: {trial}.")
    return lines


def _nut_lines(found: Hub) -> list[str]:
    nut = found.nut
    lines = []
    if nut is not None and nut.slots is not None:
        holes = "" if nut.pin_holes is None else f", {nut.pin_holes} pin holes through the spindle"
        lines.append(f"Nut with {nut.slots} slots{holes}.")
    if nut is not None and nut.thread_pitch_mm is not None:
        turn = f"{nut.thread_pitch_mm:.3f} mm ({nut.thread_pitch_mm / 25.4:.4f} in)"
        lines.append(f"A whole turn moves the nut {turn}.")
    return lines


def _fitting_lines(found: Hub) -> list[str]:
    said = {
        "Fit": found.fit,
        "Lubricant": found.lubricant,
        "Outer seal": found.seals.outer,
        "Inner seal": found.seals.inner,
    }
    return [f"{name}: {text}." for name, text in said.items() if text is not None]


def _part_line(found: Hub, part: Part) -> str:
    words = [part.name]
    if part.look_for is not None:
        words[0] += f": {part.look_for}"
    words.append("always renewed" if part.renew is Renew.ALWAYS else "renewed as needed")
    if others := found.together(part.name):
        words.append(f"together with {', '.join(others)}")
    if part.becomes is not None and part.becomes != found.variant:
        words.append(f"then the hub is {part.becomes}")
    if part.trial:
        words.append("then start from the trial shim")
    return "; ".join(words) + "."


def _range(sizes: list[str]) -> str:
    return sizes[0] if len(sizes) == 1 else f"{len(sizes)} sizes, {sizes[0]} to {sizes[-1]}"
