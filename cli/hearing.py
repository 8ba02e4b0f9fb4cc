"""Single readings from a link to whoever takes them: what ``thickness`` and ``gauge verify`` listen with."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from dataclasses import dataclass

from calc.units import Unit
from capture.decoder import Decoder
from capture.links import open_link
from capture.links.base import PATIENCE_S, Link
from capture.profiles import BUILT_IN, Profile
from capture.readings import Hold, LowBattery, Reading, Tick, UnitChanged, UnitMissing
from cli.errors import ExitCode, InterruptedMeasurementError, MeasurementRefusedError, MisuseError
from cli.interrupts import Interrupts
from cli.screen import message

HOPE_S = 3.0
"""How long bytes may come without a number among them once that looks wrong, seconds."""


@dataclass(frozen=True, slots=True)
class Heard:
    """How the listening ended.

    Attributes:
        enough: Whether the taker said so; else the time was up, or the link had no more.
        simulated: Whether the readings are made up.
    """

    enough: bool
    simulated: bool


def hear(
    url: str,
    profile: Profile,
    unit: Unit | None,
    take: Callable[[Reading], bool],
    timeout_s: float | None = None,
) -> Heard:
    """Listen until enough was heard.

    Args:
        url: The link.
        profile: How the gauge speaks.
        unit: Unit of readings that do not say theirs; None to take the profile's.
        take: Given each reading in order; says when it has enough.
        timeout_s: When to give up, seconds, above 0; None to wait for ever.

    Raises:
        LinkError: If the link cannot be opened, or breaks.
        MisuseError: If the readings lack their unit.
        MeasurementRefusedError: If bytes come but no number, or the gauge is switched to its other unit.
        InterruptedMeasurementError: If it is stopped.
    """
    link = open_link(url, profile_settings=profile.settings)
    spoken = profile if link.profile is None else BUILT_IN[link.profile]  # a replayed trace is lines
    decoder = Decoder(spoken, unit, joined_midway=link.joined_midway)
    with Interrupts() as interrupts:

        async def until_enough() -> bool:
            loop, task = asyncio.get_running_loop(), asyncio.current_task()
            if task is not None:
                interrupts.on_interrupt = lambda: loop.call_soon_threadsafe(task.cancel)
                if interrupts.number is not None:  # it came while the loop was being made
                    task.cancel()
            try:
                return await _listen(link, decoder, take, timeout_s)
            finally:
                interrupts.on_interrupt = None

        try:
            enough = asyncio.run(until_enough())
        except asyncio.CancelledError:
            if interrupts.number == signal.SIGINT:
                raise InterruptedMeasurementError("stopped with Ctrl-C; nothing was kept") from None
            if interrupts.number is not None:
                raise InterruptedMeasurementError("told to end", ExitCode.TERMINATED) from None
            raise
    return Heard(enough, link.simulated)


async def _listen(  # noqa: C901 - one arm an event
    link: Link, decoder: Decoder, take: Callable[[Reading], bool], timeout_s: float | None
) -> bool:
    begun: float | None = None
    wrong_since: float | None = None
    async with link:
        while (item := await link.receive(PATIENCE_S)) is not None:
            begun = item.at if begun is None else begun
            for heard in [] if isinstance(item, Tick) else decoder.feed(item):
                match heard:
                    case Reading() if take(heard):
                        return True
                    case Hold() | LowBattery():
                        message(str(heard))
                    case UnitMissing(text=text):
                        why = f'the reading "{text}" does not say its unit: add --unit mm or --unit in'
                        raise MisuseError("--unit", why)
                    case UnitChanged(was=was, now=now):
                        switched = f"the gauge was switched from {was} to {now}"
                        raise MeasurementRefusedError(f"{switched}: set it back to {was} and begin again")
            if timeout_s is not None and item.at - begun >= timeout_s:
                return False
            trouble = decoder.looks_wrong(item.at)
            if trouble is None:
                wrong_since = None
            elif wrong_since is None:
                wrong_since = item.at
            elif item.at - wrong_since >= HOPE_S:
                raise MeasurementRefusedError(trouble)
    return False
