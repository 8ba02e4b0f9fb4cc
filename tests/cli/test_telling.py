"""What gauges go through, in the journal: told once, however often it happens."""

from __future__ import annotations

import io
import json
from typing import Any

from calc.units import Unit
from capture.listening import Connected, ListenEvent, Lost, Over, Trouble
from capture.readings import Gap, Garbled, Overrun, UnitMissing
from capture.session import StrokeSeen
from capture.watch import Armed, Began, Forgotten
from cli.journal import Journal
from cli.telling import COUNT_S, SAY_AGAIN_S, Teller


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def told(*events: ListenEvent | float) -> list[dict[str, Any]]:
    """The lines for these events of one gauge; a number is time that passes between them."""
    out, clock = io.StringIO(), Clock()
    journal = Journal(out, as_json=True)
    teller = Teller(journal, lambda _: Unit.INCH, clock)
    for event in events:
        if isinstance(event, float):
            clock.now += event
        else:
            teller.tell("one", event)
    journal.close()
    return [json.loads(line) for line in out.getvalue().splitlines()]


def test_a_link_that_stays_lost_is_told_of_once_an_hour() -> None:
    gone = [Lost("it is gone", tries, 5.0) for tries in range(1, 100)]
    assert [line["event"] for line in told(*gone)] == ["lost"]
    assert [line["tries"] for line in told(gone[0], SAY_AGAIN_S, gone[50], gone[51])] == [1, 51]
    assert len(told(gone[0], Lost("it is held by another", 2, 5.0), gone[3])) == 3
    assert [line["event"] for line in told(gone[0], Connected(1, "LR"), gone[0])] == [
        "lost",
        "connected",
        "lost",
    ]


def test_garbled_frames_are_counted() -> None:
    bad = Garbled(b"ERR", "no number in it", 1.0)
    lines = told(*[bad] * 500, COUNT_S, *[bad] * 10)
    assert [line["garbled"] for line in lines] == [1, 501]


def test_each_event_in_words() -> None:
    lines = told(
        Connected(1, None),
        Armed(0.0),
        Began(0.0),
        StrokeSeen(0.0, 3, False, "in", 0.123),
        Forgotten(0.0, "nobody there"),
        Gap(3.0, 0.0),
        Overrun(7, 0.0),
        UnitMissing("0.123", 0.0),
        Trouble("wrong baud rate?"),
        Over(),
    )
    texts = [line["text"] for line in lines]
    assert texts == [
        "connected but no corner is set: nothing is measured until one is",
        "ready: push and pull the hub, stop to stop",
        "the hub moves: measuring",
        "half stroke 3 in, 0.0048 in",
        "no measurement: nobody there",
        "no readings came for 3.0 s",
        "7 pieces were dropped because this computer was too busy",
        'the reading "0.123" does not say its unit: add unit = "mm" or "in" to its entry',
        "wrong baud rate?",
        "its source has come to its end",
    ]
    assert {line["gauge"] for line in lines} == {"one"}
