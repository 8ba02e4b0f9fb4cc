"""The rules of the trade in a hub file: parts that go together, variants, steps, and their mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from calc.hub import Hub, HubFileError, Part, Renew, Seals, Step, UnknownVariantError, load_hub, parse_hub
from calc.units import Unit

HUBS = Path(__file__).parents[2] / "fixtures" / "hubs"
REARS = ["heron-rear.toml", "heron-rear-inch.toml"]
SMALL = """\
title = "small"
unit = "mm"
[end_play]
least = 0.03
most = 0.20
[nut]
torque = "135 N·m"
[[part]]
name = "spindle"
with = ["nut"]
[[part]]
name = "nut"
with = ["washer"]
[[part]]
name = "washer"
[[variant]]
name = "late"
[variant.nut]
torque = "150 N·m"
"""


def small(was: str = "", now: str = "") -> Hub:
    assert was in SMALL
    return parse_hub(SMALL.replace(was, now, 1), "small.toml")


@pytest.mark.parametrize("name", REARS)
def test_the_early_spindle_brings_the_late_hub(name: str) -> None:
    early = load_hub(HUBS / name)
    assert (early.variant, [one.name for one in early.variants]) == ("early", ["early", "late"])
    spindle = early.part("spindle")
    assert spindle is not None
    assert early.together("spindle") == ("flange", "washer", "nut")
    assert (spindle.becomes, spindle.trial) == ("late", True)
    late = early.as_variant("late")
    assert late.together("spindle") == ()  # it is the late one already
    assert early.nut
    assert late.nut
    assert late.nut.torque.nm > early.nut.torque.nm
    assert late.nut.washer != early.nut.washer
    assert late.fit != early.fit
    assert (late.limits, late.sizes_mm, late.shim_bin) == (early.limits, early.sizes_mm, early.shim_bin)
    assert (late.nut.slots, late.nut.thread_pitch_mm) == (early.nut.slots, early.nut.thread_pitch_mm)
    assert late.as_variant("early") == early
    torn = early.rules(Step.TEARDOWN), late.rules(Step.TEARDOWN)
    assert torn[0].do != torn[1].do
    assert torn[0].cautions == torn[1].cautions != ()  # said once, kept by the variant
    assert late.rules(Step.REASSEMBLE) == early.rules(Step.REASSEMBLE)


@pytest.mark.parametrize("name", REARS)
def test_the_rules_stand_at_their_steps(name: str) -> None:
    """Common practice: the facts of the trade that the Heron GT's files repeat."""
    hub = load_hub(HUBS / name)
    assert all(hub.rules(step).do for step in Step)
    assert "right at the bearing, never at its rolled flange" in " ".join(hub.rules(Step.TEARDOWN).cautions)
    assert "support the ring that is tight" in " ".join(hub.rules(Step.TEARDOWN).cautions)
    assert "asbestos" in " ".join(hub.rules(Step.TEARDOWN).cautions)
    assert "not trained" in " ".join(hub.rules(Step.TEARDOWN).cautions)
    assert "level ground" in " ".join(hub.rules(Step.MEASURE).cautions)
    assert "cotter pin is never used twice" in " ".join(hub.rules(Step.REASSEMBLE).cautions)
    assert hub.seals == Seals("its tab faces outboard", "its tab faces inboard")
    assert hub.lubricant is not None
    assert hub.lubricant.startswith("lithium-base extreme-pressure grease")
    assert {part.name for part in hub.parts if part.trial} == {"bearings", "spindle"}
    assert {part.name for part in hub.parts if part.renew is Renew.ALWAYS} == {"seals", "cotter pin"}


def test_what_goes_together_goes_on() -> None:
    hub = small()
    assert hub.together("spindle") == ("nut", "washer")
    assert hub.together("nut") == ("washer",)
    assert hub.together("wheel") == ()
    assert hub.part("wheel") is None
    assert hub.part("washer") == Part("washer")
    ring = small('name = "washer"', 'name = "washer"\nwith = ["spindle"]')
    assert ring.together("washer") == ("spindle", "nut")


def test_without_a_default_the_files_own_values_hold() -> None:
    hub = small()
    assert hub.variant is None
    assert hub.nut
    assert hub.nut.torque.nm == 135
    late = hub.as_variant("late")
    assert (late.variant, late.nut and late.nut.torque.nm) == ("late", 150)
    assert hub.rules(Step.CHOOSE).do == hub.rules(Step.CHOOSE).cautions == ()
    with pytest.raises(UnknownVariantError, match='"later" is no variant of small: it has late') as caught:
        hub.as_variant("later")
    assert caught.value.known == ("late",)


def test_a_stock_name_and_a_pack() -> None:
    hub = small("[nut]", '[shim]\neffect = "opens"\nsizes = [1, 2]\nmost_in_pack = 3\nbin = "rings"\n[nut]')
    assert (hub.most_in_pack, hub.shim_bin) == (3, "rings")
    assert (small().most_in_pack, small().shim_bin) == (1, "small")


def test_threads_in_an_inch_are_a_pitch() -> None:
    hub = small('"135 N·m"', '"135 N·m"\nthreads_per_inch = 16')
    assert hub.unit is Unit.MM
    assert hub.nut
    assert hub.nut.thread_pitch_mm == 25.4 / 16


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        (
            '"135 N·m"',
            '"135 N·m"\ntolerance = "140 N·m"',
            "line 8, nut.tolerance: 140 N·m (103 lb·ft) is no tol",
        ),
        ('"135 N·m"', '"135 N·m"\nmost = "90 lb·ft"', "line 8, nut.most: while lining up, at most 90 lb·ft"),
        (
            '"135 N·m"',
            '"135 N·m"\nthread_pitch = 1.5\nthreads_per_inch = 16',
            "line 9, nut.threads_per_inch: says again what thread_pitch says",
        ),
        (
            '"135 N·m"',
            '"135 N·m"\nthread_pitch = 16',
            "line 8, nut.thread_pitch: 16 mm from thread to thread",
        ),
        ('with = ["nut"]', 'with = ["nuts"]', 'line 10, part[1].with: "nuts" is no part of this file'),
        ('with = ["nut"]', 'with = ["spindle"]', 'line 10, part[1].with: "spindle" is this part itself'),
        ('with = ["nut"]', 'becomes = "new"', 'line 10, part[1].becomes: "new" is no variant of this file'),
        ('with = ["nut"]', "trial = true", "line 10, part[1].trial: there is no trial shim"),
        ('with = ["nut"]', 'renew = "never"', 'line 10, part[1].renew: "never" is unknown: write "always"'),
        ('name = "washer"', 'name = "nut"', 'line 15, part[3].name: "nut" is the name of another one above'),
        ('name = "late"', 'tell_by = "x"', "line 16, variant[1].name: is missing"),
        (
            '[variant.nut]\ntorque = "150 N·m"',
            "[variant.end_play]\nleast = 0.3",
            "line 19, variant[1].end_play.least: 0.3 is more than end_play.most, 0.20",
        ),
        (
            '"150 N·m"',
            '"150 N·m"\nmost = "100 N·m"',
            "line 20, variant[1].nut.most: while lining up, at most",
        ),
        (
            '"150 N·m"',
            '"150 N·m"\n[variant.steps.choose]\nsay = []',
            "line 21, variant[1].steps.choose.say: is unk",
        ),
        ('"150 N·m"', '"150 N·m"\nslot = 6', "line 20, variant[1].nut.slot: is unknown: is "),
        ('unit = "mm"', 'unit = "mm"\ndefault_variant = "x"', 'line 3, default_variant: "x" is no variant'),
        ("[nut]", "[steps.teardwon]\ndo = []\n[nut]", "line 6, steps.teardwon: is unknown"),
        (
            "[nut]",
            '[shim]\neffect = "opens"\nsizes = [1]\nmost_in_pack = 11\n[nut]',
            "line 9, shim.most_in_pack",
        ),
    ],
)
def test_a_mistake_is_named_with_key_and_line(was: str, now: str, said: str) -> None:
    with pytest.raises(HubFileError) as caught:
        small(was, now)
    problems = [str(problem) for problem in caught.value.problems]
    assert any(problem.startswith(said) for problem in problems), problems
