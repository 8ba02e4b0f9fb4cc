"""Why there is no number: a trace for each reason, and what each says to do."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from capture.decoder import Decoder
from capture.end_play import Refusal, analyse_trace
from capture.profiles import LINE
from capture.readings import Chunk, Trace
from capture.refusals import ReasonCode
from capture.session import Abandon, Ended, Session
from capture.traces import read_csv
from tests.capture.shapes import square, steps, strokes, trace_of_values

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "fixtures" / "traces" / "refused"
FROM_OUTSIDE = {ReasonCode.UNIT_CHANGED, ReasonCode.STOPPED}
"""What no trace shows: a session is told of it."""

TO_DO = re.compile(r"\b(check|push|pull|clamp|set|hold|go|use|give|measure|keep|try|take)\b", re.IGNORECASE)


def refused(trace: Trace) -> Refusal:
    outcome = analyse_trace(trace)
    assert isinstance(outcome, Refusal), outcome
    return outcome


def ended(session: Session, *items: Chunk | Abandon) -> Refusal:
    events = [event for item in items for event in session.feed(item)]
    assert isinstance(events[-1], Ended)
    assert isinstance(events[-1].outcome, Refusal)
    return events[-1].outcome


@cache
def refusal(code: ReasonCode) -> Refusal:
    if code is ReasonCode.UNIT_CHANGED:
        return ended(Session(Decoder(LINE)), Chunk(b"1.000 mm\r\n1.001 mm\r\n0.0394 in\r\n", 1.0))
    if code is ReasonCode.STOPPED:
        some = Chunk(b"1.000 mm\r\n1.001 mm\r\n", 1.0)
        return ended(Session(Decoder(LINE)), some, Abandon(2.0, "the link was lost"))
    return refused(read_csv(FOLDER / f"{code}.csv"))


def test_every_code_that_a_trace_can_show_has_a_trace() -> None:
    assert {path.stem for path in FOLDER.glob("*.csv")} == set(ReasonCode) - FROM_OUTSIDE


@pytest.mark.parametrize("code", list(ReasonCode))
def test_each_is_refused_for_its_own_reason(code: ReasonCode) -> None:
    assert refusal(code).reasons[0].code is code


@pytest.mark.parametrize("code", list(ReasonCode))
def test_each_text_is_one_line_that_says_what_to_do(code: ReasonCode) -> None:
    for reason in refusal(code).reasons:
        assert "\n" not in reason.text
        assert not reason.text.endswith(".")
        # what was seen, and after that what to do
        seen, _, to_do = reason.text.replace(";", ":").partition(":")
        assert seen.strip()
        assert TO_DO.search(to_do), reason.text


def test_the_page_of_reason_codes_lists_every_code() -> None:
    page = (ROOT / "docs" / "reason-codes.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `([a-z-]+)`", page, re.MULTILINE)) == set(ReasonCode)


# the same by hand, so that what decides is seen


def test_nine_readings_are_too_few_and_ten_are_looked_at() -> None:
    trace = square(1.0, 1.3)
    nine = refused(trace.cut(0, 9)).reasons[0]
    assert nine.code is ReasonCode.TOO_FEW_READINGS
    assert "only 9 readings" in nine.text
    assert refused(trace.cut(0, 10)).reasons[0].code is ReasonCode.NO_MOVEMENT


def test_the_way_that_a_reading_went_and_how_far_is_told() -> None:
    up, down = (refused(trace_of_values(*steps(levels))).reasons[0] for levels in ([1.0, 1.3], [1.3, 1.0]))
    assert (up.code, down.code) == (ReasonCode.ONE_WAY, ReasonCode.ONE_WAY)
    assert "went up by 0.300 mm" in up.text
    assert "went down by 0.300 mm" in down.text


@pytest.mark.parametrize("number", [2, 3])
def test_too_few_strokes_are_counted(number: int) -> None:
    outcome = refused(square(1.0, 1.3, number))
    assert outcome.reasons[0].code is ReasonCode.TOO_FEW_STROKES
    assert outcome.strokes == number
    assert f"{number} full strokes" in outcome.reasons[0].text


@pytest.mark.parametrize(("way", "up"), [("pull", 0.4), ("push", 0.3)])
def test_a_base_that_slips_every_time_is_told_by_the_way_it_slips(way: str, up: float) -> None:
    # each pull is 0.1 mm longer than each push, or the other way round
    levels = [1.0]
    for number in range(12):
        levels.append(levels[-1] + (-(0.7 - up) if number % 2 else up))
    outcome = refused(trace_of_values(*steps(levels)))
    assert outcome.reasons[0].code is ReasonCode.BASE_SLIPS
    assert f"at every {way}" in outcome.reasons[0].text


def test_a_refusal_keeps_what_was_seen() -> None:
    outcome = refused(trace_of_values(*steps(strokes(1.0, 1.3, 3))))
    assert [mark.level_mm for mark in outcome.dwells] == pytest.approx([1.0, 1.3, 1.0, 1.3], abs=1e-9)
    assert outcome.resolution_mm == pytest.approx(0.001)
