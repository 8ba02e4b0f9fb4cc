"""Profile files: everything in one is used, and every mistake is named with its key and line."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from calc.units import Unit
from capture.errors import ProfileError, ProfileProblem
from capture.framing import BadFrame
from capture.profile_files import load_profile, parse_profile
from capture.profiles import LINE, Example, LineFraming, SerialSettings
from capture.readings import Garbled, Gauge, Reading

WHOLE = r"""
name = "bench gauge"
title = "an invented gauge for the tests"

[gauge]
unit = "in"
resolution = 0.0005
range = "25.4mm"
permissible_error = 0.001
permissible_error_source = "data sheet, page 3"

[serial]
baud = 4800
bytesize = 7
parity = "even"
stopbits = 2
rtscts = true
xonxoff = false
dsrdtr = true
dtr = true
rts = false

[framing]
most_bytes = 20

[text]
pattern = '[0-9]{2}A(?P<sign>[+-])(?P<value>[0-9]+)(?P<unit>[MI])?'
decimals = 4
units = { "M" = "mm", "I" = "in" }

[[examples]]
frame = "01A+0012345"
value = "1.2345"

[[examples]]
frame = "01A-0012345M"
value = "-1.2345"
unit = "mm"

[[examples]]
frame = "01A ERR"
value = "garbled"
"""


def problems(text: str) -> tuple[ProfileProblem, ...]:
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "x.toml")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("profile x.toml: ")
    return caught.value.problems


def test_everything_in_a_file_is_used() -> None:
    profile = parse_profile(WHOLE, "x.toml")
    assert (profile.name, profile.title) == ("bench gauge", "an invented gauge for the tests")
    assert profile.gauge == Gauge(Unit.INCH, 0.0127, 25.4, 0.0254, "data sheet, page 3")
    assert profile.settings == SerialSettings(4800, 7, "even", 2.0, True, False, True, True, False)
    assert profile.framing == LineFraming(20)
    assert profile.examples[1] == Example(b"01A-0012345M", Decimal("-1.2345"), Unit.MM)
    assert profile.decode(b"01A-0012345", None, 3.0) == Reading(Decimal("-1.2345"), Unit.INCH, 3.0)
    assert isinstance(profile.decode(b"01A-00", None, 3.0), Reading)
    assert isinstance(profile.decode(b"+0.5", None, 3.0), Garbled)
    assert isinstance(profile.framing.framer().feed(b"x" * 21)[0], BadFrame)


def test_without_a_pattern_the_lines_are_those_of_the_profile_line() -> None:
    profile = parse_profile('[gauge]\nunit = "mm"\nresolution = 0.001\n', "my.toml")
    assert profile.parse is LINE.parse
    assert profile.name == "my.toml"
    assert profile.gauge == Gauge(Unit.MM, 0.001)
    assert parse_profile("", "x").settings == SerialSettings()


def test_a_name_or_a_file(tmp_path: Path) -> None:
    assert load_profile("line") is LINE
    path = tmp_path / "gauge.toml"
    path.write_text(WHOLE, encoding="utf-8-sig")  # as some editors save it
    assert load_profile(str(path)).name == "bench gauge"
    for name, said in (
        ("lines", "is not built in; give one of line"),
        (str(tmp_path / "none.toml"), "cannot be read: No such file"),
        (str(tmp_path), "cannot be read: Is a directory"),
    ):
        with pytest.raises(ProfileError, match=said):
            load_profile(name)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ProfileError, match="not UTF-8"):
        load_profile(str(path))
    path.write_bytes(b"#" * 200_000)
    with pytest.raises(ProfileError, match="larger than 100000 bytes"):
        load_profile(str(path))


@pytest.mark.parametrize(
    ("was", "now", "key", "said"),
    [
        ("baud = 4800", "baud = 0", "serial.baud", "0 must be a whole number from 50 to 4000000"),
        ("baud = 4800", "baud = true", "serial.baud", "True must be a whole number"),
        ("baud = 4800", 'baud = "4800"', "serial.baud", "'4800' must be a whole number"),
        ("baud = 4800", "boud = 4800", "serial.boud", 'did you mean "baud"?'),
        ("bytesize = 7", "bytesize = 9", "serial.bytesize", "from 5 to 8"),
        ('parity = "even"', 'parity = "E"', "serial.parity", "one of none, even, odd"),
        ("stopbits = 2", "stopbits = 3", "serial.stopbits", "must be 1, 1.5 or 2"),
        ("rtscts = true", "rtscts = 1", "serial.rtscts", "must be true or false"),
        ('unit = "in"', 'unit = "cm"', "gauge.unit", "'cm' must be one of mm, in"),
        ("resolution = 0.0005", "resolution = -1", "gauge.resolution", "must be above 0"),
        ("resolution = 0.0005", "resolution = nan", "gauge.resolution", "must be above 0"),
        ("resolution = 0.0005", 'resolution = "5"', "gauge.resolution", "has no unit"),
        ("resolution = 0.0005", "resolution = true", "gauge.resolution", "must be a length"),
        ("most_bytes = 20", "most_bytes = 0", "framing.most_bytes", "from 1 to 4096"),
        ("decimals = 4", "decimals = 10", "text.decimals", "from 0 to 9"),
        ('"M" = "mm", "I" = "in"', "", "text.units", "must say what each unit text means"),
        ('"M" = "mm"', '"M" = "m"', "text.units", "'m' must be one of mm, in"),
        ("(?P<value>[0-9]+)", "(?P<value>[0-9]+", "text.pattern", "is no pattern"),
        ("(?P<value>[0-9]+)", "([0-9]+)", "text.pattern", "needs the group"),
        ("(?P<sign>[+-])", "(?P<sing>[+-])", "text.pattern", "no other named group"),
        ("pattern = '", "patern = '", "text.patern", 'did you mean "pattern"?'),
        ('title = "an', 'tilte = "an', "tilte", 'did you mean "title"?'),
        ("[framing]", "[frames]", "frames", 'did you mean "framing"?'),
        ('value = "-1.2345"', 'value = "one"', "examples[1]", "needs frame"),
        ('value = "-1.2345"', "", "examples[1]", "needs frame"),
        ('value = "-1.2345"', 'value = "1.2345"', "examples", "gives -1.2345 mm, not 1.2345 mm"),
        ('value = "garbled"', 'value = "5"', "examples", "should give 5 but is garbled"),
    ],
)
def test_a_mistake_is_named_with_its_key_and_line(was: str, now: str, key: str, said: str) -> None:
    assert was in WHOLE
    text = WHOLE.replace(was, now, 1)
    found = {problem.key: problem for problem in problems(text)}
    assert said in found[key].text
    line = found[key].line
    assert line is not None
    # the line is the key's own, or where its table begins
    own = text.splitlines()[line - 1].strip()
    assert own.split("=")[0].strip() == key.rpartition(".")[2] or own.strip("[]") == key.partition("[")[0]


def test_a_text_that_is_no_table() -> None:
    assert [(p.key, p.text) for p in problems("serial = 5\n")] == [("serial", "must be a table")]
    assert [p.key for p in problems("[examples]\nframe = 'x'\n")] == ["examples"]
    assert [p.key for p in problems("text = 3\n")] == ["text"]
    assert [p.key for p in problems("[text]\ndecimals = 2\n")] == ["text"]


def test_a_number_without_the_gauges_unit_is_no_length() -> None:
    (problem,) = problems("[gauge]\nresolution = 0.01\n")
    assert problem == ProfileProblem(
        "gauge.resolution", 2, 'has no unit; write unit = "mm" above it, or "0.01mm"'
    )


def test_every_mistake_is_reported_at_once() -> None:
    text = (
        WHOLE.replace("baud = 4800", "baud = 1")
        .replace('unit = "in"', 'unit = "cm"', 1)
        .replace("rtscts", "rtcts")
    )
    assert {problem.key for problem in problems(text)} >= {"serial.baud", "gauge.unit", "serial.rtcts"}


def test_what_is_no_toml_says_where() -> None:
    (problem,) = problems('name = "x"\nbaud 4800\n')
    assert "is no TOML" in problem.text
    assert "line 2" in problem.text
