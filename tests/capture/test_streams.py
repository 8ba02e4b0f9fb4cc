"""The golden streams of fixtures/streams: whole, byte by byte, and with more behind them."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from capture.decoder import Decoded, Decoder
from capture.profiles import BUILT_IN
from capture.readings import Chunk, Garbled, Reading, UnitChanged, UnitMissing

STREAMS = Path(__file__).parents[2] / "fixtures" / "streams"
NAMES = sorted(path.name.removesuffix(".chunks.jsonl") for path in STREAMS.glob("*.chunks.jsonl"))


def rows(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def load(name: str) -> tuple[Decoder, list[Chunk], list[dict[str, Any]], dict[str, Any]]:
    head, *chunks = rows(STREAMS / f"{name}.chunks.jsonl")
    *events, summary = rows(STREAMS / f"{name}.events.jsonl")
    unit = None if head["unit"] is None else Unit(head["unit"])
    decoder = Decoder(BUILT_IN[head["profile"]], unit, joined_midway=head["joined_midway"])
    return decoder, [Chunk(bytes.fromhex(c["hex"]), c["at"]) for c in chunks], events, summary


def as_row(event: Decoded) -> dict[str, Any]:
    match event:
        case Reading(value, unit, at):
            return {"event": "reading", "value": str(value), "unit": str(unit), "at": at}
        case Garbled(data, why, at):
            return {"event": "garbled", "hex": data.hex(), "why": why, "at": at}
        case UnitChanged(was, now, at):
            return {"event": "unit changed", "was": str(was), "now": str(now), "at": at}
        case UnitMissing(text, at):
            return {"event": "unit missing", "text": text, "at": at}
        case _:
            raise AssertionError("a stream of chunks of lines has no other event")


def assert_same(got: list[Decoded], expected: list[dict[str, Any]]) -> None:
    given = [as_row(event) for event in got]
    for row, wanted in zip(given, expected, strict=False):
        if wanted.get("why", "") is None:
            row["why"] = None
    assert given == expected


def test_there_are_streams() -> None:
    assert len(NAMES) >= 12


@pytest.mark.parametrize("name", NAMES)
def test_a_stream_gives_its_events(name: str) -> None:
    decoder, chunks, events, summary = load(name)
    assert_same([event for chunk in chunks for event in decoder.feed(chunk)], events)
    assert decoder.good == summary["counts"]["reading"]
    assert decoder.garbled == summary["counts"]["garbled"]
    wrong = decoder.looks_wrong()
    if summary["looks_wrong"] is None:
        assert wrong is None
    else:
        assert wrong is not None
        assert summary["looks_wrong"] in wrong
        assert "\n" not in wrong


@pytest.mark.parametrize("name", NAMES)
def test_a_stream_byte_by_byte_gives_the_same(name: str) -> None:
    decoder, chunks, events, _ = load(name)
    got = [
        event
        for chunk in chunks
        for i in range(len(chunk.data))
        for event in decoder.feed(Chunk(chunk.data[i : i + 1], chunk.at))
    ]
    # a frame that grew too long is known when its 129th byte has come, at that byte's time
    assert_same(got, events)


@pytest.mark.parametrize("name", NAMES)
def test_a_stream_goes_on_after_itself(name: str) -> None:
    decoder, chunks, _, _ = load(name)
    for chunk in chunks:
        decoder.feed(chunk)
    decoder.feed(Chunk(b"\r\n", 1000.0))
    *_, last = decoder.feed(Chunk(b"+0.500 mm\r\n", 1000.1))
    assert as_row(last) == {"event": "reading", "value": "0.500", "unit": "mm", "at": 1000.1}


def test_the_script_still_makes_the_streams(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_streams", STREAMS / "make_streams.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    script.make(tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == sorted(path.name for path in STREAMS.glob("*.jsonl"))
    for name in made:
        assert (tmp_path / name).read_bytes() == (STREAMS / name).read_bytes()
