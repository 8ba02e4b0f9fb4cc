"""An unknown gauge is found out from what it sent, or it is said that it cannot be told."""

from __future__ import annotations

import json
import math
import random
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from capture.decoder import Decoder
from capture.identify import Capture, Finding, identify, unit_of_travel
from capture.identify_serial import without_parity
from capture.profile_files import parse_profile
from capture.profiles import SerialSettings
from capture.readings import Chunk, Reading

FORMATS = Path(__file__).parents[2] / "fixtures" / "formats"
NAMES = sorted(path.name.removesuffix(".truth.json") for path in FORMATS.glob("*.truth.json"))


def chunks_of(name: str) -> tuple[Chunk, ...]:
    lines = (FORMATS / f"{name}.chunks.jsonl").read_text(encoding="utf-8").splitlines()
    return tuple(Chunk(bytes.fromhex(row["hex"]), row["at"]) for row in map(json.loads, lines))


def truth_of(name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((FORMATS / f"{name}.truth.json").read_text(encoding="utf-8"))
    return truth


@cache
def found(name: str) -> Finding:
    return identify([Capture(chunks_of(name))])


def why_not_right(name: str) -> str | None:
    """What is not as the truth has it; None if all is."""
    truth, finding = truth_of(name), found(name)
    if not finding.sure:
        return f"not sure: {finding.why}"
    best = finding.proposals[0]
    saved = parse_profile(best.toml, "saved.toml")  # as it will be used: read from its file
    data = b"".join(chunk.data for chunk in chunks_of(name))
    if saved.settings.bytesize == 7:
        data = bytes(byte & 0x7F for byte in data)
    decoder = Decoder(saved, Unit(truth["unit"]), joined_midway=True)
    got = [event.value for event in decoder.feed(Chunk(data, 0.0)) if isinstance(event, Reading)]
    # of the first frame only a part came, and the second may have been needed to be sure of the first
    wanted = list(map(Decimal, truth["values"]))
    equal = max(sum(a == b for a, b in zip(got, wanted[skip:], strict=False)) for skip in (0, 1, 2))
    if equal < 0.99 * (len(wanted) - 2):
        return f"{equal} of {len(wanted)} values are right"
    if best.resolution != Decimal(truth["resolution"]):
        return f"resolution {best.resolution}, not {truth['resolution']}"
    if truth["tells_unit"] is not None and str(best.unit) != truth["tells_unit"]:
        return f"unit {best.unit}, not {truth['tells_unit']}"
    if (saved.settings.parity, best.profile.settings.parity) != (truth["parity"], truth["parity"]):
        return f"parity {saved.settings.parity}"
    return None


def test_the_corpus_is_large_enough_and_mixed() -> None:
    packed = [name for name in NAMES if truth_of(name)["packed"]]
    assert len(NAMES) >= 25
    assert 10 <= len(packed) <= len(NAMES) - 10
    for name in NAMES:
        values = list(map(Decimal, truth_of(name)["values"]))
        assert min(values) < 0 < max(values)  # so that the sign is seen
        assert chunks_of(name)[-1].at <= 5.1


def test_nearly_all_of_the_corpus_is_found() -> None:
    wrong = {name: why for name in NAMES if (why := why_not_right(name)) is not None}
    assert len(wrong) <= 1, wrong  # all 37 when it was made


@pytest.mark.parametrize("name", ["text-csv", "packed-counted"])
def test_raw_bytes_without_times_do_too(name: str) -> None:
    data = b"".join(chunk.data for chunk in chunks_of(name))
    finding = identify([Capture((Chunk(data, 0.0),))])
    assert finding.sure
    assert finding.proposals[0].resolution == Decimal(truth_of(name)["resolution"])
    assert finding.proposals[0].motion == found(name).proposals[0].motion


def capture_of(frames: list[bytes], rate: float = 50.0) -> Capture:
    return Capture(tuple(Chunk(frame, number / rate) for number, frame in enumerate(frames)))


def swing(number: int, size: float = 2500.0, period: float = 60.0) -> int:
    return round(size * math.sin(2 * math.pi * number / period))


RANDOM = random.Random(7)
NOTHING = {
    "silence": ([], "nothing came"),
    "a few bytes": ([b"+0.1\r\n"] * 5, "only 30 bytes came"),
    "garbage": ([RANDOM.randbytes(7) for _ in range(250)], "no frames can"),
    "garbage with a head": ([b"\xaa\x55" + RANDOM.randbytes(5) for _ in range(250)], "no frames can"),
    "zeros": ([bytes(8)] * 250, "no frames can"),
    "text without numbers": ([b"READY.\r\n"] * 250, "no number in it"),
    "a plunger at rest": ([b"+0.123\r\n"] * 250, "moves as the plunger"),
    "a flickering digit": ([b"+0.%03d\r\n" % (120 + n * 7 % 3) for n in range(250)], "moves as the plunger"),
    "in any order": ([b"%d\r\n" % RANDOM.randrange(9999) for _ in range(250)], "moves as the plunger"),
    "a counter": ([b"N=%05d\r\n" % n for n in range(250)], "moves as the plunger"),
    "a clock": ([b"%02d:%02d\r\n" % divmod(n, 60) for n in range(250)], "moves as the plunger"),
    "two channels": (
        [b"%+.3f %+.3f\r\n" % (swing(n) / 1000, swing(n, 1900, 47) / 1000) for n in range(250)],
        "more than one number moves",
    ),
    "a number far too large": ([b"%+d.0\r\n" % swing(n) for n in range(250)], "moves as the plunger"),
    "few frames": ([b"+%d.5 mm and so on\r\n" % (n % 5) for n in range(10)], "cannot tell"),
    "packets of a counter": ([b"\xaa\x01" + n.to_bytes(2, "big") for n in range(250)], "no frames can"),
}  # fmt: skip


@pytest.mark.parametrize("name", NOTHING)
def test_what_cannot_be_told_is_said(name: str) -> None:
    frames, said = NOTHING[name]
    finding = identify([capture_of(frames)])
    assert not finding.sure
    assert "cannot tell" in finding.why
    assert said in finding.why
    assert "\n" not in finding.why


def read_at_half_the_baud(data: bytes) -> bytes:
    """What a receiver at half the rate makes of eight bits without parity."""
    bits = [1] * 10
    for byte in data:
        bits += [0, *((byte >> place) & 1 for place in range(8)), 1]
    bits += [1] * 40
    out, at = [], 0
    while at < len(bits) - 40:
        if bits[at]:
            at += 1
            continue
        out.append(sum(bits[at + 3 + 2 * place] << place for place in range(8)))
        at += 19
    return bytes(out)


@pytest.mark.parametrize("name", ["text-plain", "text-sign-last", "packed-int32-bare", "packed-bcd-flags"])
def test_the_wrong_baud_rate_gives_no_profile_and_the_right_one_is_chosen(name: str) -> None:
    slow = SerialSettings(baud=4800)
    wrong = tuple(Chunk(read_at_half_the_baud(chunk.data), chunk.at) for chunk in chunks_of(name))
    assert not identify([Capture(wrong, slow)]).sure
    both = identify([Capture(wrong, slow), Capture(chunks_of(name), SerialSettings(baud=9600))])
    assert both.sure
    assert both.proposals[0].profile.settings.baud == 9600
    assert "baud = 9600" in both.proposals[0].toml


def test_the_built_in_profile_is_proposed_where_it_serves() -> None:
    for name, profile in (("packed-nibbles-13", "bcd-nibbles-13"), ("text-stx-etx-xor", "stx-etx-xor")):
        best = found(name).proposals[0]
        assert f"it is the built-in profile {profile}" in best.notes
        assert f'name = "{profile}"' in best.toml


def test_the_line_is_saved_as_it_was_set() -> None:
    settings = SerialSettings(baud=4800, stopbits=2, dtr=True, rtscts=True, request=b"R\r", period_s=0.5)
    saved = identify([Capture(chunks_of("text-plain"), settings)]).proposals[0].profile
    assert saved.settings == settings
    assert saved.sends == "asked"


def test_where_the_point_stands_follows_from_the_movement() -> None:
    frames = [b"%+06d\r\n" % swing(n) for n in range(250)]
    for travel_mm, resolution in ((5.0, "0.001"), (50.0, "0.01"), (0.5, "0.0001")):
        best = identify([capture_of(frames)], travel_mm=travel_mm).proposals[0]
        assert best.resolution == Decimal(resolution)
        assert any("do not say where the point stands" in note for note in best.notes)


def test_the_unit_follows_from_the_movement_where_it_is_not_sent() -> None:
    assert unit_of_travel(Decimal("5.2"), 5.0)[0] is Unit.MM
    assert unit_of_travel(Decimal("0.21"), 5.0)[0] is Unit.INCH
    assert unit_of_travel(Decimal("0.9"), 5.0) == (None, "no unit is sent: give it with --unit")
    inches = identify([capture_of([b"%+.4f\r\n" % (swing(n) / 25400) for n in range(250)])]).proposals[0]
    assert (inches.unit, inches.profile.gauge.unit) == (None, Unit.INCH)


def test_which_way_it_went_first() -> None:
    for way, said in ((1, "up"), (-1, "down")):
        frames = [b"%+.3f mm\r\n" % (way * swing(n) / 1000) for n in range(250)]
        assert identify([capture_of(frames)]).proposals[0].first_move == said


@pytest.mark.parametrize("parity", ["even", "odd", "mark"])
def test_seven_bits_with_parity_are_seen(parity: str) -> None:
    plain = b"".join(b"%+.3f\r\n" % (swing(n) / 1000) for n in range(100))
    tops = {"even": (0, 0x80), "odd": (0x80, 0), "mark": (0x80, 0x80)}[parity]
    sent = bytes(byte | tops[byte.bit_count() & 1] for byte in plain)
    assert without_parity(sent, SerialSettings()) == (plain, SerialSettings(bytesize=7, parity=parity))
    assert without_parity(plain, SerialSettings()) == (plain, SerialSettings())
    garbage = random.Random(1).randbytes(500)
    assert without_parity(garbage, SerialSettings()) == (garbage, SerialSettings())
