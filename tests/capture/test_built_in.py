"""Every built-in profile file is held to its own examples: whole, byte by byte, with more around them."""

from __future__ import annotations

import pytest

from calc.units import Unit
from capture.decoder import Decoder
from capture.flags import Flag
from capture.packets import finish_of
from capture.profile_files import FORMATS, built_in, built_in_names, load_profile
from capture.profiles import Example, Profile, shown
from capture.readings import Chunk, Hold, LowBattery, Reading

PROFILES = [built_in(name) for name in built_in_names()]
EXAMPLES = [(profile, example) for profile in PROFILES for example in profile.examples]
IDS = [f"{profile.name}-{shown(example.frame)}" for profile, example in EXAMPLES]


def readings(profile: Profile, chunks: list[bytes]) -> list[Reading]:
    decoder = Decoder(profile, Unit.MM)
    events = [event for chunk in chunks for event in decoder.feed(Chunk(chunk, 1.0))]
    return [event for event in events if isinstance(event, Reading)]


def good_one(profile: Profile) -> Example:
    return next(one for one in profile.examples if one.value is not None and not one.flags)


@pytest.mark.parametrize(("profile", "example"), EXAMPLES, ids=IDS)
def test_an_example(profile: Profile, example: Example) -> None:
    finish, good = finish_of(profile.framing), good_one(profile)
    assert good.value is not None
    after = (good.frame + finish) * 3
    wanted = [Reading(good.value, good.unit or Unit.MM, 1.0)] * 3
    if example.value is not None and Flag.HOLD not in example.flags:
        wanted = [Reading(example.value, example.unit or Unit.MM, 1.0), *wanted]
    whole = example.frame + finish + after
    if not profile.framing.framer().feed(whole + good.frame + finish):
        pytest.fail("no frame at all")
    for chunks in ([whole], [bytes([byte]) for byte in whole], [whole, good.frame[:1]]):
        got = readings(profile, [*chunks, after])
        assert got[: len(wanted)] == wanted


def test_each_file_is_named_after_its_profile_and_says_what_it_is() -> None:
    assert len(built_in_names()) >= 15
    for path in sorted(FORMATS.glob("*.toml")):
        profile = load_profile(path.stem)
        assert profile.name == path.stem
        assert profile.title
        assert profile.source == path.read_text(encoding="utf-8")
        assert {example.value is None for example in profile.examples} == {True, False}


def test_requests_and_buttons_are_said() -> None:
    sends = {profile.name: profile.sends for profile in PROFILES}
    assert sends["line-asked"] == sends["registers-asked"] == "asked"
    assert sends["line-button"] == "button"
    assert built_in("registers-asked").settings.request == bytes.fromhex("010300000002C40B")
    for profile in PROFILES:
        assert bool(profile.settings.request) == (profile.sends == "asked")


def test_a_held_display_gives_no_readings_and_is_told_once() -> None:
    decoder = Decoder(built_in("line-flags"))
    texts = (
        "+0.1 mm",
        "+0.1 mm H",
        "+0.1 mm H",
        "+0.2 mm",
        "+0.2 mm B",
        "+0.2 mm B",
        "+0.3 mm HB",
        "+0.3 mm",
    )
    events = decoder.feed(Chunk("".join(f"{text}\r\n" for text in texts).encode(), 2.0))
    kinds = [type(event).__name__ for event in events]
    assert kinds == (
        ["Reading", "Hold", "Hold", "Reading", "LowBattery", "Reading", "Reading", "Hold", "Hold", "Reading"]
    )
    assert [event.on for event in events if isinstance(event, Hold)] == [True, False, True, False]
    assert sum(isinstance(event, LowBattery) for event in events) == 1
    assert (decoder.good, decoder.held, decoder.garbled) == (5, 3, 0)
    assert decoder.looks_wrong(100.0) is None


def test_a_gauge_that_is_held_from_the_start_is_not_called_wrong() -> None:
    decoder = Decoder(built_in("line-flags"))
    decoder.feed(Chunk(b"+0.1 mm H\r\n" * 20, 2.0))
    assert decoder.looks_wrong(100.0) is None


@pytest.mark.parametrize("name", ["line-button", "line-asked", "stx-etx", "bcd-3-flags"])
def test_a_frame_that_comes_alone_is_read_at_once(name: str) -> None:
    profile = built_in(name)
    good = good_one(profile)
    decoder = Decoder(profile, Unit.MM, joined_midway=True)
    assert [type(event) for event in decoder.feed(Chunk(good.frame + finish_of(profile.framing), 1.0))] == [
        Reading
    ]
