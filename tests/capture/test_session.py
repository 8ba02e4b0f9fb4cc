"""The whole pure pipeline: what goes in as bytes, ticks and commands, and the events that come out."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import TypeVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import capture.session
from calc.limits import Limits
from calc.units import Unit
from capture.decoder import Decoder
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.profiles import LINE
from capture.readings import (
    Chunk,
    Gap,
    Garbled,
    Gauge,
    Overrun,
    Reading,
    Tick,
    Trace,
    UnitChanged,
    UnitMissing,
)
from capture.refusals import ReasonCode
from capture.session import (
    Abandon,
    Arm,
    Ended,
    Event,
    Finish,
    Goal,
    Progress,
    Session,
    StrokeSeen,
    strokes_among,
)
from capture.simulator import HubModel, Motion, simulate
from tests.capture.shapes import RATE_HZ, steps, strokes, trace_of_values

AT = 1000.0
LIMITS = Limits(0.03, 0.20)
PLAIN = HubModel(rate_hz=20.0, end_play_mm=0.25, strokes=14)

E = TypeVar("E")


@cache
def simulated(model: HubModel, seed: int = 1) -> Trace:
    return simulate(model, seed).trace


def chunks(trace: Trace) -> list[Chunk]:
    """One chunk for each reading."""
    return [
        Chunk(f"{text} {trace.unit}\r\n".encode(), AT + time)
        for time, text in zip(trace.times_s.tolist(), trace.texts(), strict=True)
    ]


def session_of(goal: Goal | None = None, gauge: Gauge | None = None) -> Session:
    return Session(Decoder(LINE), goal or Goal(limits=LIMITS), gauge)


def run(session: Session, *items: Chunk | Tick | Overrun | Finish | Abandon | Arm) -> list[Event]:
    return [event for item in items for event in session.feed(item)]


def of(kind: type[E], events: list[Event]) -> list[E]:
    return [event for event in events if isinstance(event, kind)]


def end(events: list[Event]) -> Ended:
    (ended,) = of(Ended, events)
    assert events[-1] is ended
    return ended


def end_play(events: list[Event]) -> EndPlay:
    outcome = end(events).outcome
    assert isinstance(outcome, EndPlay), outcome
    return outcome


def refusal(events: list[Event]) -> Refusal:
    outcome = end(events).outcome
    assert isinstance(outcome, Refusal), outcome
    return outcome


# the end


def test_a_measurement_ends_by_itself_once_it_is_sure_enough() -> None:
    trace = simulated(PLAIN)
    events = run(session_of(), *chunks(trace))
    outcome = end_play(events)
    assert len(end(events).trace) < len(trace)
    assert outcome.strokes >= 5
    assert outcome.expanded_mm <= 0.1 * (LIMITS.most_mm - LIMITS.least_mm)
    assert outcome.end_play_mm == pytest.approx(0.25, abs=outcome.expanded_mm)


def test_without_limits_five_strokes_that_agree_are_enough() -> None:
    assert end_play(run(session_of(Goal()), *chunks(simulated(PLAIN)))).strokes >= 5
    later = end_play(run(session_of(Goal(least_strokes=9)), *chunks(simulated(PLAIN))))
    assert later.strokes >= 9


@pytest.mark.parametrize(
    "model",
    [
        PLAIN,
        replace(PLAIN, half_share=0.3),
        replace(PLAIN, slip_mm=0.1),
        replace(PLAIN, setup_s=4.0, zeroed=True, bad_share=0.01),
        replace(PLAIN, unit=Unit.INCH, decimals=4, step=5),
    ],
    ids=["plain", "half strokes", "slip", "set up", "half thou"],
)
def test_the_live_number_is_the_stored_trace_s_to_the_last_digit(model: HubModel) -> None:
    gauge = Gauge(permissible_error_mm=0.003)
    ended = end(run(session_of(gauge=gauge), *chunks(simulated(model)), Finish(AT + 999)))
    again = analyse_trace(ended.trace, gauge)
    assert isinstance(ended.outcome, EndPlay)
    assert isinstance(again, EndPlay)
    # only notes may be added that say how the measurement ended
    assert again == replace(ended.outcome, notes=again.notes)
    assert ended.outcome.notes[: len(again.notes)] == again.notes


def test_nothing_is_told_after_the_end_and_the_trace_stays_as_it_was() -> None:
    session = session_of()
    all_chunks = chunks(simulated(PLAIN))
    events = run(session, *all_chunks)
    ended = end(events)  # it is the last event, though readings came after it
    kept = ended.trace.times_s.tolist()
    assert run(session, Tick(AT + 500), Overrun(3, AT + 500), Finish(AT + 501), Abandon(AT + 502)) == []
    assert session.ended
    assert ended.trace.times_s.tolist() == kept
    assert session.trace == ended.trace


def test_readings_behind_the_last_one_in_the_same_chunk_are_not_told_of() -> None:
    whole = chunks(simulated(PLAIN))
    last_at = end(run(session_of(), *whole)).at
    number = [chunk.at for chunk in whole].index(last_at)
    glued = Chunk(b"".join(chunk.data for chunk in whole[number : number + 5]), last_at)
    events = run(session_of(), *whole[:number], glued)
    assert end(events).at == last_at
    assert len(of(Reading, events)) == number + 1


def test_armed_again_it_measures_again_from_a_whole_line_on() -> None:
    session = session_of()
    first = end(run(session, *chunks(simulated(PLAIN))))
    # half of a line comes before the arming, the other half after it
    assert run(session, Chunk(b"9.", AT + 500), Arm(AT + 501)) == []
    (reading,) = of(Reading, run(session, Chunk(b"999 mm\r\n", AT + 502)))
    assert str(reading.value) == "9.999"
    assert run(session, Arm(AT + 503)) == []
    later = [replace(chunk, at=chunk.at + 1000) for chunk in chunks(simulated(PLAIN))]
    second = end(run(session, *later))
    assert second.outcome == first.outcome
    assert second.trace == first.trace


# commands and time


def test_told_to_finish_it_gives_what_there_is_and_says_what_was_wanting() -> None:
    trace = simulated(replace(PLAIN, strokes=4))
    outcome = end_play(run(session_of(), *chunks(trace), Finish(AT + 60)))
    assert outcome.strokes == 4
    assert outcome.notes[-1] == "ended early: 4 of 5 full strokes"


def test_abandoned_it_keeps_the_trace_and_says_why() -> None:
    trace = simulated(PLAIN)
    events = run(session_of(), *chunks(trace)[:100], Abandon(AT + 60, "the link was lost"))
    assert refusal(events).reasons[0].code is ReasonCode.STOPPED
    assert refusal(events).reasons[0].text.startswith("the link was lost; ")
    assert end(events).trace.texts() == trace.texts()[:100]


def test_time_that_only_ticks_by_ends_it_too() -> None:
    session = session_of(Goal(timeout_s=10.0))
    assert run(session, *(Tick(AT + at) for at in range(10))) == []
    events = run(session, Tick(AT + 10.0))
    assert refusal(events).reasons[0].code is ReasonCode.TOO_FEW_READINGS
    assert end(events).at == AT + 10.0


def test_the_time_limit_gives_the_number_found_so_far() -> None:
    trace = simulated(replace(PLAIN, strokes=4))
    events = run(session_of(Goal(limits=LIMITS, timeout_s=30.0)), *chunks(trace), Tick(AT + 40))
    outcome = end_play(events)
    assert outcome.notes[-1] == "ended at the time limit: 4 of 5 full strokes"


def test_a_time_limit_with_garbage_alone_says_what_is_set_wrong() -> None:
    garbage = [Chunk(bytes([0xFE, 0x00, 0x9C, 0x0D]) * 8, AT + at) for at in range(9)]
    events = run(session_of(Goal(timeout_s=9.0)), *garbage, Tick(AT + 9))
    assert len(of(Garbled, events)) > 10
    assert "baud" in refusal(events).reasons[0].text


def test_the_limit_counts_from_the_first_sign_of_life_and_anew_when_armed() -> None:
    session = session_of(Goal(timeout_s=10.0))
    assert run(session, Tick(AT), Tick(AT + 9.9), Arm(AT + 9.95), Tick(AT + 12), Tick(AT + 21.9)) == []
    assert run(session, Tick(AT + 22.0))


# the stream


def test_every_reading_is_told_and_kept_exactly() -> None:
    trace = simulated(replace(PLAIN, strokes=4))
    session = session_of()
    events = run(session, *chunks(trace))
    assert [format(event.value, "f") for event in of(Reading, events)] == trace.texts()
    assert session.trace.texts() == trace.texts()
    assert session.trace.times_s[0] == 0.0
    assert session.trace.times_s[-1] == pytest.approx(trace.times_s[-1] - trace.times_s[0], abs=1e-6)


def test_a_second_without_a_reading_is_a_gap_with_its_length() -> None:
    session = session_of()
    events = run(session, *(Chunk(b"1.200 mm\n", AT + 0.05 * k) for k in range(40)))
    assert not of(Gap, events)
    (gap,) = of(Gap, run(session, Chunk(b"1.200 mm\n", AT + 3.2)))
    assert gap.seconds == pytest.approx(3.2 - 39 * 0.05)
    assert gap.at == AT + 3.2


def test_the_rhythm_of_a_slow_gauge_has_no_gaps() -> None:
    assert not of(Gap, run(session_of(), *(Chunk(b"1.200 mm\n", AT + 0.45 * k) for k in range(40))))


def test_a_loss_of_bytes_is_told_and_the_line_it_fell_in_is_dropped() -> None:
    events = run(
        session_of(), Chunk(b"1.200 mm\n1.2", AT), Overrun(7, AT + 1), Chunk(b"50 mm\n1.201 mm\n", AT + 2)
    )
    assert of(Overrun, events) == [Overrun(7, AT + 1)]
    assert [str(event.value) for event in of(Reading, events)] == ["1.200", "1.201"]


def test_garbled_lines_are_told_and_the_stream_goes_on() -> None:
    events = run(session_of(), Chunk(b"1.200 mm\n#!?\n1.201 mm\n", AT))
    assert [type(event) for event in events] == [Reading, Garbled, Reading]


def test_a_number_without_a_unit_is_told_and_not_kept() -> None:
    session = session_of()
    assert len(of(UnitMissing, run(session, Chunk(b"1.200\n1.201\n", AT)))) == 1
    assert len(session.trace) == 0


def test_a_change_of_unit_ends_it_with_what_came_before() -> None:
    trace = simulated(replace(PLAIN, strokes=4))
    events = run(session_of(), *chunks(trace), Chunk(b"0.0500 in\n", AT + 60))
    assert of(UnitChanged, events) == [UnitChanged(Unit.MM, Unit.INCH, AT + 60)]
    assert refusal(events).reasons[0].code is ReasonCode.UNIT_CHANGED
    assert refusal(events).strokes == 4
    assert end(events).trace.texts() == trace.texts()


def test_memory_does_not_grow_with_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.session, "MOST_READINGS", 200)
    session = session_of()
    longest, events = 0, []
    for number in range(1000):
        events += session.feed(Chunk(b"1.20%d mm\n" % (number % 3), AT + 0.05 * number))
        longest = max(longest, len(session.trace))
    assert longest <= 200
    dropped = of(Overrun, events)
    assert {event.dropped for event in dropped} == {50}
    assert len(session.trace) == 1000 - 50 * len(dropped)
    assert session.trace.times_s[-1] == pytest.approx(0.05 * 999)


def test_strokes_counted_before_the_oldest_readings_were_lost_are_not_counted_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(capture.session, "MOST_READINGS", 250)
    goal = Goal(limits=Limits(0.2, 0.2001), least_strokes=30)  # never sure enough
    events = run(session_of(goal), *chunks(simulated(replace(PLAIN, strokes=20))))
    assert of(Overrun, events)
    numbers = [event.number for event in of(StrokeSeen, events) if event.full]
    assert numbers == list(range(1, len(numbers) + 1))


# strokes and progress


def test_each_stroke_is_told_once_with_its_own_direction_and_height() -> None:
    # quick hands: several strokes pass before the hub is at rest for long enough to look
    quick = steps(strokes(1.0, 1.3, 7), dwell_s=0.2, move_s=0.1)[1].tolist()
    slow = steps([1.3, 1.0, 1.15, 1.0, 1.3, 1.0])[1].tolist()
    values = np.array([*quick, *slow])
    trace = trace_of_values(np.arange(len(values)) / RATE_HZ, values)
    goal = Goal(least_strokes=30)
    seen = of(StrokeSeen, run(session_of(goal), *chunks(trace), Finish(AT + 99)))
    full = [event for event in seen if event.full]
    half = [event for event in seen if not event.full]
    assert [event.number for event in full] == list(range(1, len(full) + 1))
    assert len(full) >= 10
    assert [event.height_mm for event in full] == pytest.approx([0.3] * len(full), abs=0.002)
    assert {(a.direction, b.direction) for a, b in pairwise(full[:8])} == {("out", "in"), ("in", "out")}
    assert full[0].direction == "out"
    assert [(event.number, event.direction) for event in half] == [(1, "out"), (2, "in")]
    assert [event.height_mm for event in half] == pytest.approx([0.15, 0.15], abs=0.002)


@pytest.mark.parametrize("seed", range(4))
def test_as_many_strokes_are_told_as_the_end_play_counts(seed: int) -> None:
    trace = simulated(replace(PLAIN, half_share=0.3, slip_mm=0.1), seed)
    outcome = analyse_trace(trace)
    legs = list(strokes_among(outcome.dwells))
    assert sum(full for full, _, _ in legs) == outcome.strokes
    assert sum(not full for full, _, _ in legs) == outcome.half_strokes


def test_no_dwells_are_no_strokes() -> None:
    assert not list(strokes_among(()))


def test_progress_tells_a_slip_as_it_is_seen_and_why_there_is_no_number() -> None:
    slipping = chunks(simulated(replace(PLAIN, slip_mm=0.1)))
    progress = of(Progress, run(session_of(Goal(least_strokes=20)), *slipping))
    sizes = [one.slip_mm for one in progress]
    assert sizes[0] is None
    assert any(size is not None and abs(size) == pytest.approx(0.1, abs=0.01) for size in sizes)
    for one in progress:
        assert (one.reason is None) == (one.end_play_mm is not None)
    assert progress[0].reason in set(ReasonCode)


def test_progress_says_what_keeps_it_from_ending_and_has_numbers_once_there_are_some() -> None:
    events = run(session_of(), *chunks(simulated(PLAIN)))
    progress = of(Progress, events)
    assert progress[0].end_play_mm is None
    assert progress[0].expanded_mm is None
    assert all(one.keeps for one in progress)
    assert {"2 of 5 full strokes", "4 of 5 full strokes"} <= {one.keeps for one in progress}
    assert not any("readings came" in one.keeps for one in progress)  # while they do come
    later = [one for one in progress if one.end_play_mm is not None]
    assert later
    for one in later:
        assert one.end_play_mm == pytest.approx(0.25, abs=0.01)
        assert one.expanded_mm is not None
        assert one.expanded_mm > 0
        assert one.strokes >= 4


def test_a_turned_hub_never_ends_by_itself_and_is_told_so() -> None:
    turned = replace(PLAIN, motion=Motion.TURNED, rest_s=2.0)
    events = run(session_of(), *chunks(simulated(turned)))
    assert not of(Ended, events)
    assert any("run-out" in one.keeps for one in of(Progress, events))


def test_limits_that_the_resolution_cannot_serve_are_named_and_it_ends_all_the_same() -> None:
    # 0.0005 in against limits 0.004 in apart
    goal = Goal(limits=Limits(0.0254, 0.1270), unit=Unit.INCH)
    half_thou = replace(PLAIN, unit=Unit.INCH, decimals=4, step=5, strokes=40)
    outcome = end_play(run(session_of(goal), *chunks(simulated(half_thou)), Finish(AT + 999)))
    assert "resolution too coarse for these limits: 0.0005 in against 0.0040 in" in outcome.notes


def test_a_goal_out_of_reach_ends_after_forty_strokes_and_says_so() -> None:
    goal = Goal(limits=Limits(0.0, 0.002))
    model = replace(PLAIN, strokes=50, dwell_s=0.6, wobble_mm=0.004)
    outcome = end_play(run(session_of(goal), *chunks(simulated(model))))
    assert outcome.strokes == 40
    assert "ended after 40 strokes without becoming as sure as wished" in outcome.notes


# any chunking


@cache
def stream() -> tuple[tuple[bytes, float], ...]:
    """Packets of up to three lines that share a time, garbage and a gap among them."""
    lines = [chunk.data for chunk in chunks(simulated(replace(PLAIN, strokes=6), 2))]
    lines.insert(40, b"#?!\r\n")
    lines.insert(90, b"\r")
    packets = [b"".join(lines[k : k + 3]) for k in range(0, len(lines), 3)]
    return tuple((data, AT + 0.15 * k + (2.0 if k > 30 else 0.0)) for k, data in enumerate(packets))


@cache
def whole(timeout_s: float | None) -> list[Event]:
    goal = Goal(limits=LIMITS, timeout_s=timeout_s)
    return run(session_of(goal), *(Chunk(*packet) for packet in stream()), Finish(AT + 99))


def told(events: list[Event]) -> list[object]:
    return [(e.at, e.outcome, e.trace.texts()) if isinstance(e, Ended) else e for e in events]


@settings(max_examples=25)
@given(
    cuts=st.lists(st.lists(st.integers(0, 40), max_size=6), min_size=1, max_size=20),
    timeout_s=st.sampled_from([None, 7.05, 12.0]),
)
def test_however_a_packet_is_cut_the_events_are_the_same(
    cuts: list[list[int]], timeout_s: float | None
) -> None:
    pieces = []
    for number, (data, at) in enumerate(stream()):
        at_bytes = sorted({0, len(data), *(cut for cut in cuts[number % len(cuts)] if cut < len(data))})
        pieces += [Chunk(data[a:b], at) for a, b in pairwise(at_bytes)]
    goal = Goal(limits=LIMITS, timeout_s=timeout_s)
    assert told(run(session_of(goal), *pieces, Finish(AT + 99))) == told(whole(timeout_s))
