"""Many gauges at once: each with its own link, lost and found again, changed and stopped."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from calc.hub import parse_hub
from calc.units import Unit
from capture.end_play import EndPlay, analyse_trace
from capture.errors import LinkLost
from capture.links import Link
from capture.listening import (
    Connected,
    CornerSet,
    Fault,
    ListenEvent,
    Listening,
    Lost,
    Outcome,
    Over,
    Setup,
    State,
    Trouble,
    open_usual,
    pause_s,
)
from capture.profiles import LINE, SerialSettings
from capture.readings import Chunk, Overrun, Reading, Tick, Trace
from capture.simulator import HubModel, simulate
from capture.watch import Began

if TYPE_CHECKING:
    from tests.capture.conftest import Pty
from tests.unplugged import resting

HUB = parse_hub('title = "Heron GT"\nunit = "mm"\n[end_play]\nleast = 0.03\nmost = 0.20\n', "heron.toml")


def setup(link: str, name: str = "left rear", corner: str | None = "LR", timeout_s: float = 60.0) -> Setup:
    return Setup(name, link, LINE, HUB, Unit.MM, corner, timeout_s)


class Bay:
    """What was kept and told."""

    def __init__(self) -> None:
        self.kept: list[Outcome] = []
        self.told: list[tuple[str, ListenEvent]] = []

    def tell(self, name: str, event: ListenEvent) -> None:
        self.told.append((name, event))

    def events(self, kind: type, name: str | None = None) -> list[ListenEvent]:
        return [event for gauge, event in self.told if isinstance(event, kind) and name in {None, gauge}]

    async def until(self, ready: Callable[[], bool], seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while not ready():
            assert time.monotonic() < end, [
                event for event in self.told if not isinstance(event[1], Reading)
            ][-20:]
            await asyncio.sleep(0.01)


def quick_trace(seed: int = 21, strokes: int = 12, end_play_mm: float = 0.31) -> Trace:
    model = HubModel(end_play_mm=end_play_mm, strokes=strokes, dwell_s=0.45, move_s=0.12, rest_s=0.5)
    return simulate(model, seed).trace


async def play(pty: Pty, trace: Trace, *, then: int | None = None) -> None:
    """Send a trace in real time; after reading number ``then`` unplug the gauge."""
    began = time.monotonic()
    for number, (at, text) in enumerate(zip(trace.times_s.tolist(), trace.texts(), strict=True)):
        if number == then:
            pty.unplug()
            return
        await asyncio.sleep(began + at - time.monotonic())
        pty.send(f"{text}\r\n".encode())


@pytest.mark.slow
def test_three_gauges_give_three_results_in_one_run(pty: Pty) -> None:
    second = type(pty)()
    setups = [
        setup(f"serial:{pty.name}", "one", "LR"),
        setup(f"serial:{second.name}", "two", "RR"),
        setup("simulated:?end_play=0.12mm&seed=5&strokes=12&speed=2", "three", "LF"),
    ]
    bay = Bay()

    async def run() -> None:
        listening = Listening(bay.kept.append, bay.tell)
        await listening.listen_to(setups)
        await bay.until(lambda: len(bay.events(Connected)) == 3)
        players = [
            asyncio.create_task(play(pty, quick_trace(21))),
            asyncio.create_task(play(second, quick_trace(22, end_play_mm=0.15))),
        ]
        await bay.until(lambda: len(bay.kept) == 3)
        await listening.stop()
        for player in players:
            player.cancel()
        await asyncio.gather(*players, return_exceptions=True)

    asyncio.run(run())
    second.unplug()
    found = {}
    for outcome in bay.kept:
        assert isinstance(outcome.ended.outcome, EndPlay), outcome.ended.outcome
        again = analyse_trace(outcome.ended.trace)
        assert isinstance(again, EndPlay)
        assert again.end_play_mm == outcome.ended.outcome.end_play_mm  # to the last digit
        found[outcome.corner] = again.end_play_mm
        assert outcome.simulated == (outcome.corner == "LF")
        assert not outcome.unfinished
    assert found == pytest.approx({"LR": 0.31, "RR": 0.15, "LF": 0.12}, abs=0.008)


class ScriptedLink(Link):
    """Gives the items of a script; an exception among them is raised, and it is lost at the end."""

    joined_midway = False

    def __init__(self, items: list[Chunk | Overrun | Tick | Exception | None]) -> None:
        super().__init__("scripted:")
        self._items = iter(items)
        self.open_now = 0

    async def open(self) -> None:
        self.open_now += 1

    async def close(self) -> None:
        self.open_now -= 1

    async def receive(self, patience_s: float = 0.2) -> Chunk | Overrun | Tick | None:  # noqa: ARG002
        await asyncio.sleep(0)
        item = next(self._items, LinkLost(self.url, "gone"))
        if isinstance(item, Exception):
            raise item
        return item


def chunks(trace: Trace, begin: float = 0.0) -> list[Chunk | Overrun | Tick | Exception | None]:
    return [
        Chunk(f"{text}\r\n".encode(), begin + at)
        for at, text in zip(trace.times_s.tolist(), trace.texts(), strict=True)
    ]


class Scripts:
    """Gives one scripted link after the other; then links that are silent."""

    def __init__(self, *scripts: list[Chunk | Overrun | Tick | Exception | None]) -> None:
        self.links = [ScriptedLink(script) for script in scripts]
        self.made = 0

    def make(self, _url: str, _settings: SerialSettings) -> Link:
        self.made += 1
        return (
            self.links[self.made - 1]
            if self.made <= len(self.links)
            else open_usual("loop://", LINE.settings)
        )


def run_scripts(
    scripts: Scripts, bay: Bay, *, ready: Callable[[], bool], corner: str | None = "LR"
) -> Listening:
    async def run() -> Listening:
        listening = Listening(bay.kept.append, bay.tell, scripts.make)
        await listening.listen_to([setup("scripted:", corner=corner)])
        await bay.until(ready)
        await listening.stop()
        return listening

    return asyncio.run(run())


def test_lost_in_mid_stroke_the_trace_is_kept_and_the_link_taken_up_again() -> None:
    whole = quick_trace()
    scripts = Scripts(chunks(whole)[:150], chunks(quick_trace(5), 60.0))
    bay = Bay()
    run_scripts(scripts, bay, ready=lambda: len(bay.kept) == 2)
    first, second = bay.kept
    assert first.unfinished
    assert not second.unfinished
    assert isinstance(second.ended.outcome, EndPlay)
    assert first.ended.trace.texts() == whole.texts()[: len(first.ended.trace)]
    assert len(first.ended.trace) == 150
    lost = bay.events(Lost)
    assert isinstance(lost[0], Lost)
    assert (lost[0].tries, lost[0].why) == (1, "scripted:: gone")
    assert all(link.open_now == 0 for link in scripts.links)


def test_lost_while_waiting_keeps_nothing() -> None:
    bay = Bay()
    still: list[Chunk | Overrun | Tick | Exception | None] = [
        Chunk(b"1.200\r\n", 0.02 * i) for i in range(200)
    ]
    run_scripts(Scripts(still), bay, ready=lambda: bool(bay.events(Lost)))
    assert bay.kept == []


def test_a_fault_of_the_program_ends_neither_the_gauge_nor_the_others() -> None:
    scripts = Scripts([*chunks(quick_trace())[:150], RuntimeError("a mistake")], chunks(quick_trace(5), 60.0))
    bay = Bay()
    run_scripts(scripts, bay, ready=lambda: len(bay.kept) == 2)
    (fault,) = bay.events(Fault)
    assert isinstance(fault, Fault)
    assert "a mistake" in fault.text
    assert "Traceback" in fault.text
    assert bay.kept[0].unfinished


def test_stopped_in_mid_stroke_the_trace_is_kept() -> None:
    scripts = Scripts([*chunks(quick_trace())[:150], *[Tick(3.0)] * 100_000])
    bay = Bay()
    listening = run_scripts(scripts, bay, ready=lambda: bool(bay.events(Began)))
    (outcome,) = bay.kept
    assert outcome.unfinished
    assert listening.listeners == {}


def test_a_source_that_ends_is_over() -> None:
    bay = Bay()

    async def run() -> None:
        listening = Listening(bay.kept.append, bay.tell)
        await listening.listen_to([setup("simulated:?end_play=0.12mm&seed=5&speed=max")])
        await asyncio.wait_for(listening.over.wait(), 20)
        assert listening.states()[State.OVER] == 1
        await listening.stop()

    asyncio.run(run())
    assert len(bay.kept) == 1
    assert isinstance(bay.told[-1][1], Over)


def test_only_what_changed_is_started_anew() -> None:
    bay = Bay()
    silent = [setup(f"loop://?n={n}", f"gauge {n}") for n in range(3)]

    async def run() -> None:
        listening = Listening(bay.kept.append, bay.tell, lambda _u, s: open_usual("loop://", s))
        assert await listening.listen_to(silent) == ([], ["gauge 0", "gauge 1", "gauge 2"])
        await bay.until(lambda: len(bay.events(Connected)) == 3)
        before = dict(listening.listeners)
        changed = [silent[0], setup("loop://?n=1", "gauge 1", "RR"), setup("loop://?n=9", "new")]
        assert await listening.listen_to(changed) == (["gauge 1", "gauge 2"], ["gauge 1", "new"])
        await bay.until(lambda: len(bay.events(Connected)) == 5)
        assert listening.listeners["gauge 0"] is before["gauge 0"]
        assert set(listening.listeners) == {"gauge 0", "gauge 1", "new"}
        assert listening.listeners["gauge 1"].corner == "RR"
        assert len(bay.events(Connected, "gauge 0")) == 1
        assert not listening.over.is_set()
        await listening.stop()

    asyncio.run(run())


def test_without_a_corner_nothing_begins_until_a_command_sets_one() -> None:
    bay = Bay()
    first, second = chunks(quick_trace()), chunks(quick_trace(5), 60.0)
    gate: list[Chunk | Overrun | Tick | Exception | None] = [Tick(30.0)] * 2000

    async def run() -> None:
        scripts = Scripts([*first, *gate, *second, *[Tick(90.0)] * 100_000])
        listening = Listening(bay.kept.append, bay.tell, scripts.make)
        await listening.listen_to([setup("scripted:", corner=None)])
        await bay.until(lambda: len(bay.events(Reading)) == len(first))
        assert bay.events(Began) == []
        listening.listeners["left rear"].set_corner("RF")
        await bay.until(lambda: bool(bay.kept))
        await listening.stop()

    asyncio.run(run())
    assert [outcome.corner for outcome in bay.kept] == ["RF"]
    assert bay.events(CornerSet) == [CornerSet("RF")]


def test_finished_and_thrown_away_by_command() -> None:
    bay = Bay()

    async def run() -> None:
        scripts = Scripts([*chunks(quick_trace())[:150], *[Tick(3.0)] * 100_000])
        listening = Listening(bay.kept.append, bay.tell, scripts.make)
        await listening.listen_to([setup("scripted:")])
        await bay.until(lambda: len(bay.events(Reading)) == 150)
        listening.listeners["left rear"].arm()
        listening.listeners["left rear"].finish()  # nothing is going on any more
        await listening.stop()

    asyncio.run(run())
    assert bay.kept == []


def test_held_nothing_begins_not_even_after_the_link_was_lost_until_it_is_armed() -> None:
    bay = Bay()
    first, second, third = (
        chunks(quick_trace(seed), begin) for seed, begin in ((21, 0.0), (5, 60.0), (7, 120.0))
    )
    gate: list[Chunk | Overrun | Tick | Exception | None] = [Tick(110.0)] * 2000

    async def run() -> None:
        scripts = Scripts([*first], [*second, *gate, *third, *[Tick(150.0)] * 100_000])
        listening = Listening(bay.kept.append, bay.tell, scripts.make)
        await listening.listen_to([setup("scripted:")])
        one = listening.listeners["left rear"]
        one.hold()
        await bay.until(lambda: len(bay.events(Reading)) >= len(first) + len(second))
        assert one.held
        assert bay.events(Began) == []
        one.arm()
        await bay.until(lambda: bool(bay.kept))
        await listening.stop()

    asyncio.run(run())
    assert [outcome.corner for outcome in bay.kept] == ["LR"]


def test_garbage_is_told_of_once_a_connection(pty: Pty) -> None:
    bay = Bay()

    async def run() -> None:
        listening = Listening(bay.kept.append, bay.tell)
        await listening.listen_to([setup(f"serial:{pty.name}")])
        await bay.until(lambda: bool(bay.events(Connected)))
        for _ in range(20):
            pty.send(bytes((0x9E, 0x86, 0x00, 0xF8, 0x66)) * 6 + b"\r")
            await asyncio.sleep(0.01)
        await bay.until(lambda: bool(bay.events(Trouble)))
        await listening.stop()

    asyncio.run(run())
    (trouble,) = bay.events(Trouble)
    assert isinstance(trouble, Trouble)
    assert "wrong baud rate?" in trouble.text


def test_the_pause_grows_and_is_bounded() -> None:
    pauses = [pause_s(tries) for tries in range(1, 2000)]
    assert pauses == sorted(pauses)
    assert (pauses[0], pauses[-1]) == (0.2, 5.0)
    assert pause_s(1, spread=1.0) == pytest.approx(0.24)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir())) - resting()


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts open files in /proc: run it on Linux")
def test_unplugged_and_replugged_in_mid_measurement(tmp_path: Path, pty: Pty) -> None:
    """Each time the trace is kept once, the gauge is taken up again, and no task and no open file is left."""
    cycles, place = 10, tmp_path / "gauge"
    trace = quick_trace(strokes=3)
    bay = Bay()
    counted: list[tuple[int, int]] = []

    async def run() -> None:
        listening = Listening(bay.kept.append, bay.tell)
        await listening.listen_to([setup(f"serial:{place}")])
        await bay.until(lambda: bool(bay.events(Lost)))
        for cycle in range(cycles):
            plugged = type(pty)()
            await asyncio.to_thread(place.symlink_to, plugged.name)
            await bay.until(lambda n=cycle: len(bay.events(Connected)) == n + 1)  # type: ignore[misc]
            for text in trace.texts()[:70]:
                plugged.send(f"{text}\r\n".encode())
                await asyncio.sleep(0.001)
            await bay.until(lambda n=cycle: len(bay.events(Reading)) >= 60 * (n + 1))  # type: ignore[misc]
            await asyncio.to_thread(place.unlink)
            plugged.unplug()
            await bay.until(lambda n=cycle: len(bay.kept) == n + 1)  # type: ignore[misc]
            await bay.until(lambda: listening.listeners["left rear"].state is not State.CONNECTED)
            counted.append((len(asyncio.all_tasks()), await asyncio.to_thread(open_files)))
        await listening.stop()

    asyncio.run(run())
    assert [outcome.unfinished for outcome in bay.kept] == [True] * cycles
    assert all(len(outcome.ended.trace) <= 70 for outcome in bay.kept)
    assert len(bay.events(Connected)) == cycles
    assert counted[-1] == counted[1], counted  # the first makes the threads that open ports
    assert os.path.lexists(place) is False
