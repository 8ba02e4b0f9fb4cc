"""What is said: every kind in every language, and numbers as they are spoken."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.cue_words import (
    CORNERS,
    LANGUAGES,
    RESULT_FITS,
    SENTENCES,
    UNITS,
    VERDICTS,
    Facts,
    speech_of,
    spell_de,
    spell_en,
    texts_of,
)
from bus.payloads import CueKind
from bus.topics import CORNERS as ALL_CORNERS
from calc.units import Unit

RESULT = Facts(corner="LR", unit=Unit.MM, end_play_mm=0.3124, step_mm=0.001, verdict="loose", fit_mm=2.85)


def fields(sentence: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name}


def test_every_kind_and_field_is_there_in_every_language() -> None:
    assert set(SENTENCES) == {*CueKind, RESULT_FITS}
    for kind, by_language in SENTENCES.items():
        assert set(by_language) == set(LANGUAGES), kind
        assert len({frozenset(fields(text)) for text in by_language.values()}) == 1, kind
    for table, keys in (
        (CORNERS, set(ALL_CORNERS)),
        (VERDICTS, {"within", "loose", "tight"}),
        (UNITS, set(Unit)),
    ):
        assert set(table) == set(LANGUAGES)
        assert all(set(column) == keys for column in table.values())
    assert len(LANGUAGES) >= 2


@pytest.mark.parametrize("kind", CueKind)
def test_every_sentence_is_made_and_speech_holds_no_digit(kind: CueKind) -> None:
    facts = Facts(corner="RF", unit=Unit.INCH, number=12, end_play_mm=0.3124, verdict="tight", fit_mm=2.9972)
    for texts in (texts_of(kind, facts), speech_of(kind, facts)):
        assert all(text and "{" not in text for text in texts.values())
    assert not any(c.isdigit() for text in speech_of(kind, facts).values() for c in text)


def test_the_sentence_of_the_task() -> None:
    said = speech_of(CueKind.RESULT, RESULT)
    assert said["en"] == "left rear: nought point three one millimetres, loose; fit two point eight five."
    assert said["de"] == (
        "hinten links: null Komma drei eins Millimeter, zu viel Spiel; Scheibe zwei Komma acht fünf einbauen."
    )
    read = texts_of(CueKind.RESULT, RESULT)
    assert read["en"] == "left rear: 0.31 mm, loose; fit 2.85 mm."
    assert read["de"] == "hinten links: 0,31 mm, zu viel Spiel; Scheibe 2,85 mm einbauen."


def test_without_a_shim_none_is_named() -> None:
    facts = Facts(corner="LF", unit=Unit.MM, end_play_mm=0.08, verdict="within")
    assert (
        speech_of(CueKind.RESULT, facts)["en"]
        == "left front: nought point nought eight millimetres, within limits."
    )


def test_inches_are_said_in_thousandths_or_as_coarse_as_the_gauge() -> None:
    fine = Facts(
        corner="LR", unit=Unit.INCH, end_play_mm=0.3048, step_mm=0.00127, verdict="loose", fit_mm=2.9972
    )
    assert texts_of(CueKind.RESULT, fine)["en"] == "left rear: 0.012 in, loose; fit 0.118 in."
    assert "nought point nought one two inches" in speech_of(CueKind.RESULT, fine)["en"]
    coarse = Facts(corner="LR", unit=Unit.MM, end_play_mm=0.3, step_mm=0.1, verdict="loose")
    assert texts_of(CueKind.RESULT, coarse)["en"] == "left rear: 0.3 mm, loose."


@pytest.mark.parametrize(
    ("text", "english", "german"),
    [
        ("0", "nought", "null"),
        ("3", "three", "drei"),
        ("12", "twelve", "zwölf"),
        ("21", "twenty-one", "einundzwanzig"),
        ("30", "thirty", "dreißig"),
        ("101", "one hundred and one", "einhunderteins"),
        ("999", "nine hundred and ninety-nine", "neunhundertneunundneunzig"),
        ("1000", "one nought nought nought", "eins null null null"),
        ("0.305", "nought point three nought five", "null Komma drei null fünf"),
        ("-0.5", "minus nought point five", "minus null Komma fünf"),
    ],
)
def test_numbers_are_spelled(text: str, english: str, german: str) -> None:
    assert (spell_en(text), spell_de(text)) == (english, german)


@given(st.integers(0, 999), st.integers(0, 999))
def test_two_numbers_are_never_spelled_alike(one: int, other: int) -> None:
    assert (spell_en(str(one)) == spell_en(str(other))) is (one == other)
    assert (spell_de(str(one)) == spell_de(str(other))) is (one == other)
