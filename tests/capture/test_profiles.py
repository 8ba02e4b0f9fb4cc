"""Every built-in profile is held to its own examples: whole, byte by byte, with more behind them."""

from __future__ import annotations

from decimal import Decimal

import pytest

from calc.units import Unit
from capture.decoder import Decoder
from capture.profiles import BUILT_IN, LINE, Example, Profile, shown
from capture.readings import Chunk, Garbled, Gauge, Reading, UnitMissing

EXAMPLES = [(profile, example) for profile in BUILT_IN.values() for example in profile.examples]
IDS = [f"{profile.name}-{shown(example.frame)}" for profile, example in EXAMPLES]


def check(profile: Profile, example: Example, chunks: list[bytes]) -> None:
    decoder = Decoder(profile, Unit.MM)
    events = [event for chunk in chunks for event in decoder.feed(Chunk(chunk, 1.0))]
    *events, last = events
    assert last == Reading(Decimal("0.777"), Unit.MM, 1.0)
    if not example.frame:
        assert events == []  # an empty line is nothing at all
    elif example.value is None:
        (event,) = events
        assert isinstance(event, Garbled)
        assert event.data == example.frame
    else:
        reading = Reading(example.value, example.unit or Unit.MM, 1.0)
        assert [event for event in events if isinstance(event, Reading)] == [reading]
        assert not any(isinstance(event, Garbled) for event in events)


@pytest.mark.parametrize(("profile", "example"), EXAMPLES, ids=IDS)
@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_an_example(profile: Profile, example: Example, end: bytes) -> None:
    whole = example.frame + end + b"+0.777 mm" + end
    check(profile, example, [whole])
    check(profile, example, [bytes([byte]) for byte in whole])
    check(profile, example, [whole + b"+0.7"])


def test_every_profile_has_examples_of_good_and_garbled_frames() -> None:
    for name, profile in BUILT_IN.items():
        assert profile.name == name
        assert profile.broken_example() is None
        assert {example.value is None for example in profile.examples} == {True, False}


def test_a_broken_example_is_named() -> None:
    for example, said in (
        (Example(b"+0.5", Decimal("0.6")), "gives 0.5 without a unit, not 0.6 without a unit"),
        (Example(b"+0.5mm", Decimal("0.5")), "gives 0.5 mm, not 0.5 without a unit"),
        (Example(b"ERR", Decimal("0.6")), '"ERR" should give 0.6 but is garbled: no number in it'),
        (Example(b"0.5", None), "not garbled"),
    ):
        broken = Profile(name="x", parse=LINE.parse, examples=(example,)).broken_example()
        assert broken is not None
        assert said in broken


def test_the_unit_comes_from_the_line_then_the_caller_then_the_gauge() -> None:
    inches = Profile(name="x", parse=LINE.parse, gauge=Gauge(unit=Unit.INCH))
    half = Decimal("0.5")
    assert inches.decode(b"0.5mm", Unit.INCH, 2.0) == Reading(half, Unit.MM, 2.0)
    assert inches.decode(b"0.5", Unit.MM, 2.0) == Reading(half, Unit.MM, 2.0)
    assert inches.decode(b"0.5", None, 2.0) == Reading(half, Unit.INCH, 2.0)
    assert LINE.decode(b"0.5", None, 2.0) == UnitMissing("0.5", 2.0)
    assert LINE.decode(b"ERR", None, 2.0) == Garbled(b"ERR", "no number in it", 2.0)


def test_bytes_are_shown_as_a_person_can_read_them() -> None:
    assert shown(b"+0.1\x00\xff\t") == "+0.1\\x00\\xff\\x09"
    assert len(shown(b"x" * 1000)) == 64
