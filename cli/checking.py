"""``listen --check``: which links a station would open, and which gauges answer."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from capture.decoder import Decoder
from capture.errors import LinkError
from capture.links import Link
from capture.listening import Open, Setup, open_usual
from capture.profiles import BUILT_IN
from capture.readings import Reading, Tick, UnitMissing

WAIT_S = 3.0
"""A gauge has so long to give its first reading once its link is open, seconds."""

OPEN_S = 15.0
"""And its link so long to open, seconds: one over the air has to be found first."""


@dataclass(frozen=True, slots=True)
class Answer:
    """How one gauge stands.

    Attributes:
        setup: The gauge.
        answers: Whether a reading came.
        text: What came, or why nothing did.
    """

    setup: Setup
    answers: bool
    text: str


def check(setups: Sequence[Setup], make: Open = open_usual) -> list[Answer]:
    """Open every gauge's link at once, wait for a reading, and close it.

    Args:
        setups: The gauges.
        make: Makes the links.
    """

    async def check_all() -> list[Answer]:
        return list(await asyncio.gather(*(_check(setup, make) for setup in setups)))

    return asyncio.run(check_all())


async def _check(setup: Setup, make: Open) -> Answer:
    link = make(setup.link, setup.profile.settings)
    try:
        async with asyncio.timeout(OPEN_S):
            await link.open()
        try:
            return await _first_reading(setup, link)
        finally:
            await link.close()
    except LinkError as error:
        return Answer(setup, False, error.why)
    except TimeoutError:
        await link.close()
        return Answer(setup, False, f"its link did not open within {OPEN_S:g} s")


async def _first_reading(setup: Setup, link: Link) -> Answer:
    profile = setup.profile if link.profile is None else BUILT_IN[link.profile]
    decoder = Decoder(profile, setup.unit, joined_midway=link.joined_midway)
    unit_missing = ""
    loop = asyncio.get_running_loop()
    end = loop.time() + WAIT_S
    while loop.time() < end:
        item = await link.receive()
        if item is None:
            return Answer(setup, False, "its source ended before a reading came")
        if isinstance(item, Tick):
            continue
        for event in decoder.feed(item):
            if isinstance(event, Reading):
                return Answer(setup, True, f"answers: {event.value} {event.unit}")
            if isinstance(event, UnitMissing):
                unit_missing = event.text
    if unit_missing:
        why = f'"{unit_missing}" does not say its unit: add unit = "mm" or "in" to its entry'
        return Answer(setup, False, why)
    wrong = decoder.looks_wrong()
    silent = f"nothing came in {WAIT_S:g} s: is it on, and does it send by itself?"
    return Answer(setup, False, wrong or silent)
