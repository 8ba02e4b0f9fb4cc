"""What to do now at a corner, in sentences: by its newest result, by its job card, and by its gauge. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from bus.payloads import CornerStatus, Phase
from calc.hub import Hub, parse_hub
from calc.hub_rules import Step
from cli.job_words import STEP_OF
from cli.words import next_thing
from joblog.records import Measurement

AGAIN = "Then measure this corner again."

TO_MEASURE = frozenset(place for place, step in STEP_OF.items() if step is Step.MEASURE)
"""Where a corner stands when it is to be measured now."""


@dataclass(frozen=True, slots=True)
class AtGauge:
    """How the gauge of a corner is.

    Attributes:
        there: Whether a gauge is at the corner.
        why_lost: Why it is not connected; None if it is.
        held: Whether measuring is stopped.
        phase: What its watch does; None unless connected.
    """

    there: bool
    why_lost: str | None = None
    held: bool = False
    phase: Phase | None = None


def todo_at(
    gauge: AtGauge, card: CornerStatus | None, asked: Sequence[str], *, has_result: bool
) -> list[str]:
    """What to do at a corner now.

    While the card has no use for a gauge, such as with the hub apart, nothing is said of it.

    Args:
        gauge: How its gauge is.
        card: The corner on its job card, as of now; None without one. Its ``todo`` is empty while the card
            is being read again.
        asked: What its newest measurement asked for; see ``todo_of``.
        has_result: Whether that one gave an end play: then the card goes on from it and knows better.
    """
    on_card = [] if card is None else card.todo
    if on_card and has_result:
        asked = ()
    at_work = gauge.phase is Phase.MEASURING
    if card is not None and on_card and not asked and not at_work and card.place not in TO_MEASURE:
        return list(on_card)
    return [*_asked_now(gauge, asked), *on_card]


def _asked_now(gauge: AtGauge, asked: Sequence[str]) -> Sequence[str]:  # noqa: PLR0911 - one a situation
    if not gauge.there:
        return ["No gauge is at this corner: put one there and select the corner."]
    if gauge.why_lost is not None:
        return [f"The gauge is not connected: {gauge.why_lost}."]
    if gauge.held:
        return ["Measuring is stopped here: start it to go on."]
    if gauge.phase is Phase.MEASURING:
        return ["Go on pushing and pulling, stop to stop."]
    if asked:
        return asked
    if gauge.phase is Phase.WAITING:
        return ["Push and pull the hub, stop to stop."]
    return ["Wait: the hub has to be still for two seconds first."]


def todo_of(measurement: Measurement) -> list[str]:
    """What to do after a measurement, with its cautions, one sentence each.

    Args:
        measurement: With its hub file.
    """
    m = measurement
    if m.verdict is not None:
        return next_thing(_hub(m.hub_text), m.stage, m.verdict, m.fitted_mm, m.shim)
    reasons = [
        f"{str(reason['text'])[:1].upper()}{str(reason['text'])[1:]}." for reason in m.analysis["reasons"]
    ]
    return [*reasons, AGAIN]


@lru_cache(maxsize=16)
def _hub(text: str) -> Hub:
    return parse_hub(text, "the hub file of a measurement")
