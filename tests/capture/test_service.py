"""One measurement from a link to its end: live, replayed, unplugged, stopped, silent, garbled."""

from __future__ import annotations

import asyncio
import time
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from calc.limits import Limits
from calc.units import Unit
from capture.decoder import Decoder
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.errors import LinkLost, LinkMissing
from capture.links import Link, open_link
from capture.links.queue import ChunkQueue
from capture.links.serial import SerialLink
from capture.links.urls import split_url
from capture.profiles import LINE
from capture.readings import Garbled, Overrun, Reading, Trace
from capture.service import measure
from capture.session import Ended, Event, Goal, Session, StrokeSeen
from capture.simulator import HubModel, simulate
from capture.traces import write_csv

if TYPE_CHECKING:
    from tests.capture.conftest import Pty

LIMITS = Limits(0.03, 0.20)


def session_for(link: Link, *, timeout_s: float | None = None) -> Session:
    decoder = Decoder(LINE, Unit.MM, joined_midway=link.joined_midway)
    return Session(decoder, Goal(limits=LIMITS, timeout_s=timeout_s))


def last(events: list[Event]) -> Ended:
    ended = [event for event in events if isinstance(event, Ended)]
    assert len(ended) == 1
    return ended[0]


def same_numbers(ended: Ended) -> None:
    """Analysing the stored trace again gives the live numbers to the last digit."""
    again = analyse_trace(ended.trace)
    assert isinstance(again, EndPlay)
    assert isinstance(ended.outcome, EndPlay)
    assert again.end_play_mm == ended.outcome.end_play_mm
    assert again.budget == ended.outcome.budget


def test_a_simulated_hub_is_measured() -> None:
    link = open_link("simulated:?end_play=0.12mm&strokes=12&seed=5&speed=max")
    events: list[Event] = []
    ended = asyncio.run(measure(link, session_for(link), events.append))
    assert last(events) is ended
    assert isinstance(ended.outcome, EndPlay)
    assert abs(ended.outcome.end_play_mm - 0.12) < 0.008
    assert sum(isinstance(event, StrokeSeen) for event in events) >= 5
    same_numbers(ended)


def test_a_source_that_ends_finishes_the_measurement(tmp_path: Path) -> None:
    # too few strokes for the session to end by itself: what there is is analysed when the file ends
    trace = simulate(HubModel(end_play_mm=0.12, strokes=4), 3).trace
    path = tmp_path / "short.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        write_csv(trace, file)
    link = open_link(f"replay:{path}?speed=max")
    events: list[Event] = []
    ended = asyncio.run(measure(link, session_for(link), events.append))
    assert len(ended.trace) == len(trace)
    assert [Decimal(text) for text in ended.trace.texts()] == [Decimal(text) for text in trace.texts()]
    assert sum(isinstance(event, Reading) for event in events) == len(trace)


def test_the_speed_of_a_replay_does_not_change_its_events(tmp_path: Path) -> None:
    trace = simulate(HubModel(end_play_mm=0.12, strokes=6, dwell_s=0.5), 9).trace
    path = tmp_path / "t.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        write_csv(trace, file)

    def run(speed: str) -> list[Event]:
        link = open_link(f"replay:{path}?speed={speed}")
        events: list[Event] = []
        asyncio.run(measure(link, session_for(link), events.append))
        return events

    slow, fast = run("20"), run("max")
    assert last(slow).trace == last(fast).trace
    assert [e for e in slow if not isinstance(e, Ended)] == [e for e in fast if not isinstance(e, Ended)]
    assert last(slow).outcome == last(fast).outcome


async def play(pty: Pty, trace: Trace, *, then: int | None = None) -> None:
    """Send a trace in real time, as an indicator does; after reading number ``then`` unplug it."""
    began = time.monotonic()
    for number, (at, text) in enumerate(zip(trace.times_s.tolist(), trace.texts(), strict=True)):
        if number == then:
            pty.unplug()
            return
        await asyncio.sleep(began + at - time.monotonic())
        pty.send(f"{text}\r\n".encode())


@pytest.mark.slow
def test_a_live_line_is_measured_and_ends_by_itself(pty: Pty) -> None:
    simulated = simulate(HubModel(end_play_mm=0.31, strokes=12, dwell_s=0.45, move_s=0.12, rest_s=0.5), 21)

    async def run() -> list[Event]:
        events: list[Event] = []
        link = open_link(f"serial:{pty.name}?baud=9600")
        player = asyncio.create_task(play(pty, simulated.trace))
        await measure(link, session_for(link, timeout_s=30), events.append)
        player.cancel()
        await asyncio.gather(player, return_exceptions=True)
        return events

    events = asyncio.run(run())
    ended = last(events)
    assert isinstance(ended.outcome, EndPlay), ended.outcome
    assert abs(ended.outcome.end_play_mm - 0.31) <= 0.008
    assert not any(isinstance(event, (Garbled, Overrun)) for event in events)
    same_numbers(ended)


def test_unplugged_in_mid_stroke(pty: Pty) -> None:
    trace = simulate(HubModel(end_play_mm=0.31, strokes=4, dwell_s=0.4, rest_s=0.3), 2).trace
    events: list[Event] = []

    async def run() -> None:
        link = open_link(f"serial:{pty.name}")
        player = asyncio.create_task(play(pty, trace, then=40))
        try:
            with pytest.raises(LinkLost, match="was unplugged"):
                await measure(link, session_for(link), events.append)
        finally:
            await player

    asyncio.run(run())
    ended = last(events)
    assert isinstance(ended.outcome, Refusal)
    assert "the link was lost" in ended.outcome.reasons[0].text
    assert len(ended.trace) >= 35  # what was still on its way when it was pulled may be gone
    given = [Decimal(text) for text in trace.texts()]
    assert [Decimal(text) for text in ended.trace.texts()] == given[: len(ended.trace)]


def test_stopped_in_the_middle(pty: Pty) -> None:
    events: list[Event] = []

    async def run() -> None:
        link = open_link(f"serial:{pty.name}")
        heard = asyncio.Event()

        def on_event(event: Event) -> None:
            events.append(event)
            if sum(isinstance(event, Reading) for event in events) == 5:
                heard.set()

        task = asyncio.create_task(measure(link, session_for(link), on_event))
        for number in range(5):
            await asyncio.sleep(0.02)
            pty.send(b"+0.10%d\r\n" % number)
        await asyncio.wait_for(heard.wait(), 10)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        async with open_link(f"serial:{pty.name}"):  # the port was given back
            pass

    asyncio.run(run())
    ended = last(events)
    assert isinstance(ended.outcome, Refusal)
    assert ended.trace.texts() == [f"0.10{number}" for number in range(5)]


def test_stopped_before_anything_came(pty: Pty) -> None:
    events: list[Event] = []

    async def run() -> None:
        link = open_link(f"serial:{pty.name}")
        task = asyncio.create_task(measure(link, session_for(link), events.append))
        await asyncio.sleep(0.1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(run())
    assert len(last(events).trace) == 0


def test_a_silent_line_is_told_the_time_and_gives_up(pty: Pty) -> None:
    async def run() -> tuple[Ended, float]:
        link = open_link(f"serial:{pty.name}")
        began = time.monotonic()
        ended = await measure(link, session_for(link, timeout_s=0.5), lambda _: None)
        return ended, time.monotonic() - began

    ended, seconds = asyncio.run(run())
    assert isinstance(ended.outcome, Refusal)
    assert 0.5 <= seconds < 5
    assert "only 0 readings" in ended.outcome.reasons[0].text


def test_garbage_alone_is_told_once_while_it_lasts(pty: Pty) -> None:
    troubles: list[str] = []
    events: list[Event] = []

    async def run() -> Ended:
        link = open_link(f"serial:{pty.name}?baud=9600")
        task = asyncio.create_task(
            measure(link, session_for(link, timeout_s=0.6), events.append, troubles.append)
        )
        for _ in range(8):
            await asyncio.sleep(0.05)
            pty.send(bytes((0x9E, 0x86, 0x00, 0xF8, 0x66)) * 6 + b"\r")
        return await task

    ended = asyncio.run(run())
    assert len(troubles) == 1
    assert "wrong baud rate? Try ?baud=" in troubles[0]
    assert isinstance(ended.outcome, Refusal)
    assert "wrong baud rate?" in ended.outcome.reasons[0].text  # and again in the refusal
    assert any(isinstance(event, Garbled) for event in events)


def test_good_readings_are_no_trouble() -> None:
    troubles: list[str] = []
    link = open_link("simulated:?strokes=6&speed=max")
    asyncio.run(measure(link, session_for(link), lambda _: None, troubles.append))
    assert troubles == []


def test_what_a_full_queue_dropped_is_seen(pty: Pty) -> None:
    events: list[Event] = []

    async def run() -> None:
        link = SerialLink(split_url(f"serial:{pty.name}"), queue=ChunkQueue(most=4))

        def on_event(event: Event) -> None:
            events.append(event)
            if isinstance(event, Reading) and event.value == Decimal("0.101"):
                for number in range(20):  # more than the queue holds, before anybody listens again
                    link._queue.put(b"+0.2%02d\r\n" % number)

        task = asyncio.create_task(measure(link, session_for(link, timeout_s=0.6), on_event))
        await asyncio.sleep(0.1)
        pty.send(b"+0.100\r\n+0.101\r\n")
        await task

    asyncio.run(run())
    overruns = [event for event in events if isinstance(event, Overrun)]
    assert [overrun.dropped for overrun in overruns] == [16]
    readings = [str(event.value) for event in events if isinstance(event, Reading)]
    # the first line after the loss may lack its beginning, so it is dropped too
    assert readings == ["0.100", "0.101", "0.217", "0.218", "0.219"]


def test_a_listener_that_fails_ends_the_measurement_and_frees_the_port(pty: Pty) -> None:
    class OwnError(Exception):
        pass

    def fail(_: Event) -> None:
        raise OwnError

    async def run() -> None:
        link = open_link(f"serial:{pty.name}")
        task = asyncio.create_task(measure(link, session_for(link), fail))
        await asyncio.sleep(0.1)
        pty.send(b"+0.1\r\n+0.1\r\n")
        with pytest.raises(OwnError):
            await task
        async with open_link(f"serial:{pty.name}"):
            pass

    asyncio.run(run())


def test_a_link_that_cannot_be_opened_leaves_the_session_alone() -> None:
    link = open_link("serial:/dev/ttyNOTHERE7")
    session = session_for(link)
    with pytest.raises(LinkMissing):
        asyncio.run(measure(link, session, lambda _: None))
    assert not session.ended
    assert np.array_equal(session.trace.counts, [])
