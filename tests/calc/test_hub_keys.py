"""What goes wrong between the keys of a hub file and of its variants, each by its key and line."""

from __future__ import annotations

import pytest

from calc.hub import HubFileError, parse_hub
from calc.limits import Limits
from calc.torque import parse_torque

PLAIN = """\
title = "Heron GT rear hub"
unit = "mm"
[end_play]
least = 0.03
most = 0.20
[shim]
effect = "opens"
sizes = [2.5, 3.0]
trial = 3.0
[nut]
torque = "135 N·m"
tolerance = "7 N·m"
most = "160 N·m"
thread_pitch = 1.5
[[part]]
name = "spindle"
with = ["nut"]
becomes = "late"
trial = true
[[part]]
name = "nut"
[[variant]]
name = "early"
[[variant]]
name = "late"
[variant.end_play]
most = 0.15
[variant.nut]
torque = "150 N·m"
"""


def mistakes(text: str) -> list[str]:
    with pytest.raises(HubFileError) as caught:
        parse_hub(text, "heron.toml")
    return [str(problem) for problem in caught.value.problems]


def test_a_variant_over_the_file() -> None:
    hub = parse_hub(PLAIN, "x")
    late = hub.as_variant("late")
    assert (hub.variant, hub.limits, late.limits) == (None, Limits(0.03, 0.20), Limits(0.03, 0.15))
    assert late.nut
    assert (late.nut.torque, late.nut.tolerance) == (parse_torque("150 N·m"), parse_torque("7 N·m"))


def test_a_pitch_said_in_the_other_way_replaces_the_files() -> None:
    hub = parse_hub(PLAIN + "threads_per_inch = 20\n", "x").as_variant("late")
    assert hub.nut
    assert hub.nut.thread_pitch_mm == pytest.approx(1.27, abs=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('with = ["nut"]', 'with = "nut"', 'line 17, part[1].with: "nut" is no list'),
        ("trial = true", "trial = 1", "line 19, part[1].trial: 1 is neither true nor false"),
        ("trial = 3.0\n", "", "line 18, part[1].trial: there is no trial shim to start from: say shim.trial"),
        ('name = "nut"\n', 'look_for = "x"\n', "line 20, part[2].name: is missing"),
        ('name = "early"', 'name = "late"', 'line 25, variant[2].name: "late" is the name of another one'),
        ("most = 0.15", "most = 0.02", "variant[2].end_play.most: 0.02 is less than end_play.least, 0.03"),
        ("most = 0.15", "most = 60", "line 27, variant[2].end_play.most: 60 mm is longer than 50 mm"),
        ('"150 N·m"', '"170 N·m"', "line 29, variant[2].nut.torque: while lining up, at most 160 N·m"),
        ('"7 N·m"', '"135 N·m"', "line 12, nut.tolerance: 135 N·m (100 lb·ft) is no tolerance of a torque"),
        ('"7 N·m"', '"100 lb·ft"', "line 12, nut.tolerance: 100 lb·ft (136 N·m) is no tolerance"),
        ('"7 N·m"', "7", "line 12, nut.tolerance: 7 is no text: put it in quotes"),
        (
            "thread_pitch = 1.5",
            "threads_per_inch = 1.5",
            "nut.threads_per_inch: 1.5 threads in an inch are no",
        ),
        ("thread_pitch = 1.5", "thread_pitch = 0", "line 14, nut.thread_pitch: 0 is not above 0"),
        ("trial = 3.0", "bin = 5", "line 9, shim.bin: 5 is no text"),
        ("[nut]", '[seals]\nleft = "in"\n[nut]', "line 11, seals.left: is unknown"),
        ("[nut]", "[steps.measure]\ndo = 5\n[nut]", "line 11, steps.measure.do: 5 is no list"),
        ("[variant.nut]", "[variant.nuts]", "line 28, variant[2].nuts: is unknown"),
        ("[[part]]", "[part]", "is not TOML"),
        (
            "[variant.nut]",
            "[[variant.nut]]",
            "variant[2].nut: a list is no table: write [variant.nut] and its",
        ),
    ],
)
def test_a_mistake_is_named_with_key_and_line(old: str, new: str, says: str) -> None:
    assert old in PLAIN
    found = mistakes(PLAIN.replace(old, new, 1))
    assert any(says in text for text in found), found


def test_the_default_is_not_called_variant() -> None:
    bare = 'title = "x"\nunit = "mm"\nvariant = "late"\n[end_play]\nleast = 0\nmost = 0.2\n'
    (told,) = mistakes(bare)
    assert told.startswith('line 3, variant: "late" is no list of tables: write [[variant]] above')
    assert told.endswith(", or default_variant = ... to name one")


def test_a_mistake_of_the_file_is_not_said_again_for_each_variant() -> None:
    assert (
        len(mistakes(PLAIN.replace("least = 0.03", "least = 0.18"))) == 1
    )  # only the late one's most is less
    text = PLAIN.replace('"7 N·m"', '"140 N·m"').replace('torque = "150 N·m"', "slots = 6")
    assert len(mistakes(text)) == 1


@pytest.mark.parametrize(
    ("table", "half", "missing"), [("nut", "slots = 6", "torque"), ("shim", "sizes = [2.5]", "effect")]
)
def test_a_variant_cannot_bring_half_a_table(table: str, half: str, missing: str) -> None:
    bare = 'title = "x"\nunit = "mm"\n[end_play]\nleast = 0\nmost = 0.2\n[[variant]]\nname = "late"\n'
    assert mistakes(f"{bare}[variant.{table}]\n{half}\n") == [
        f"line 8, variant[1].{table}.{missing}: is missing here, and the file has no [{table}] of its own"
    ]


def test_what_is_odd_is_warned_of_where_it_is_said() -> None:
    hub = parse_hub(PLAIN + "slots = 5\npin_holes = 1\n[variant.shim]\nsizes = [2.0, 2.5]\n", "x")
    size, slots = (str(warning) for warning in hub.warnings)
    assert size == "line 33, variant[2].shim.sizes: 3.0 is not among shim.sizes: is it meant to be?"
    assert slots.startswith(
        "line 30, variant[2].nut.slots: 5, an odd number, leaves no slot opposite for a pin"
    )
    assert parse_hub(PLAIN + "slots = 5\n", "x").warnings == ()
