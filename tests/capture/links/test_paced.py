"""Trace files and simulated hubs as links: exact readings at their own times."""

from __future__ import annotations

import asyncio
import time
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from calc.units import Unit
from capture.decoder import Decoder
from capture.errors import LinkMissing, LinkUsage
from capture.links import open_link
from capture.links.simulated import OPTIONS, SimulatedLink, model_of
from capture.links.urls import split_url
from capture.profiles import LINE
from capture.readings import Chunk, Overrun, Reading, Tick, Trace, trace_of
from capture.simulator import HubModel, Motion, simulate
from capture.traces import write_csv


def save(trace: Trace, path: Path) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        write_csv(trace, file)
    return path


async def decode_all(url: str) -> Trace:
    decoder = Decoder(LINE)
    readings: list[Reading] = []
    async with open_link(url) as link:
        async for chunk in link:
            for event in decoder.feed(chunk):
                assert isinstance(event, Reading)
                readings.append(event)
        assert await link.receive(0.1) is None  # the end stays the end
    return trace_of(readings)


@pytest.mark.parametrize("unit", list(Unit))
def test_a_replay_gives_the_file_to_the_last_bit(unit: Unit, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    times = np.sort(rng.uniform(-5, 1000, 3000))
    trace = Trace(times, rng.integers(-(10**6), 10**6, 3000), 4, unit)
    path = save(trace, tmp_path / "a b.csv")
    assert asyncio.run(decode_all(f"replay:{path}?speed=max")) == trace


def test_a_replay_keeps_time_and_tells_it_in_a_gap(tmp_path: Path) -> None:
    trace = Trace(np.array([100.0, 100.02, 110.0, 110.02]), np.array([1, 2, 3, 4]), 3, Unit.MM)
    path = save(trace, tmp_path / "t.csv")

    async def run() -> tuple[list[object], float]:
        items: list[object] = []
        began = time.monotonic()
        async with open_link(f"replay:{path}?speed=20") as link:
            while (item := await link.receive(0.1)) is not None:
                items.append(item)
                if isinstance(item, Tick):  # no tick runs ahead of the replay's own clock
                    assert item.at <= 100.0 + 20 * (time.monotonic() - began)
        return items, time.monotonic() - began

    items, seconds = asyncio.run(run())
    assert 0.5 <= seconds < 5  # 10 s at twenty times the speed
    chunks = [item for item in items if isinstance(item, Chunk)]
    assert [chunk.at for chunk in chunks] == trace.times_s.tolist()
    assert [chunk.data for chunk in chunks] == [b"0.00%d mm\r\n" % i for i in (1, 2, 3, 4)]
    ticks = [item.at for item in items if isinstance(item, Tick)]
    assert len(ticks) >= 2
    assert all(100.02 < at <= 110.0 for at in ticks)
    times = [item.at for item in items if isinstance(item, (Chunk, Tick))]
    assert times == sorted(times)


def test_a_late_listener_gets_everything_with_its_due_time(tmp_path: Path) -> None:
    trace = Trace(np.linspace(0, 0.1, 100), np.arange(100), 3, Unit.MM)
    path = save(trace, tmp_path / "t.csv")

    async def run() -> list[float]:
        async with open_link(f"replay:{path}") as link:
            await asyncio.sleep(0.15)
            return [item.at async for item in link]

    assert asyncio.run(run()) == trace.times_s.tolist()


def test_as_fast_as_possible_lets_others_run(tmp_path: Path) -> None:
    trace = Trace(np.linspace(0, 400, 20_000), np.arange(20_000), 3, Unit.MM)
    path = save(trace, tmp_path / "t.csv")

    async def run() -> int:
        turns = 0

        async def count() -> None:
            nonlocal turns
            while True:
                turns += 1
                await asyncio.sleep(0)

        async with open_link(f"replay:{path}?speed=max") as link:
            other = asyncio.create_task(count())
            async for _ in link:
                pass
            other.cancel()
            await asyncio.gather(other, return_exceptions=True)
        return turns

    assert asyncio.run(run()) >= 20_000 // 256


def test_a_replay_can_be_cancelled_and_closed_early(tmp_path: Path) -> None:
    path = save(Trace(np.array([0.0, 1000.0]), np.array([1, 2]), 3, Unit.MM), tmp_path / "t.csv")

    async def run() -> None:
        async with open_link(f"replay:{path}") as link:
            assert isinstance(await link.receive(30), Chunk)
            task = asyncio.create_task(link.receive(30))
            await asyncio.sleep(0.01)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            assert isinstance(await link.receive(0.01), Tick)
        assert await link.receive(0.01) is None

    asyncio.run(run())


def test_a_file_that_is_missing_or_wrong(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("time_s,reading_mm\n0,abc\n")

    async def open_it(path: Path) -> None:
        async with open_link(f"replay:{path}"):
            pass

    with pytest.raises(LinkMissing, match="there is no file"):
        asyncio.run(open_it(tmp_path / "none.csv"))
    with pytest.raises(LinkUsage, match=r"line 2: the reading \"abc\""):
        asyncio.run(open_it(bad))


# the simulated hub


def test_a_simulated_link_gives_its_model_exactly() -> None:
    url = "simulated:?end_play=0.31mm&strokes=6&seed=12&speed=max"
    assert asyncio.run(decode_all(url)) == simulate(HubModel(end_play_mm=0.31, strokes=6), 12).trace


def test_without_a_seed_it_is_still_the_same_each_time() -> None:
    url = "simulated:?strokes=2&speed=max"
    assert asyncio.run(decode_all(url)) == asyncio.run(decode_all(url))
    assert asyncio.run(decode_all(url)) != asyncio.run(decode_all(url + "&seed=2"))


def test_every_option_reaches_the_model() -> None:
    given = {
        "end_play": ("0.012in", "end_play_mm", 0.3048),
        "strokes": ("12", "strokes", 12),
        "dwell": ("1.5", "dwell_s", 1.5),
        "move": ("0.4", "move_s", 0.4),
        "rate": ("100", "rate_hz", 100.0),
        "noise": ("1um", "noise_mm", 0.001),
        "wobble": ("2um", "wobble_mm", 0.002),
        "seat": ("3um", "seat_mm", 0.003),
        "drift": ("-0.02mm", "drift_mm_per_min", -0.02),
        "slip": ("-0.1mm", "slip_mm", -0.1),
        "half": ("0.25", "half_share", 0.25),
        "bad": ("0.02", "bad_share", 0.02),
        "repeat": ("0.1", "repeat_share", 0.1),
        "gaps": ("2", "gaps", 2),
        "setup": ("3", "setup_s", 3.0),
        "zeroed": ("on", "zeroed", True),
        "inverted": ("yes", "inverted", True),
        "motion": ("one-way", "motion", Motion.ONE_WAY),
    }
    assert set(given) | {"resolution", "seed", "speed"} == set(OPTIONS)
    for option, (text, field, value) in given.items():
        model = model_of(split_url(f"simulated:?{option}={text}"))
        assert getattr(model, field) == value
        assert model != HubModel()
    together = "&".join(f"{option}={text}" for option, (text, _, _) in given.items())
    model = model_of(split_url(f"simulated:?{together}"))
    assert all(getattr(model, field) == value for _, field, value in given.values())
    link = open_link("simulated:?seed=77")
    assert isinstance(link, SimulatedLink)
    assert link.seed == 77


@pytest.mark.parametrize(
    ("text", "unit", "decimals", "step"),
    [
        ("0.001mm", Unit.MM, 3, 1),
        ("0.01mm", Unit.MM, 2, 1),
        ("5um", Unit.MM, 3, 5),
        ("0.0005in", Unit.INCH, 4, 5),
        ('0.0001"', Unit.INCH, 4, 1),
        ("0.5thou", Unit.INCH, 4, 5),
        ("1mm", Unit.MM, 0, 1),
    ],
)
def test_a_resolution_says_unit_and_step(text: str, unit: Unit, decimals: int, step: int) -> None:
    model = model_of(split_url(f"simulated:?resolution={text}"))
    assert (model.unit, model.decimals, model.step) == (unit, decimals, step)


def test_a_simulated_inch_gauge_steps_as_it_says() -> None:
    trace = asyncio.run(decode_all("simulated:?resolution=0.0005in&strokes=4&speed=max"))
    assert trace.unit is Unit.INCH
    assert {Decimal(text) % Decimal("0.0005") for text in trace.texts()} == {0}


def test_no_kind_of_paced_link_overruns() -> None:
    async def run() -> list[object]:
        async with open_link("simulated:?strokes=1&speed=max") as link:
            return [item async for item in link]

    assert not any(isinstance(item, Overrun) for item in asyncio.run(run()))
