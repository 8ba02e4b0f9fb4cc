"""What is answered comes back from the hub file that is written, without a warning."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.hub import Aim, Effect, LineUp, parse_hub
from calc.hub_keys import KEYS
from calc.hub_text import (
    LONGEST_ANSWER,
    Answer,
    check_answer,
    number_of,
    one_typed,
    sizes_of,
    whole_of,
    words_typed,
    write_hub,
)
from calc.toml_table import Wrong, read_document

PLAIN = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=60)
TRICKY = st.text(st.sampled_from("\"'\\#=[{ a"), min_size=1, max_size=20)  # what TOML gives a meaning
WORDS = PLAIN | TRICKY
TORQUES = st.decimals("0.1", 500, places=1).map(lambda value: f"{value} N·m")
LENGTHS = st.decimals("0", "1.9", places=3)
SIZES = st.lists(st.decimals("0.01", "1.9", places=3), min_size=1, max_size=20, unique=True).map(sorted)
ANSWERS = st.fixed_dictionaries(
    {
        "title": WORDS,
        "unit": st.sampled_from(["mm", "in"]),
        "end_play.least": LENGTHS,
        "end_play.most": LENGTHS,
    },
    optional={
        "cautions": st.lists(WORDS, min_size=1, max_size=4),
        "lubricant": WORDS,
        "fit": WORDS,
        "shim.effect": st.sampled_from([str(one) for one in Effect]),
        "shim.sizes": SIZES,
        "shim.trial": LENGTHS,
        "shim.aim": st.sampled_from([str(one) for one in Aim]),
        "shim.most_in_pack": st.integers(0, 11),
        "shim.bin": WORDS,
        "nut.torque": TORQUES,
        "nut.tolerance": TORQUES,
        "nut.most": TORQUES,
        "nut.slots": st.integers(0, 25),
        "nut.pin_holes": st.integers(0, 5),
        "nut.line_up": st.sampled_from([str(one) for one in LineUp]),
        "nut.thread_pitch": LENGTHS,
        "nut.threads_per_inch": st.decimals(1, 80, places=1),
        "nut.washer": WORDS,
        "seals.outer": WORDS,
        "seals.inner": WORDS,
    },
)


@given(ANSWERS, st.one_of(st.just(""), WORDS))
def test_the_answers_that_stand_come_back_from_the_file(wanted: dict[str, Answer], source: str) -> None:
    """Every answer is held as the questions hold it; what passes is a hub file without a warning."""
    answers: dict[str, Answer] = {}
    for key, answer in ((key, wanted[key]) for key in KEYS if key in wanted):  # in the order of the file
        opener = {"shim": "shim.effect", "nut": "nut.torque"}.get(key.partition(".")[0], key)
        if (key == opener or opener in answers) and not check_answer(answers, key, answer):
            answers[key] = answer
    if "shim.effect" in answers and "shim.sizes" not in answers:
        answers = {key: answer for key, answer in answers.items() if not key.startswith("shim.")}
    if not {"title", "unit", "end_play.least", "end_play.most"} <= answers.keys():
        return
    text = write_hub(answers, source)
    assert parse_hub(text, "x.toml").warnings == ()
    back = read_document(text, KEYS).values
    assert back == {key: KEYS[key].read(answer) for key, answer in answers.items()}
    assert text.startswith(
        f"# Figures from: {source}\n" if source else "# Where these figures come from was not"
    )


def test_the_comments_stand_beside_their_keys() -> None:
    answers: dict[str, Answer] = {
        "title": "Heron GT rear hub",
        "unit": "mm",
        "end_play.least": Decimal("0.03"),
        "end_play.most": Decimal("0.20"),
        "shim.effect": "closes",
        "shim.sizes": {"from": Decimal("2.40"), "to": Decimal("3.75"), "step": Decimal("0.05")},
        "nut.torque": "135 N·m",
    }
    text = write_hub(answers, "sheet 12")
    for line in (
        'unit = "mm"                       # of every length below',
        'effect = "closes"                 # a thicker shim gives less end play',
        "sizes = { from = 2.40, to = 3.75, step = 0.05 }",
        "most = 0.20                       # allowed, itself included",
    ):
        assert line in text.splitlines()


@pytest.mark.parametrize(
    ("key", "answer", "says"),
    [
        ("end_play.most", Decimal("0.01"), "end_play.least: 0.03 is more than end_play.most, 0.01"),
        ("end_play.most", Decimal(60), "60 mm is longer than 50 mm"),
        ("shim.trial", Decimal("2.6"), "2.6 is not among shim.sizes"),
        ("nut.tolerance", "150 N·m", "is no tolerance"),
        ("nut.torque", "135", "has no unit of torque"),
        ("nut.slots", 25, "25 is no whole number from 1 to 24"),
    ],
)
def test_an_answer_that_cannot_stand(key: str, answer: Answer, says: str) -> None:
    before: dict[str, Answer] = {
        "unit": "mm",
        "end_play.least": Decimal("0.03"),
        "shim.sizes": [Decimal("2.5")],
        "nut.torque": "135 N·m",
    }
    wrong = check_answer(before, key, answer)
    assert len(wrong) == 1
    assert says in wrong[0]


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [("0.20", "mm", "0.20"), ("0,20 mm", "mm", "0.20"), (" .5in", "in", "0.5"), ("-1", "mm", "-1")],
)
def test_a_number(typed: str, unit: str, value: str) -> None:
    assert number_of(typed, unit) == Decimal(value)


@pytest.mark.parametrize("typed", ["", "x", "1e3", "0.2 in", "1.2.3", "nan", "0.2mm mm", "٣", "9" * 600])
def test_no_number(typed: str) -> None:
    with pytest.raises(Wrong, match="is no number: write it in mm"):
        number_of(typed, "mm")


@pytest.mark.parametrize(
    ("typed", "sizes"),
    [
        ("2.40 2.45 2.50", ["2.40", "2.45", "2.50"]),
        ("2.40, 2.45,2.50", ["2.40", "2.45", "2.50"]),
        ("2,40 2,45", ["2.40", "2.45"]),
        ("2,40; 2,45", ["2.40", "2.45"]),
        ("2.40mm 2.45 mm", ["2.40", "2.45"]),
        ("3", ["3"]),
    ],
)
def test_sizes_in_a_list(typed: str, sizes: list[str]) -> None:
    assert sizes_of(typed, "mm") == [Decimal(size) for size in sizes]


@pytest.mark.parametrize(
    "typed",
    ["2.40 to 3.75 step 0.05", "2,40mm to 3,75mm step 0,05mm", "2.40 to 3.75 in steps of 0.05"],
)
def test_sizes_in_a_range(typed: str) -> None:
    parts = {"from": Decimal("2.40"), "to": Decimal("3.75"), "step": Decimal("0.05")}
    assert sizes_of(typed, "mm") == parts


def test_a_range_without_a_step_and_sizes_that_are_none() -> None:
    with pytest.raises(Wrong, match=r"is no range: write such as 2\.40 to 3\.75 step 0\.05"):
        sizes_of("2.40 to 3.75", "mm")
    with pytest.raises(Wrong, match="is no number"):
        sizes_of("2.40 thick", "mm")


def test_other_answers() -> None:
    assert whole_of(" 6 ") == 6
    assert one_typed("BACK  off", LineUp) == "back off"
    assert one_typed("t", LineUp) == "tighten"
    assert words_typed("  a b ") == "a b"
    for read in (whole_of, lambda text: one_typed(text, LineUp), words_typed):
        with pytest.raises(Wrong):
            read("six\x07" + "x" * LONGEST_ANSWER)
    with pytest.raises(Wrong, match='"" is unknown: write tighten or back off'):
        one_typed("", LineUp)
