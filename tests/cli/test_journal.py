"""The journal: one line an event, for programs or for a person, without secrets, and never in the way."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import select
import time

import pytest

from cli.journal import MOST_WAITING, Journal, without_secrets


def test_a_line_is_one_json_object_with_its_time() -> None:
    out = io.StringIO()
    journal = Journal(out, as_json=True)
    journal.say("lost", "it is\ngone – really", gauge="left rear", level="warning", tries=2, corner=None)
    journal.close()
    assert out.getvalue().isascii()
    item = json.loads(out.getvalue())
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", item.pop("at"))
    assert item == {
        "level": "warning",
        "event": "lost",
        "gauge": "left rear",
        "tries": 2,
        "text": "it is gone – really",
    }


def test_a_line_for_a_person() -> None:
    out = io.StringIO()
    journal = Journal(out, as_json=False)
    journal.say("lost", "it is gone", gauge="left rear", level="warning", tries=2)
    journal.say("ready", "listening")
    journal.close()
    first, second = out.getvalue().splitlines()
    assert re.fullmatch(r"\d\d:\d\d:\d\d left rear: warning: it is gone", first)
    assert re.fullmatch(r"\d\d:\d\d:\d\d listening", second)


def test_json_where_no_terminal_is() -> None:
    journal = Journal(io.StringIO())
    journal.close()
    assert journal.as_json


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("mqtt://me:pw@host:1883 refused", "mqtt://***@host:1883 refused"),
        ("socket://host:1?token=abc&baud=9600", "socket://host:1?token=***&baud=9600"),
        ("a?Password=abc d", "a?Password=*** d"),
        ("serial:/dev/ttyUSB0?baud=9600", "serial:/dev/ttyUSB0?baud=9600"),
        ("write to a@b.c", "write to a@b.c"),
    ],
)
def test_no_secrets(text: str, clean: str) -> None:
    assert without_secrets(text) == clean
    out = io.StringIO()
    journal = Journal(out, as_json=True)
    journal.say("x", text, link=text)
    journal.close()
    item = json.loads(out.getvalue())
    assert (item["text"], item["link"]) == (clean, clean)


def test_a_pipe_that_nobody_reads_holds_up_nothing() -> None:
    read, write = os.pipe()
    stream = os.fdopen(write, "w", encoding="utf-8")
    journal = Journal(stream, as_json=True)
    try:
        began = time.monotonic()
        for number in range(5000):
            journal.say("stroke", "x" * 100, number=number)
        assert time.monotonic() - began < 5
        got = b""
        journal.say("stroke", "again")
        while select.select([read], [], [], 0.5)[0]:  # it is read again, and what was lost is told
            got += os.read(read, 65536)
            if journal.dropped:
                journal.say("stroke", "again")
    finally:
        os.close(read)  # lets the writer go, whatever came before
        journal.close()
        with contextlib.suppress(OSError):
            stream.close()
    lost = [json.loads(line) for line in got.splitlines() if b"journal-overflow" in line]
    assert {one["level"] for one in lost} == {"warning"}
    # so many may wait, and a pipe holds some hundred lines
    assert sum(one["dropped"] for one in lost) > 5000 - MOST_WAITING - 1000


def test_an_end_that_is_gone() -> None:
    read, write = os.pipe()
    os.close(read)
    stream = os.fdopen(write, "w", encoding="utf-8")
    journal = Journal(stream, as_json=True)
    journal.say("stroke", "x")
    journal.close()
    with pytest.raises(BrokenPipeError):
        stream.close()
