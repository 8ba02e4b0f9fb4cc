"""docs/gauges.md says what the program does: its tables are read and tried."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from capture.line import parse_line
from capture.links import SCHEMES, open_link
from capture.links.ble import OPTIONS as BLE_OPTIONS
from capture.links.simulated import OPTIONS
from capture.profile_files import parse_profile
from capture.profiles import SerialSettings

PAGE = (Path(__file__).parents[2] / "docs" / "gauges.md").read_text(encoding="utf-8")


def table(head: str) -> list[list[str]]:
    """The cells of the table with this header, the first one without its code marks."""
    _, found, rest = PAGE.partition(f"| {head} |\n")
    assert found
    rows = [line.strip("|").split(" | ") for line in rest.split("\n\n")[0].splitlines()[1:]]
    return [[row[0].strip().strip("`"), *(cell.strip() for cell in row[1:])] for row in rows]


@pytest.mark.parametrize(("sent", "meaning"), table("sent | read as"))
def test_lines_that_are_read(sent: str, meaning: str) -> None:
    parsed = parse_line(sent.encode())
    assert not isinstance(parsed, str)
    value, unit = parsed
    assert meaning == (f"{value} {unit}" if unit else f"{value}")


@pytest.mark.parametrize(("sent", "why"), table("sent | why it is garbled"))
def test_lines_that_are_garbled(sent: str, why: str) -> None:
    assert parse_line(sent.encode()) == why


def test_every_profile_on_the_page_is_one() -> None:
    samples = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert len(samples) == 2
    for sample in samples:
        assert tomllib.loads(sample)
        parse_profile(sample, "docs/gauges.md")


def test_every_link_on_the_page_is_known() -> None:
    urls = re.findall(r"`([a-z0-9]+:[^`]*)`", PAGE.split("## Links")[1])
    assert {url.partition(":")[0] for url in urls} == set(SCHEMES)
    for url in urls:
        open_link(url)


def test_every_option_is_on_the_page() -> None:
    assert dict(table("option | what it sets")) == OPTIONS
    assert dict(table("Bluetooth option | what it sets")) == BLE_OPTIONS
    serial = {row[0]: row[2] for row in table("option | values | without it")}
    plain = SerialSettings()
    fields = {name.removesuffix("_s"): name for name in plain.__dataclass_fields__}
    assert list(serial) == list(fields)
    for option, default in serial.items():
        value = getattr(plain, fields[option])
        assert default == {None: "the driver's", False: "off", b"": "nothing"}.get(value, str(value))
