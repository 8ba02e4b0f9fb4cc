"""What is written as TOML is read again as it was."""

from __future__ import annotations

import tomllib
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from capture.profile_text import toml_of


def test_tables_lists_and_bytes() -> None:
    text = toml_of(
        {
            "name": 'a "name"',
            "sends": "asked",
            "text": {"pattern": r"(?P<value>\d+)", "units": {"0": "mm", '"': "in"}, "signs": {"": "+"}},
            "framing": {"start": b"\xaa\x55", "marks": [{"at": 0, "value": 1}], "checksum": {"kind": "xor"}},
            "serial": {"dtr": True, "period": Decimal("0.05")},
            "examples": [{"frame": b"\x01", "value": "1"}, {"frame": "+0.5", "value": "0.5"}],
        },
        comments=("made\nhere",),
    )
    assert text.startswith("# made here\n")
    assert tomllib.loads(text) == {
        "name": 'a "name"',
        "sends": "asked",
        "text": {"pattern": r"(?P<value>\d+)", "units": {"0": "mm", '"': "in"}, "signs": {"": "+"}},
        "framing": {"start": [0xAA, 0x55], "marks": [{"at": 0, "value": 1}], "checksum": {"kind": "xor"}},
        "serial": {"dtr": True, "period": 0.05},
        "examples": [{"frame": [1], "value": "1"}, {"frame": "+0.5", "value": "0.5"}],
    }


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=30))
def test_any_text_comes_back(text: str) -> None:
    assert tomllib.loads(toml_of({"text": {"pattern": text, "units": {text: "mm"}}})) == {
        "text": {"pattern": text, "units": {text: "mm"}}
    }
