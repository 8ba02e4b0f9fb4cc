"""The page on hub files says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calc import hub_keys
from calc.hub import Step, parse_hub
from calc.limits import State
from calc.toml_table import Needed

PAGE = (Path(__file__).parents[2] / "docs" / "hub-files.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
SHOWN = re.findall(r"^\| `([a-z_.<>[\]]+)` \| .* \| ([^|]*) \|$", PAGE, re.MULTILINE)
ROWS = [
    (key.replace("<step>", step), left_out)
    for key, left_out in SHOWN
    for step in (Step if "<step>" in key else [""])
]
VARIED = {key.removeprefix("variant[].") for key in hub_keys.KEYS if key.startswith("variant[].")}
OWN = {"name", "title", "tell_by"}


@pytest.mark.parametrize("text", EXAMPLES)
def test_an_example_is_a_hub_file(text: str) -> None:
    assert parse_hub(text, "example").warnings == ()


def test_every_key_has_its_row_and_every_row_its_key() -> None:
    keys = [key for key in hub_keys.KEYS if not key.startswith("variant[].")]
    assert sorted(key for key, _ in ROWS) == sorted([*keys, *(f"variant[].{key}" for key in OWN)])


def test_the_page_says_what_a_variant_may_say_anew() -> None:
    told = (
        "say anew what stands in `[end_play]`, `[shim]`, `[nut]`, `[seals]` and `[steps]`, "
        "and `lubricant` and `fit`"
    )
    assert told in " ".join(PAGE.split())
    tables = ("end_play.", "shim.", "nut.", "seals.", "steps.")
    wanted = {key for key in hub_keys.KEYS if key.startswith(tables) or key in {"lubricant", "fit"}}
    assert wanted == VARIED - OWN


@pytest.mark.parametrize(("key", "left_out"), ROWS)
def test_a_row_says_whether_its_key_is_needed(key: str, left_out: str) -> None:
    needed = hub_keys.KEYS[key].needed
    table = key.rpartition(".")[0]
    if needed is Needed.ALWAYS:
        assert left_out == (f"needed with `[[{table.removesuffix('[]')}]]`" if "[]" in table else "needed")
    elif needed is Needed.WITH_ITS_TABLE:
        assert left_out == f"needed with `[{table}]`"
    else:
        assert not left_out.startswith("needed")


def test_the_page_names_every_step() -> None:
    told = PAGE.partition("The job has six steps:")[2].partition(".")[0]
    assert re.findall(r"`([a-z]+)`", told) == list(Step)


def test_the_page_names_every_state_and_bound() -> None:
    for state in State:
        assert f"| {state} |" in PAGE
    assert f"above {hub_keys.MOST_MM} mm is refused" in PAGE
