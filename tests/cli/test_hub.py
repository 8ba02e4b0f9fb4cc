"""Every mistake in a hub file is named with its key and line; a good one is shown in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from cli.whole import app

REAR = Path(__file__).parents[2] / "fixtures" / "hubs" / "heron-rear.toml"
HUBS = sorted((Path(__file__).parents[2] / "fixtures" / "hubs").glob("*.toml"))


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["hub", *map(str, words)])


def hub_with(tmp_path: Path, good: Path, was: str, now: str) -> Path:
    text = good.read_text(encoding="utf-8")
    assert was in text
    path = tmp_path / "changed.toml"
    path.write_text(text.replace(was, now), encoding="utf-8")
    return path


def test_the_projects_own_hub_files_are_right() -> None:
    assert HUBS
    result = run("check", *HUBS)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.count("no mistakes found") == len(HUBS)


@pytest.mark.parametrize(
    ("was", "now", "key"),
    [
        ("least = 0.03", "least = 0.30", "end_play.least"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[]", "shim.sizes"),
        ("{ from = 2.40, to = 3.75, step = 0.05 }", "[2.5, 2.4]", "shim.sizes"),
        ("step = 0.05", "step = 0.04", "shim.sizes"),
        ("from = 2.40", "from = -2.40", "shim.sizes"),
        ("aim =", "ami =", "shim.ami"),
        ("most = 0.20", 'most = "0.20"', "end_play.most"),
        ('"135 N·m"', '"135"', "nut.torque"),
    ],
)
def test_a_mistake_is_named_with_key_and_line(
    was: str, now: str, key: str, tmp_path: Path, hub_file: Path
) -> None:
    file = hub_with(tmp_path, hub_file, was, now)
    result = run("check", file)
    assert result.exit_code == 2
    assert result.stdout == ""
    lines = file.read_text(encoding="utf-8").splitlines()
    line = next(i for i, text in enumerate(lines) if now.split(" = ", maxsplit=1)[0] in text)
    said = result.stderr.splitlines()
    assert any(f"line {line + 1}" in one and key in one for one in said), said


def test_every_mistake_is_told_and_other_files_are_checked_too(tmp_path: Path, hub_file: Path) -> None:
    bad = hub_with(tmp_path, hub_file, "least = 0.03", "least = 0.30")
    bad.write_text(bad.read_text(encoding="utf-8").replace("aim =", "ami ="), encoding="utf-8")
    result = run("check", bad, hub_file, tmp_path / "missing.toml")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 3
    assert result.stdout.count("no mistakes found") == 1
    objects = [json.loads(line) for line in run("check", "--json", bad, hub_file).stdout.splitlines()]
    assert [one["ok"] for one in objects] == [False, True]
    assert {p["key"] for p in objects[0]["problems"]} == {"end_play.least", "shim.ami"}


def test_a_bad_hub_file_is_one_line_in_the_other_commands(tmp_path: Path, hub_file: Path) -> None:
    bad = hub_with(tmp_path, hub_file, "least = 0.03", "least = 0.30")
    words = ["shim", "--end-play", "0.3mm", "--fitted", "3mm", "--hub", str(bad)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "end_play.least" in result.stderr


def test_show_says_it_in_words(hub_file: Path) -> None:
    text = run("show", hub_file).stdout
    for said in (
        "End play: 0.03 mm to 0.20 mm",
        "28 sizes, 2.40 mm to 3.75 mm; a thicker one gives more end play",
        "the tightest that is still within limits",
        "135 N·m (100 lb·ft)",
        "onward only, never back",
        "3.75 mm",
        "maker's",
    ):
        assert said in text


def test_show_of_a_hub_without_shims(tmp_path: Path) -> None:
    front = tmp_path / "front.toml"
    front.write_text('title = "Heron GT front hub"\nunit = "mm"\n[end_play]\nleast = 0.02\nmost = 0.1\n')
    assert "No shim: the nut sets the end play." in run("show", front).stdout
    assert json.loads(run("show", "--json", front).stdout)["sizes_mm"] == []


def test_show_json_has_millimetres(hub_file: Path) -> None:
    found = json.loads(run("show", "--json", hub_file).stdout)
    assert (found["least_mm"], found["most_mm"], len(found["sizes_mm"])) == (0.03, 0.2, 28)
    nut = {"torque_nm": 135.0, "slots": 6, "pin_holes": 2, "line_up": "tighten"}
    unsaid = dict.fromkeys(["tolerance_nm", "most_nm", "thread_pitch_mm", "washer"])
    assert found["nut"] == nut | unsaid


def test_show_says_each_rule_at_its_step() -> None:
    text = " ".join(run("show", REAR).stdout.split())
    in_order = (
        "Variant early, shown here (early design, thin washer); to tell it by: the end of the spindle",
        "Before the work:",
        "Measure: Caution: Car on stands on level ground",
        "Taking apart:",
        "never at its rolled flange",
        "Looking at the parts:",
        "cotter pin; always renewed.",
        "Choosing the shim:",
        "Trial shim with new bearings or a new spindle: 3.75 mm.",
        "Putting together:",
        "Outer seal: its tab faces outboard.",
        "Tighten the nut to 135 N·m",
    )
    places = [text.index(said) for said in in_order]
    assert places == sorted(places)
    assert "135 N·m (100 lb·ft) ± 7 N·m (5.2 lb·ft)" in text
    assert "While lining up never more than 160 N·m (118 lb·ft)" in text
    assert "together with flange, washer, nut; then the hub is late; then start from the trial shim" in text
    assert text.index("Putting together:") < text.index("A cotter pin is never used twice")


def test_show_of_another_variant() -> None:
    text = " ".join(run("show", REAR, "--variant", "late").stdout.split())
    assert "160 N·m (118 lb·ft) ± 8 N·m (5.9 lb·ft)" in text
    assert "thick chamfered washer" in text
    assert "then the hub is late" not in text
    found = json.loads(run("show", REAR, "--variant", "late", "--json").stdout)
    assert (found["variant"], found["nut"]["torque_nm"], found["nut"]["slots"]) == ("late", 160.0, 6)
    wrong = run("show", REAR, "--variant", "later")
    assert wrong.exit_code == 2
    assert wrong.stderr.count("\n") == 1
    assert "it has early, late" in wrong.stderr
