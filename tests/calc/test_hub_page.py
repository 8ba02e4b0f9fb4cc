"""The page on hub files says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calc import hub
from calc.limits import State
from calc.toml_table import Needed

PAGE = (Path(__file__).parents[2] / "docs" / "hub-files.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
ROWS = re.findall(r"^\| `([a-z_.]+)` \| .* \| ([^|]*) \|$", PAGE, re.MULTILINE)


@pytest.mark.parametrize("text", EXAMPLES)
def test_an_example_is_a_hub_file(text: str) -> None:
    assert hub.parse_hub(text, "example").warnings == ()


def test_every_key_has_its_row_and_every_row_its_key() -> None:
    assert [key for key, _ in ROWS] == list(hub._KEYS)


@pytest.mark.parametrize(("key", "left_out"), ROWS)
def test_a_row_says_whether_its_key_is_needed(key: str, left_out: str) -> None:
    needed = hub._KEYS[key].needed
    table = key.rpartition(".")[0]
    if needed is Needed.ALWAYS:
        assert left_out == "needed"
    elif needed is Needed.WITH_ITS_TABLE:
        assert left_out == f"needed with `[{table}]`"
    else:
        assert not left_out.startswith("needed")


def test_the_page_names_every_state_and_bound() -> None:
    for state in State:
        assert f"| {state} |" in PAGE
    assert f"above {hub.MOST_MM} mm is refused" in PAGE
