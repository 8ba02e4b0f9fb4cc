"""When a measurement begins and ends by itself, and when the next one may: told with times as numbers."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from calc.limits import Limits
from calc.units import Unit
from capture.decoder import Decoder
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.profiles import LINE
from capture.readings import Chunk, Garbled, Gauge, Reading, Tick, Trace
from capture.refusals import ReasonCode
from capture.session import Abandon, Arm, Ended, Finish, Goal, Session, StrokeSeen
from capture.simulator import HubModel, Motion, simulate
from capture.watch import (
    FORGET_S,
    MOST_PRE_ROLL,
    PRE_ROLL_S,
    STILL_S,
    Armed,
    Began,
    Forgotten,
    Phase,
    Rest,
    Watch,
    WatchEvent,
)

LIMITS = Limits(0.03, 0.20)


def watch(timeout_s: float = 60.0) -> Watch:
    return Watch(Session(Decoder(LINE, Unit.MM), Goal(limits=LIMITS, timeout_s=timeout_s)))


def chunks(trace: Trace, begin: float = 0.0) -> list[Chunk]:
    texts = trace.texts()
    return [
        Chunk(f"{t}\r\n".encode(), begin + at) for at, t in zip(trace.times_s.tolist(), texts, strict=True)
    ]


def still(seconds: float, begin: float, text: str = "1.200", every: float = 0.02) -> list[Chunk]:
    return [Chunk(f"{text}\r\n".encode(), begin + i * every) for i in range(round(seconds / every))]


def feed_all(one: Watch, items: list[Chunk]) -> list[WatchEvent]:
    return [event for item in items for event in one.feed(item)]


def without_readings(events: list[WatchEvent]) -> list[WatchEvent]:
    return [event for event in events if not isinstance(event, Reading)]


def strokes(end_play_mm: float = 0.12, seed: int = 5, **more: float) -> Trace:
    return simulate(HubModel(end_play_mm=end_play_mm, strokes=12, rest_s=1.0, **more), seed).trace  # type: ignore[arg-type]


def test_a_measurement_begins_with_the_strokes_and_ends_by_itself() -> None:
    one = watch()
    quiet = still(30.0, 100.0)
    trace = strokes()
    events = feed_all(one, quiet + chunks(trace, 130.0))
    kinds = [type(event) for event in events if isinstance(event, (Armed, Began, Ended))]
    assert kinds[:3] == [Armed, Began, Ended]
    armed = next(event for event in events if isinstance(event, Armed))
    began = next(event for event in events if isinstance(event, Began))
    ended = next(event for event in events if isinstance(event, Ended))
    assert armed.at == 100.0
    assert 130.9 < began.at < 132.0  # the hub rests for a second first
    assert isinstance(ended.outcome, EndPlay)
    assert abs(ended.outcome.end_play_mm - 0.12) < 0.008
    # what is stored begins a few seconds before the first stroke, not half a minute
    first_move = began.at - 130.0
    assert ended.trace.times_s[0] == 0.0
    assert PRE_ROLL_S - 0.1 < began.at - (ended.at - ended.trace.times_s[-1]) <= PRE_ROLL_S + 0.1, first_move
    again = analyse_trace(ended.trace)
    assert isinstance(again, EndPlay)
    assert (again.end_play_mm, again.budget) == (ended.outcome.end_play_mm, ended.outcome.budget)


def test_every_reading_is_told_of_once() -> None:
    one = watch()
    items = still(5.0, 0.0) + chunks(strokes(), 5.0)
    told = [event.at for event in feed_all(one, items) if isinstance(event, Reading)]
    assert told == [item.at for item in items]


def test_armed_again_after_two_seconds_of_stillness() -> None:
    one = watch()
    events = feed_all(one, chunks(strokes(), 0.0))
    ended = next(event for event in events if isinstance(event, Ended))
    assert one.phase is Phase.SETTLING
    one = watch()  # the same again, but from the end on the hub is still
    feed_all(one, [item for item in chunks(strokes(), 0.0) if item.at <= ended.at])
    assert one.phase is Phase.SETTLING
    quiet = still(3.0, ended.at + 0.02)
    (armed,) = without_readings(feed_all(one, quiet))
    assert isinstance(armed, Armed)
    assert STILL_S - 1e-9 < armed.at - ended.at - 0.02 < STILL_S + 0.03


def test_not_armed_while_the_hub_still_moves() -> None:
    one = watch()
    one.phase = Phase.SETTLING
    one._still_s = STILL_S
    moving = [Chunk(b"%.3f\r\n" % (0.31 * (i // 25 % 2)), i * 0.02) for i in range(1000)]  # a move each 0.5 s
    assert without_readings(feed_all(one, moving)) == []
    events = without_readings(feed_all(one, still(3.0, 20.0, "0.310")))
    assert [type(event) for event in events] == [Armed]


def test_a_silent_gauge_counts_as_still() -> None:
    one = watch()
    feed_all(one, still(1.0, 0.0))
    one.phase = Phase.SETTLING
    one._still_s = STILL_S
    assert one.feed(Tick(1.9)) == []
    assert one.feed(Tick(2.1)) == [Armed(2.1)]
    assert one.feed(Tick(9.0)) == []


def test_three_in_a_row() -> None:
    one, items, at = watch(), [], 0.0
    for seed in (1, 2, 3):
        trace = strokes(seed=seed)
        items += chunks(trace, at)
        at += float(trace.times_s[-1]) + 0.02
        items += still(4.0, at, trace.texts()[-1])
        at += 4.0
    events = feed_all(one, items)
    ended = [event for event in events if isinstance(event, Ended)]
    assert len(ended) == 3
    assert all(isinstance(event.outcome, EndPlay) for event in ended)
    assert sum(isinstance(event, Armed) for event in events) == 4


def test_stillness_holds_no_more_than_the_last_seconds() -> None:
    one = watch()
    feed_all(one, still(10.0, 0.0))
    assert one.held_readings == round(PRE_ROLL_S / 0.02) + 1
    fast = [Chunk(b"1.200\r\n", 10.0 + i / 1000) for i in range(5000)]
    feed_all(one, fast)
    assert one.held_readings == MOST_PRE_ROLL
    tracemalloc.start()
    feed_all(one, still(10.0, 20.0))
    before = tracemalloc.get_traced_memory()[0]
    for begin in range(30, 330, 30):
        feed_all(one, still(30.0, float(begin)))
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert grown < 20_000  # 15 000 readings came


def test_noise_and_creep_start_nothing() -> None:
    rng = np.random.default_rng(3)
    one = watch()
    # 0.02 mm creep a minute, two digits of noise
    items = [
        Chunk(b"%.3f\r\n" % (1.2 + 0.02 * i * 0.02 / 60 + 0.001 * rng.integers(-1, 2)), i * 0.02)
        for i in range(15_000)
    ]
    assert without_readings(feed_all(one, items)) == [Armed(0.0)]


def test_a_coarse_digit_that_flickers_starts_nothing() -> None:
    one = watch()
    items = [Chunk(b"%.4f in\r\n" % (0.0500 + 0.0005 * (i // 7 % 2)), i * 0.02) for i in range(3000)]
    assert without_readings(feed_all(one, items)) == [Armed(0.0)]


def test_a_single_bad_reading_starts_nothing() -> None:
    one = watch()
    items = still(5.0, 0.0)
    items[100] = Chunk(b"-1.200\r\n", items[100].at)
    items[150] = Chunk(b"12.00\r\n", items[150].at)
    assert without_readings(feed_all(one, items)) == [Armed(0.0)]


@pytest.mark.parametrize("size", [0.012, 0.018, 0.03])
def test_a_tight_hub_starts_it(size: float) -> None:
    one = watch()
    events = feed_all(one, still(5.0, 0.0) + chunks(strokes(size, 7), 5.0))
    assert any(isinstance(event, Began) for event in events)


def test_a_coarse_slow_gauge_starts_it() -> None:
    one = watch()
    model = HubModel(end_play_mm=0.31, strokes=10, rate_hz=4, unit=Unit.INCH, decimals=4, step=5)
    trace = simulate(model, 2).trace
    items = [
        Chunk(f"{t} in\r\n".encode(), at) for at, t in zip(trace.times_s.tolist(), trace.texts(), strict=True)
    ]
    assert any(isinstance(event, Began) for event in feed_all(one, items))


def test_somebody_at_the_gauge_is_forgotten() -> None:
    one = watch()
    items = still(5.0, 0.0) + still(10.0, 5.0, "3.700")
    events = without_readings(feed_all(one, items))
    assert [type(e) for e in events if isinstance(e, (Armed, Began, Forgotten, Ended))] == [
        Armed,
        Began,
        Forgotten,
        Armed,
    ]
    (forgotten,) = (e for e in events if isinstance(e, Forgotten))
    assert FORGET_S <= forgotten.at - 5.0 < FORGET_S + 0.1
    assert one.held_readings < 250


def test_strokes_that_come_to_nothing_are_refused_when_the_time_is_up() -> None:
    one = watch(timeout_s=30.0)
    trace = simulate(HubModel(end_play_mm=0.2, strokes=3), 4).trace  # too few, then nothing more
    begin = still(5.0, 0.0)
    rest = still(60.0, 5.02 + float(trace.times_s[-1]), trace.texts()[-1])
    events = feed_all(one, begin + chunks(trace, 5.0) + rest)
    assert any(isinstance(event, StrokeSeen) for event in events)
    (ended,) = (event for event in events if isinstance(event, Ended))
    assert isinstance(ended.outcome, Refusal)
    assert ended.outcome.reasons[0].code is ReasonCode.TOO_FEW_STROKES
    assert ended.at - 5.0 < 31.0
    assert isinstance(events[-1], Reading)
    assert one.phase is Phase.WAITING  # armed again


def test_a_hub_that_is_turned_is_refused() -> None:
    one = watch(timeout_s=10.0)
    trace = simulate(HubModel(end_play_mm=0.2, strokes=60, motion=Motion.TURNED), 4).trace
    ended = [e for e in feed_all(one, chunks(trace, 0.0)) if isinstance(e, Ended)]
    assert ended
    assert isinstance(ended[0].outcome, Refusal)


def test_a_silent_gauge_ends_when_the_time_is_up() -> None:
    one = watch(timeout_s=20.0)
    trace = simulate(HubModel(end_play_mm=0.2, strokes=3), 4).trace
    feed_all(one, chunks(trace, 0.0))
    assert one.phase is Phase.MEASURING
    events = [event for number in range(200) for event in one.feed(Tick(10.0 + 0.2 * number))]
    (ended,) = (event for event in events if isinstance(event, Ended))
    assert ended.at == pytest.approx(20.0, abs=1.3)


def test_held_back_until_the_corner_is_known() -> None:
    one = watch()
    one.held = True
    events = without_readings(feed_all(one, chunks(strokes(), 0.0)))
    assert [type(event) for event in events] == [Armed]
    one.held = False
    at = 60.0
    events = feed_all(one, chunks(strokes(), at))
    assert any(isinstance(event, Ended) for event in events)


def test_broken_off_in_mid_stroke() -> None:
    one = watch()
    items = still(5.0, 0.0) + [item for item in chunks(strokes(), 5.0) if item.at < 7.5]
    feed_all(one, items)
    assert one.phase is Phase.MEASURING
    (ended,) = one.feed(Abandon(7.5, "the link was lost"))
    assert isinstance(ended, Ended)
    assert isinstance(ended.outcome, Refusal)
    assert ended.outcome.reasons[0].code is ReasonCode.STOPPED
    assert len(ended.trace) > 200


@pytest.mark.parametrize("command", [Finish(6.0), Abandon(6.0)])
def test_nothing_goes_on_so_nothing_is_broken_off(command: Finish | Abandon) -> None:
    one = watch()
    feed_all(one, still(5.0, 0.0))
    assert one.feed(command) == []
    assert one.phase is Phase.WAITING


def test_thrown_away_by_command() -> None:
    one = watch()
    feed_all(one, still(5.0, 0.0) + [item for item in chunks(strokes(), 5.0) if item.at < 7.5])
    assert one.feed(Arm(7.5)) == [Armed(7.5)]
    assert one.phase is Phase.WAITING
    assert one.held_readings == 0


def test_the_unit_button_is_followed_while_waiting() -> None:
    one = watch()
    feed_all(one, [Chunk(b"1.200 mm\r\n", 0.02 * i) for i in range(100)])
    events = feed_all(one, [Chunk(b"0.0472 in\r\n", 2.0 + 0.02 * i) for i in range(100)])
    assert [type(event).__name__ for event in without_readings(events)] == ["UnitChanged"]
    assert one.held_readings == 100


def test_a_gauge_that_sends_when_its_button_is_pressed() -> None:
    gauge = Gauge(single=True)
    one = Watch(Session(Decoder(LINE, Unit.MM), Goal(limits=LIMITS, timeout_s=60.0), gauge))
    events: list[WatchEvent] = []
    at = 0.0
    for press in range(12):  # push, press, pull, press, slowly
        at = 4.0 * press
        events += one.feed(Chunk(b"%.3f\r\n" % (0.12 * (press % 2) + 0.0005 * (press % 3)), at))
        for tick in range(1, 16):
            events += one.feed(Tick(at + 0.25 * tick))
    kinds = [type(event) for event in events if isinstance(event, (Armed, Began, Forgotten, Ended))]
    assert kinds[:3] == [Armed, Began, Ended]
    ended = next(event for event in events if isinstance(event, Ended))
    assert isinstance(ended.outcome, EndPlay)
    assert ended.trace.texts()[0] == "0.000"  # the first press is in it


def test_a_single_press_is_forgotten_when_the_time_is_up() -> None:
    one = Watch(Session(Decoder(LINE, Unit.MM), Goal(limits=LIMITS, timeout_s=60.0), Gauge(single=True)))
    events = one.feed(Chunk(b"0.100\r\n", 0.0))
    events += [event for tick in range(1, 400) for event in one.feed(Tick(0.2 * tick))]
    kinds = [type(event) for event in events if isinstance(event, (Armed, Began, Forgotten, Ended))]
    assert kinds == [Armed, Began, Forgotten, Armed]


def test_bad_bytes_are_told_of() -> None:
    one = watch()
    (event,) = one.feed(Chunk(b"ERR\r\n", 1.0))
    assert isinstance(event, Garbled)


def test_when_the_hub_last_moved() -> None:
    rest = Rest(0.001)
    for i in range(100):
        assert not rest.moves(1.0, 0.02 * i)
    assert rest.since == 0.0
    assert [rest.moves(1.1, 2.0), rest.moves(1.1, 2.02), rest.moves(1.1, 2.04)] == [False, True, False]
    assert rest.since == 2.02
