"""Hub files: the Heron GT's four, and every mistake by its key and line."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.errors import CalcError
from calc.hub import (
    MOST_BYTES,
    Aim,
    Effect,
    Hub,
    HubFileError,
    LineUp,
    Nut,
    load_hub,
    parse_hub,
)
from calc.limits import Decision, Limits
from calc.toml_table import Problem
from calc.torque import parse_torque
from calc.units import Unit, to_mm

HUBS = Path(__file__).parents[2] / "fixtures" / "hubs"
GOOD = """\
title = "Heron GT rear hub, pressed spindle"
unit = "mm"
[end_play]
least = 0.03
most = 0.20
[shim]
effect = "opens"
sizes = { from = 2.40, to = 3.75, step = 0.05 }
trial = 3.75
aim = "tightest"
[nut]
torque = "135 N·m"
slots = 6
pin_holes = 2
"""


def mistakes(text: str) -> list[str]:
    with pytest.raises(HubFileError) as caught:
        parse_hub(text, "heron.toml")
    assert caught.value.path == "heron.toml"
    assert str(caught.value).startswith("heron.toml: ")
    assert str(caught.value).isprintable()
    return [str(problem) for problem in caught.value.problems]


def test_the_rear_hub() -> None:
    hub = load_hub(HUBS / "heron-rear.toml")
    assert (hub.title, hub.unit) == ("Heron GT rear hub, pressed spindle", Unit.MM)
    assert hub.limits == Limits(0.03, 0.20)
    assert (hub.effect, hub.aim, hub.decision) == (Effect.OPENS, Aim.TIGHTEST, Decision.SIMPLE)
    assert (hub.sizes_mm[0], hub.sizes_mm[-1], len(hub.sizes_mm), hub.trial_mm) == (2.4, 3.75, 28, 3.75)
    assert hub.nut == Nut(
        parse_torque("135 N·m"),
        6,
        2,
        LineUp.TIGHTEN,
        tolerance=parse_torque("7 N·m"),
        most=parse_torque("160 N·m"),
        thread_pitch_mm=1.5,
        washer="the thin flat washer, 3 mm",
    )
    assert (hub.shim_u_mm, hub.reassembly_u_mm) == (0.002, 0.004)
    assert hub.text == (HUBS / "heron-rear.toml").read_text(encoding="utf-8")
    assert hub.path == str(HUBS / "heron-rear.toml")
    assert len(hub.cautions) == 3
    assert hub.warnings == ()


def test_the_inch_rear_hub() -> None:
    hub = load_hub(HUBS / "heron-rear-inch.toml")
    assert hub.unit is Unit.INCH
    assert hub.limits == Limits(0.0254, 0.2032)
    assert (hub.sizes_mm[0], hub.sizes_mm[12], hub.sizes_mm[-1]) == (2.3876, 2.9972, 3.7592)
    assert hub.nut
    assert hub.nut.torque.text == "100 lb·ft (136 N·m)"


@pytest.mark.parametrize("name", ["heron-front.toml", "heron-front-inch.toml"])
def test_a_front_hub_has_no_shims(name: str) -> None:
    hub = load_hub(HUBS / name)
    assert (hub.effect, hub.sizes_mm, hub.trial_mm) == (None, (), None)
    assert hub.nut
    assert hub.nut.line_up is LineUp.BACK_OFF


@pytest.mark.parametrize("path", sorted(HUBS.glob("*.toml")), ids=lambda p: p.name)
def test_every_hub_file_here_is_good(path: Path) -> None:
    hub = load_hub(path)
    assert hub.warnings == ()
    assert hub.title.startswith("Heron GT ")


def test_the_least_that_a_hub_file_says() -> None:
    hub = parse_hub('title = "x"\nunit = "in"\n[end_play]\nleast = 0\nmost = 0.008\n', "x.toml")
    text = hub.text
    assert hub == Hub(title="x", unit=Unit.INCH, limits=Limits(0.0, 0.2032), text=text, path="x.toml")


@given(st.integers(1, 500), st.integers(0, 60), st.integers(0, 3), st.sampled_from(Unit))
def test_every_size_of_a_range_is_exact(first: int, steps: int, decimals: int, unit: Unit) -> None:
    step = Decimal(5).scaleb(-decimals - 2)
    start = Decimal(first).scaleb(-3)
    table = f"{{ from = {start:f}, to = {start + steps * step:f}, step = {step:f} }}"
    if to_mm(start + steps * step, unit) > 50:
        return
    text = GOOD.replace("{ from = 2.40, to = 3.75, step = 0.05 }", table).replace('"mm"', f'"{unit}"')
    text = text.replace("trial = 3.75\n", "")
    hub = parse_hub(text, "heron.toml")
    assert hub.sizes_mm == tuple(to_mm(start + n * step, unit) for n in range(steps + 1))


def test_a_list_of_sizes_and_a_table_of_them() -> None:
    listed = parse_hub(GOOD.replace("{ from = 2.40, to = 3.75, step = 0.05 }", "[2.40, 3.0, 3.75]"), "x")
    assert listed.sizes_mm == (2.4, 3.0, 3.75)
    table = GOOD.replace("sizes = { from = 2.40, to = 3.75, step = 0.05 }\n", "")
    table += "[shim.sizes]\nfrom = 2.40\nto = 3.75\nstep = 0.05\n"
    assert parse_hub(table, "x").sizes_mm == parse_hub(GOOD, "x").sizes_mm


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "least = 0.03",
            "least = 0.3",
            "line 4, end_play.least: 0.3 is more than end_play.most, 0.20: exchange or correct them",
        ),
        ("least = 0.03", "least = -0.03", "line 4, end_play.least: -0.03 is negative: it must be at least 0"),
        ("most = 0.20", "most = nan", "line 5, end_play.most: NaN is out of range"),
        ("most = 0.20", "most = inf", "line 5, end_play.most: Infinity is out of range"),
        ("most = 0.20", "most = 1e999999", "line 5, end_play.most: 1E+999999 is out of range"),
        ("most = 0.20", "most = 1e-999999", "line 5, end_play.most: 1E-999999 has more than 9 decimals"),
        ("most = 0.20", "most = true", "line 5, end_play.most: true is no number"),
        ("most = 0.20", 'most = "0.20"', 'line 5, end_play.most: "0.20" is no number: write it plain'),
        ("most = 0.20", "most = 200", "line 5, end_play.most: 200 mm is longer than 50 mm"),
        ("most = 0.20\n", "", "line 3, end_play.most: is missing"),
        ("[end_play]\nleast = 0.03\nmost = 0.20\n", "", "end_play.least: is missing"),
        ("[end_play]\nleast = 0.03\nmost = 0.20\n", "end_play = 3\n", "line 3, end_play: 3 is no table"),
        ('unit = "mm"', 'unit = "cm"', 'line 2, unit: "cm" is unknown: write "mm" or "in"'),
        ('unit = "mm"', "", "unit: is missing"),
        ('unit = "mm"', 'unit = "in"', "line 8, shim.sizes: 3.75 in is longer than 50 mm"),
        ('title = "Heron GT rear hub, pressed spindle"', 'title = " "', "line 1, title: is empty"),
        ('title = "Heron GT rear hub, pressed spindle"', "title = 5", "line 1, title: 5 is no text"),
        ('effect = "opens"', 'effect = "wide"', 'shim.effect: "wide" is unknown: write "opens" or "closes"'),
        ('effect = "opens"\n', "", "line 6, shim.effect: is missing"),
        ("sizes = { from = 2.40, to = 3.75, step = 0.05 }\n", "", "line 6, shim.sizes: is missing"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[]", "line 8, shim.sizes: is empty"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "3.0", "line 8, shim.sizes: 3.0 is no list of sizes"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[2.5, 2.4]", "line 8, shim.sizes: 2.4 comes after 2.5"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[2.5, 2.50]", "shim.sizes: 2.50 stands there twice"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[-2.5]", "line 8, shim.sizes: -2.5 is not above 0"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[0, 2.5]", "line 8, shim.sizes: 0 is not above 0"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", '["2.4"]', 'line 8, shim.sizes: "2.4" is no number'),
        ("step = 0.05", "step = 0.04", "0.04 does not divide the range: it meets 3.72 and 3.76, not 3.75"),
        ("step = 0.05", "step = 0", 'line 8, shim.sizes: "step": 0 is not above 0'),
        ("step = 0.05", "step = 0.000001", "line 8, shim.sizes: makes 1350001 sizes: at most 1000"),
        ("step = 0.05", "stop = 0.05", '"stop" is unknown: write { from'),
        ("step = 0.05", "stop = 0.05", '"step" is missing: write { from'),
        ("from = 2.40", "from = 4", 'line 8, shim.sizes: "from" 4 is more than "to" 3.75'),
        ('aim = "tightest"', 'aim = "loosest"', 'write "tightest" or "middle" or "surest"'),
        ("trial = 3.75", "trial = 0", "line 9, shim.trial: 0 is not above 0"),
        ("trial = 3.75", "tryal = 3.75", "line 9, shim.tryal: is unknown: is shim.trial meant?"),
        ("trial = 3.75", "torque = 5", "line 9, shim.torque: is unknown here: is nut.torque meant?"),
        ("trial = 3.75", "colour = 5", "shim.colour: is unknown: known here are aim, bin, effect, most_in"),
        ("[nut]", "[nuts]", "line 11, nuts: is unknown: is nut meant?"),
        ('"135 N·m"', '"135"', 'line 12, nut.torque: "135" has no unit of torque'),
        ('"135 N·m"', "135", "line 12, nut.torque: 135 is no text"),
        ('torque = "135 N·m"\n', "", "line 11, nut.torque: is missing"),
        ("slots = 6", "slots = 6.0", "line 13, nut.slots: 6.0 is no whole number from 1 to 24"),
        ("slots = 6", "slots = 0", "line 13, nut.slots: 0 is no whole number from 1 to 24"),
        ("pin_holes = 2", "pin_holes = 9", "line 14, nut.pin_holes: 9 is no whole number from 1 to 4"),
        ("pin_holes = 2", 'line_up = "loosen"', 'line 14, nut.line_up: "loosen" is unknown: write "tighten"'),
        ('unit = "mm"', 'unit = "mm"\ndecision = "lax"', 'line 3, decision: "lax" is unknown'),
        ('unit = "mm"', 'unit = "mm"\ncautions = "hot"', 'line 3, cautions: "hot" is no list'),
        ("[nut]", "[uncertainty]\nshim = -1\n[nut]", "line 12, uncertainty.shim: -1 is negative"),
        ("[end_play]", "[end_play", "line 3: is not TOML: expected"),
        ("slots = 6", "slots = 6\nslots = 8", "line 14: is not TOML: cannot overwrite a value"),
        ("slots = 6", "slots = " + "9" * 5000, "is not TOML: "),
        ("trial = 3.75", "trial = " + "9" * 50, "shim.trial: a number of many digits is out of range"),
        ("trial = 3.75", "trial = " + "[" * 3000 + "]" * 3000, "is not TOML: "),
        ("trial = 3.75", 'trial = "a\\u0007b"', 'line 9, shim.trial: "a?b" is no number'),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_key_and_line(old: str, new: str, says: str) -> None:
    assert old in GOOD
    found = mistakes(GOOD.replace(old, new, 1))
    assert any(says in text for text in found), found


def test_every_mistake_is_named_from_the_top_down() -> None:
    text = (
        GOOD.replace("least = 0.03", "least = 0.3")
        .replace("{ from = 2.40, to = 3.75, step = 0.05 }", "[3.0, 2.5, 2.5, -1]")
        .replace("slots = 6", "slott = 6")
        .replace('"135 N·m"', '"135 Nmm"')
    )
    found = mistakes(text)
    assert [text.partition(":")[0] for text in found] == [
        "line 4, end_play.least",
        "line 8, shim.sizes",
        "line 8, shim.sizes",
        "line 8, shim.sizes",
        "line 12, nut.torque",
        "line 13, nut.slott",
    ]


def test_what_is_just_allowed() -> None:
    assert parse_hub(GOOD.replace("least = 0.03", "least = 0.20"), "x").limits == Limits(0.2, 0.2)
    thousand = GOOD.replace(
        "{ from = 2.40, to = 3.75, step = 0.05 }", "{ from = 0.01, to = 10, step = 0.01 }"
    )
    assert len(parse_hub(thousand, "x").sizes_mm) == 1000
    assert "makes 1001 sizes" in mistakes(thousand.replace("to = 10,", "to = 10.01,"))[0]


def test_a_trial_shim_that_is_no_size_is_only_warned_of() -> None:
    hub = parse_hub(GOOD.replace("trial = 3.75", "trial = 3.76"), "heron.toml")
    assert hub.trial_mm == 3.76
    assert [str(w) for w in hub.warnings] == [
        "line 9, shim.trial: 3.76 is not among shim.sizes: is it meant to be?"
    ]


def test_an_empty_file_names_what_is_missing() -> None:
    assert mistakes("") == [
        "title: is missing",
        "unit: is missing",
        "end_play.least: is missing",
        "end_play.most: is missing",
    ]


def test_a_file_saved_on_windows(tmp_path: Path) -> None:
    path = tmp_path / "hub.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_hub(path).sizes_mm == parse_hub(GOOD, "x").sizes_mm
    assert load_hub(str(path)).path == str(path)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (GOOD.encode("latin-1"), "line 12: is not UTF-8 text: save it as UTF-8"),
        (b"#" * (MOST_BYTES + 1), "is longer than 200000 bytes: this is no hub file"),
        (b"\x00\x01", "line 1: is not TOML"),
    ],
)
def test_what_is_no_text_file(tmp_path: Path, data: bytes, says: str) -> None:
    path = tmp_path / "hub.toml"
    path.write_bytes(data)
    with pytest.raises(HubFileError, match=says) as caught:
        load_hub(path)
    assert isinstance(caught.value, CalcError)


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(HubFileError, match=r"none\.toml: cannot be read: No such file"):
        load_hub(tmp_path / "none.toml")
    with pytest.raises(HubFileError, match="cannot be read: Is a directory"):
        load_hub(tmp_path)
    with pytest.raises(HubFileError, match="cannot be read: "):
        load_hub("a\0b")


def problems_of(text: str) -> tuple[Problem, ...]:
    try:
        return parse_hub(text, "any.toml").warnings
    except HubFileError as err:
        return err.problems


@given(st.text(max_size=200))
def test_no_text_breaks_the_reader(text: str) -> None:
    # No text without an [end_play] table is a hub file, and hypothesis does not write one.
    assert problems_of(text)


@given(
    st.integers(0, len(GOOD) - 1), st.sampled_from(["", '"', "[", "]", "=", "\n", "9", "-", "{", ".", "#"])
)
def test_one_slip_of_the_pen_never_breaks_the_reader(place: int, slip: str) -> None:
    slipped = GOOD[:place] + slip + GOOD[place + 1 :]
    for problem in problems_of(slipped):
        assert problem.line is None or 1 <= problem.line <= len(slipped.splitlines())
