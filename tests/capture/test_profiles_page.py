"""docs/profiles.md says what profile files may hold: its tables and its sample are read and compared."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from capture.checksums import KINDS
from capture.packed_format import CODINGS
from capture.profile_files import built_in_names, parse_profile
from capture.profile_keys import KEYS

PAGE = (Path(__file__).parents[2] / "docs" / "profiles.md").read_text(encoding="utf-8")


def tables(head: str) -> list[list[tuple[str, str]]]:
    """Every table with this header: its rows, the first cell without its code marks."""
    found = []
    for part in PAGE.split(f"| {head} |\n")[1:]:
        rows = [line.strip("|").split(" | ", 1) for line in part.split("\n\n")[0].splitlines()[1:]]
        found.append([(row[0].strip().strip("`"), row[1].strip()) for row in rows])
    return found


@pytest.mark.parametrize("number", range(len(KEYS)))
def test_every_key_is_on_the_page(number: int) -> None:
    names = list(KEYS)
    assert len(tables("key | what it says")) == len(names)
    assert {key for key, _ in tables("key | what it says")[number]} == set(KEYS[names[number]])


def test_every_built_in_profile_is_on_the_page() -> None:
    ((*rows,),) = tables("name | what is sent")
    assert [name for name, _ in rows] == list(built_in_names())


def test_every_checksum_and_coding_is_on_the_page() -> None:
    ((*kinds,),) = tables("kind | what it is")
    assert kinds == [(name, meaning) for name, (_, _, meaning) in KINDS.items()]
    ((*codings,),) = tables("coding | what it is")
    assert [name for name, _ in codings] == list(CODINGS)


def test_the_sample_is_a_profile() -> None:
    (sample,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert len(parse_profile(sample, "docs/profiles.md").examples) == 2
