"""Profile files: everything in one is used, and every mistake is named with its key and line."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from calc.units import Unit
from capture.checksums import Checksum
from capture.errors import ProfileError, ProfileProblem
from capture.flags import Flag
from capture.framing import BadFrame
from capture.packed_format import Bits, Packed, PackedFormat
from capture.packets import Mark, MarkedFraming, SizedFraming
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


PACKED = """
name = "bench packets"
sends = "asked"

[gauge]
unit = "mm"

[serial]
request = [0x05, 0x0D]
period = 0.25

[framing]
start = [0xAA]
length = 8
marks = [{ at = 5, mask = 0xF0, value = 0x30 }]
checksum = { kind = "xor", first = 1 }

[packed]
value = { at = 1, width = 3, coding = "bcd" }
sign = { at = 4, mask = 0x80 }
decimals = 3
scale_in = 0.0005
unit = { at = 4, mask = 0x01 }
error = { at = 4, mask = 0x08 }
hold = { at = 4, mask = 0x02 }
low_battery = { at = 4, mask = 0x04 }

[[examples]]
frame = [0xAA, 0x00, 0x12, 0x34, 0x82, 0x31, 0x00, 0x95]
value = "-1.234"
unit = "mm"
flags = ["hold"]
"""


def test_everything_in_a_packed_file_is_used() -> None:
    profile = parse_profile(PACKED, "x.toml")
    assert profile.sends == "asked"
    assert (profile.settings.request, profile.settings.period_s) == (b"\x05\r", 0.25)
    assert profile.framing == SizedFraming(
        b"\xaa", 8, marks=(Mark(5, 0xF0, 0x30),), checksum=Checksum("xor", first=1)
    )
    assert profile.parse == PackedFormat(
        Packed(1, 3, coding="bcd"),
        sign=Bits(4, 0x80),
        scale={Unit.MM: Decimal("0.001"), Unit.INCH: Decimal("0.0005")},
        unit=Bits(4, 1),
        error=Bits(4, 8),
        flags={Flag.HOLD: Bits(4, 2), Flag.LOW_BATTERY: Bits(4, 4)},
    )
    assert profile.source == PACKED


def test_texts_may_have_marks_signs_and_flags() -> None:
    text = r"""
        [framing]
        start = "\u0002"
        end = [3]
        trailer = 1
        most_bytes = 30
        checksum = { kind = "sum8" }
        [text]
        pattern = '(?P<sign>[PN])(?P<value>[0-9]+)(?P<unit>[MI])(?P<flags>.?)'
        decimals = 3
        decimals_in = 4
        units = { M = "mm", I = "in" }
        signs = { P = "+", N = "-" }
        flags = { "!" = "low battery" }
    """
    profile = parse_profile(text, "x.toml")
    assert profile.framing == MarkedFraming(b"\x03", b"\x02", 1, Checksum("sum8"), 30)
    assert profile.parse(b"N1234M") == (Decimal("-1.234"), Unit.MM)
    assert profile.parse(b"P1234I") == (Decimal("0.1234"), Unit.INCH)
    assert profile.read_flags is not None
    assert profile.read_flags(b"P1234I!") == {Flag.LOW_BATTERY}
    assert profile.read_flags(b"P1234I?") == frozenset()


def test_a_stream_of_packets_without_checksum_must_repeat_itself() -> None:
    bare = "[framing]\nstart = [1]\nlength = 4\n[packed]\nvalue = { at = 1, width = 3 }\n"
    assert parse_profile(bare, "x").framing == SizedFraming(b"\x01", 4, confirm=True)
    button = 'sends = "button"\n' + bare
    assert parse_profile(button, "x").framing == SizedFraming(b"\x01", 4)


@pytest.mark.parametrize(
    ("was", "now", "key", "said"),
    [
        ('sends = "asked"', 'sends = "button"', "sends", "exactly where the table [serial] has a request"),
        ("request = [0x05, 0x0D]", "", "sends", "exactly where"),
        ("request = [0x05, 0x0D]", "request = [256]", "serial.request", "list of bytes"),
        ("request = [0x05, 0x0D]", 'request = "\u20ac"', "serial.request", "list of bytes"),
        ("period = 0.25", "period = 0", "serial.period", "from 0.01 to 60"),
        ("start = [0xAA]", "start = []", "framing.start", "list of bytes"),
        ("start = [0xAA]", f"start = {[1] * 17}", "framing.start", "at most 16 bytes"),
        ("length = 8", "length = 200", "framing.length", "more than most_bytes"),
        ("length = 8", "length = 4", "packed", "reads byte 4, counted from 0, and a frame has 4"),
        ("length = 8", "length = 4", "framing.marks", "names byte 5, and a frame has 4"),
        ("length = 8", "length = 8\nlength_at = 1", "framing.length_at", "cannot stand beside length"),
        ("length = 8", "length = 8\ntrailer = 1", "framing.trailer", "no meaning beside a length"),
        ("length = 8", "length_at = 1\nend = [3]", "framing.end", "no meaning beside length_at"),
        ("length = 8", "", "framing.start", "needs an end, or a length"),
        ("length = 8", "", "framing.marks", "needs a length"),
        ("length = 8", "end = [3]\ntrailer = 1", "framing.marks", "needs a length"),
        ("value = 0x30 }]", "value = 0x31 }]", "framing.marks", "has bits that the mask"),
        ('kind = "xor"', 'kind = "xro"', "framing.checksum", "kind: 'xro' must be one of xor"),
        ('kind = "xor", ', "", "framing.checksum", "needs kind"),
        ("first = 1 }", "first = 1, at = 9 }", "framing.checksum", "outside of a frame of 8 bytes"),
        ("first = 1 }", "fist = 1 }", "framing.checksum", 'has no "fist"'),
        ("width = 3", "width = 9", "packed.value", "width: 9 must be a whole number from 1 to 8"),
        ("at = 1, width = 3", "width = 3", "packed.value", "needs at"),
        ('"bcd" }', '"bcd", mask = 0x1000000 }', "packed.value", "a mask of more than 3 bytes"),
        ("value = { at = 1", "valeu = { at = 1", "packed.valeu", 'did you mean "value"?'),
        ("mask = 0x80 }", "mask = 0 }", "packed.sign", "mask: 0 must be"),
        ("decimals = 3", "decimals = 3\nscale = 0.001", "packed.decimals", "cannot stand beside scale"),
        ("scale_in = 0.0005", "scale_in = 0", "packed.scale_in", "must be a number from"),
        ("[packed]", "[text]\npattern = '(?P<value>.)'\n[packed]", "packed", "cannot stand beside [text]"),
        ('flags = ["hold"]', 'flags = ["holt"]', "examples[0].flags", "must be one of hold, low battery"),
        ('flags = ["hold"]', "", "examples", "gives hold, not no flag"),
        ("0x95]", "0x96]", "examples", "is garbled: its checksum is wrong|is no whole frame"),
        ("0x95]", "0x95, 0xAA]", "examples", "bytes are left over at its end"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_packed_file(was: str, now: str, key: str, said: str) -> None:
    assert was in PACKED
    found = {problem.key: problem.text for problem in problems(PACKED.replace(was, now, 1))}
    assert key in found
    assert any(one in found[key] for one in said.split("|"))


def test_flags_and_their_group_go_together() -> None:
    for text in (
        "[text]\npattern = '(?P<value>.)(?P<flags>.)'\n",
        "[text]\npattern = '(?P<value>.)'\nflags = { H = \"hold\" }\n",
    ):
        assert [problem.key for problem in problems(text)] == ["text.flags"]
    (problem,) = problems("[text]\npattern = '(?P<value>.)(?P<flags>.)'\nflags = { HH = \"hold\" }\n")[:1]
    assert "one character for each flag" in problem.text


def test_what_marks_no_beginning_is_no_framing() -> None:
    (problem,) = problems("[framing]\nlength = 3\n[packed]\nvalue = { at = 0, width = 3 }\n")
    assert problem.key == "framing"
    assert "nothing else says where a frame begins" in problem.text
