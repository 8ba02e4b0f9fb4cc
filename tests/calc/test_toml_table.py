"""Lines of keys in a TOML text, and the words for a problem."""

from __future__ import annotations

import pytest

from calc.toml_table import Key, Needed, Problem, key_lines, read_document, shown, words_of

TEXT = '''\
# title = "no"
title = """
[not.a.table]
least = 1
"""
"quoted key" = 1
a.b = 2
[ end_play ]  # the limits
least=0.03
list = [
    "x = 1",
    2,
]
[shim . sizes]
from = 1
[[variant]]
name = \'\'\'one line\'\'\'
after = 1
[[variant]]
name = "second"
[variant.deep]
down = 1
'''


def test_lines_of_keys() -> None:
    assert key_lines(TEXT) == {
        "title": 2,
        "quoted key": 6,
        "a.b": 7,
        "end_play": 8,
        "end_play.least": 9,
        "end_play.list": 10,
        "shim.sizes": 14,
        "shim.sizes.from": 15,
        "variant": 16,
        "variant[1]": 16,
        "variant[1].name": 17,
        "variant[1].after": 18,
        "variant[2]": 19,
        "variant[2].name": 20,
        "variant[2].deep": 21,
        "variant[2].deep.down": 22,
    }


def test_a_key_that_is_needed_with_its_table_only() -> None:
    keys = {"a.b": Key(words_of, Needed.WITH_ITS_TABLE), "a.c": Key(words_of)}
    assert read_document("", keys).problems == []
    assert read_document('[a]\nc = "x"', keys).problems == [Problem("a.b", 1, "is missing")]
    assert read_document('[a]\nb = "x"', keys).values == {"a.b": "x"}


def test_a_key_with_a_wrong_value_is_not_missing_too() -> None:
    document = read_document("a = 1", {"a": Key(words_of, Needed.ALWAYS)})
    assert [p.text for p in document.problems] == ["1 is no text: put it in quotes"]


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (Problem("a.b", 3, "is wrong"), "line 3, a.b: is wrong"),
        (Problem("a.b", None, "is wrong"), "a.b: is wrong"),
        (Problem("", 3, "is wrong"), "line 3: is wrong"),
        (Problem("", None, "is wrong"), "is wrong"),
    ],
)
def test_a_problem_in_words(problem: Problem, text: str) -> None:
    assert str(problem) == text


ROWS = {"x": Key(words_of), "row[].a": Key(words_of, Needed.WITH_ITS_TABLE), "row[].b": Key(words_of)}


def test_tables_of_an_array_are_numbered_from_one() -> None:
    document = read_document('[[row]]\na = "one"\n[[row]]\na = "two"\nb = "more"\n', ROWS)
    assert document.problems == []
    assert document.rows("row") == ["row[1]", "row[2]"]
    assert document.values == {"row[1].a": "one", "row[2].a": "two", "row[2].b": "more"}


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[[row]]\na = "x"\n[[row]]\nb = "y"\n', Problem("row[2].a", 3, "is missing")),
        ('[[row]]\na = "x"\n[[row]]\na = 1\n', Problem("row[2].a", 4, "1 is no text: put it in quotes")),
        ('[[row]]\na = "x"\naa = 1\n', Problem("row[1].aa", 3, "is unknown: is row.a meant?")),
        ('[[row]]\na = "x"\nx = "y"\n', Problem("row[1].x", 3, "is unknown here: is x meant?")),
        ('row = "x"', Problem("row", 1, '"x" is no list of tables: write [[row]] above the keys of each')),
        ("row = [1]", Problem("row", 1, "a list is no list of tables: write [[row]] above the keys of each")),
    ],
)
def test_mistakes_in_an_array_of_tables(text: str, problem: Problem) -> None:
    assert read_document(text, ROWS).problems == [problem]


def test_no_table_of_an_array_is_no_mistake_by_itself() -> None:
    assert read_document('x = "y"', ROWS).problems == []


def test_a_value_in_a_message_is_short_and_on_one_line() -> None:
    assert shown("a\nb" + "c" * 100) == '"a?b' + "c" * 33 + "..."
    assert (shown({}), shown([1]), shown(True), shown(10**5000)) == (
        "a table",
        "a list",
        "true",
        "a number of many digits",
    )
