"""The castle nut and the torque wrench, as asked for at the bench."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from cli.whole import app

ROOT = Path(__file__).parents[2]
HUBS = ROOT / "fixtures" / "hubs"
REAR, FRONT = HUBS / "heron-rear.toml", HUBS / "heron-front.toml"
NUT = ("--slots", "6", "--pin-holes", "1")
LIMITS = ("--least", "0.02mm", "--most", "0.10mm")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["nut", *map(str, words)])


def said(*words: str | Path) -> str:
    result = run(*words)
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stdout.split())


def found(*words: str | Path) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.count("\n") == 1
    told = json.loads(result.stdout)
    assert isinstance(told, dict)
    return told


def test_the_pin_of_the_rear_hub() -> None:
    text = said("line-up", "--hub", REAR)
    assert "135 N·m (100 lb·ft) ± 7 N·m (5.2 lb·ft)" in text
    assert "the pin goes in at 12 places in a turn, 30° from one to the next (0.125 mm, 0.0049 in" in text
    assert "onward only, never back" in text
    assert "never more than 160 N·m (118 lb·ft)" in text
    assert "AC 43.13-1B" in text
    assert "Look it up" not in text  # the file says which way
    late = found("line-up", "--hub", REAR, "--variant", "late")
    assert (late["torque_nm"], late["most_nm"], late["line_up"]) == (160.0, 190.0, "tighten")


def test_how_far_on_from_where_the_nut_stands() -> None:
    text = said("line-up", "--hub", REAR, "--at", "80")
    assert (
        "From where it stands: 10° (0.042 mm, 0.0016 in, along the spindle) onward to the next place." in text
    )
    both = said("line-up", *NUT, "--at", "80")
    assert "40° onward, or 20° back" in both
    assert "Which way to line up is the procedure's" in both
    assert "20° (" in said("line-up", "--hub", FRONT, "--at", "80")
    assert "the pin goes in as it is" in said("line-up", *NUT, "--at", "120")
    told = found("line-up", *NUT, "--at", "80")
    assert (told["on_deg"], told["back_deg"], told["on_mm"]) == (40.0, 20.0, None)


def test_the_nut_of_the_front_hub_is_turned() -> None:
    text = said("turn", "--hub", FRONT, "--end-play", "0.19mm", "--u", "0.004mm")
    assert "46.8° on (tighten), 0.78 slots" in text
    assert "Next: turn the nut 60° on (tighten), 1 slot; 0.023 mm is expected." in text
    assert "none left tight" in text
    assert "a stated back-off never tells the end play" in text
    told = found("turn", "--hub", FRONT, "--end-play", "0.19mm", "--u", "0.004mm")
    assert told["choice"] in told["moves"]
    assert told["choice"]["expected_mm"] == pytest.approx(0.19 - 1 / 6)
    assert told["choice"]["p_within"] == pytest.approx(0.7977, abs=1e-4)  # Phi(0.8333), from tables


def test_no_slot_within_limits_is_said() -> None:
    text = said("turn", *NUT, "--pitch", "1.5mm", *LIMITS, "--end-play", "0.19mm")
    assert "At no place where the pin goes in is the end play within 0.02 mm to 0.10 mm" in text
    assert "change the washer or the nut" in text
    assert "no chances are told" in text
    told = found("turn", *NUT, "--pitch", "1.5mm", *LIMITS, "--end-play", "0.19mm")
    assert told["choice"] is None


def test_without_slots_the_turn_alone() -> None:
    text = said("turn", "--tpi", "16", "--end-play", "0.009in", "--least", "0.001in", "--most", "0.005in")
    assert "limits 0.001 in to 0.005 in" in text
    assert "34.6° on (tighten)." in text  # 0.006 in of 1/16 in
    assert "does not say whether a pin goes in" in text
    loose = said("turn", "--tpi", "16", "--end-play", "0.0005in", "--least", "0.001in", "--most", "0.005in")
    assert "14.4° back (slacken)" in loose


def test_a_wrench_with_an_adapter() -> None:
    # US Army TM 9-254, figures 45 and 46 (read): 60 lb-in set, 12 in long, 2 in adapter: 70 lb-in applied.
    text = said("wrench", "--torque", "70 lb·in", "--length", "12in", "--adapter", "2in")
    assert "Set the wrench to 60.00 lb·in (6.8 N·m): the nut then gets 70 lb·in (7.9 N·m)." in text
    told = found("wrench", "--torque", "135Nm", "--length", "10in", "--adapter", "1.5in", "--angle", "180")
    assert told["set_nm"] == pytest.approx(158.82, abs=0.005)
    hub = said("wrench", "--hub", REAR, "--length", "18in", "--adapter", "2in")
    assert "Set the wrench to 121.5 N·m (90 lb·ft): the nut then gets 135 N·m (100 lb·ft)." in hub
    assert "While lining up set it to at most 144.0 N·m" in hub
    assert "changes nothing" in said(
        "wrench", "--hub", REAR, "--length", "18in", "--adapter", "2in", "--angle", "90"
    )


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["line-up"], "--slots: missing"),
        (["line-up", "--slots", "6"], "--pin-holes: missing"),
        (["line-up", "--slots", "7", "--pin-holes", "2"], "an odd number"),
        (["line-up", "--hub", REAR, "--slots", "8"], "--slots: the hub file says that already, 6"),
        (["line-up", "--hub", REAR, "--pitch", "2mm"], "--pitch: the hub file says that already"),
        (["line-up", *NUT, "--variant", "late"], "--variant: is a hub file's"),
        (["line-up", *NUT, "--at", "360"], "less than a turn"),
        (["line-up", *NUT, "--pitch", "16mm"], "no spindle nut's"),
        (["line-up", *NUT, "--tpi", "0"], "--tpi: 0 is no number of threads"),
        (["line-up", *NUT, "--tpi", "16", "--pitch", "1mm"], "--tpi: says again"),
        (["turn", "--hub", REAR, "--end-play", "0.3mm"], "a shim sets the end play, not the nut"),
        (["turn", "--hub", FRONT, "--end-play", "0mm"], "back the nut off until there is some"),
        (["turn", "--hub", FRONT, "--end-play", "0.3mm", "--target", "0.5mm"], "--target: "),
        (["turn", "--hub", FRONT, "--end-play", "30mm"], "no bearing's end play"),
        (["turn", "--hub", FRONT, "--end-play", "0.3mm", "--least", "0mm"], "--least: the hub file says"),
        (["turn", "--end-play", "0.3mm", *NUT, *LIMITS], "--pitch: missing"),
        (["turn", "--end-play", "0.3mm", "--pitch", "1mm", *NUT], "--least: missing"),
        (["wrench", "--length", "1in", "--adapter", "0in"], "--torque: missing"),
        (["wrench", "--torque", "5", "--length", "1in", "--adapter", "0in"], "--torque: "),
        (
            ["wrench", "--torque", "5Nm", "--length", "1in", "--adapter", "2in", "--angle", "180"],
            "under the hand",
        ),
        (["wrench", "--torque", "5Nm", "--length", "nan", "--adapter", "2in"], "--length: "),
    ],
)
def test_a_mistake_is_one_line(words: list[str | Path], why: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert why in result.stderr


def test_the_objects_are_those_of_the_contract() -> None:
    page = (ROOT / "docs" / "contracts.md").read_text(encoding="utf-8")
    section = page.partition("## Castle nuts and torque wrenches\n")[2].partition("\n## ")[0]
    told = [
        re.findall(r"^\| `([a-z_]+)` \|", table, re.MULTILINE) for table in section.split("--json` prints")
    ]
    words: list[tuple[str | Path, ...]] = [
        ("line-up", *NUT),
        ("turn", "--hub", FRONT, "--end-play", "0.19mm"),
        ("wrench", "--hub", REAR, "--length", "1in", "--adapter", "1in"),
    ]
    assert [list(found(*one)) for one in words] == told[1:]
    move = found(*words[1])["moves"][0]
    assert f"list of `{json.dumps(list(move)).replace('[', '{').replace(']', '}')}`" in section


def test_the_page_says_what_the_code_does() -> None:
    from calc.nuts import Castle, axial_mm  # noqa: PLC0415

    page = (ROOT / "docs" / "nuts.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| (\d+)[^|]* \| (\d+) \| (\d+)° \| ([\d.]+) mm \|$", page, re.MULTILINE)
    assert len(rows) == 3
    for slots, holes, places, step, along in rows:
        castle = Castle(int(slots), int(holes))
        assert (castle.places, castle.step_deg) == (int(places), float(step))
        assert axial_mm(castle.step_deg, 1.5) == pytest.approx(float(along), abs=5.1e-4)
    for line in re.findall(r"^shimwright nut (.*)$", page, re.MULTILINE):
        words = [str(ROOT / word) if word.startswith("fixtures/") else word for word in shlex.split(line)]
        assert run(*words).exit_code == 0
    text = said("wrench", "--torque", "70 lb·in", "--length", "12in", "--adapter", "2in")
    assert "Set the wrench to 60.00 lb·in" in text
