"""``hub new`` asks one question at a time and writes a hub file that is right."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from calc.hub import Effect, LineUp, load_hub
from calc.limits import Limits
from cli.hub_questions import QUESTIONS
from cli.whole import app

ROOT = Path(__file__).parents[2]
FIRST = ["Larkfield sheet 12", "Heron GT rear hub", "mm", "0.03", "0,20"]
SHIMS = ["opens", "2.40 to 3.75 step 0.05", "3.75", "", "", "rear shims"]
NUT = ["135 N·m", "7 N·m", "160 N·m", "6", "2", "tight", "1.5", "thin washer"]
REST = ["tab outboard", "tab inboard", "lithium grease", "pressed", "Car on stands.", "No air.", ""]
WHOLE = [*FIRST, *SHIMS, *NUT, *REST]
SMALL = ["--no-input", "--title", "x", "--unit", "mm", "--least", "0.02", "--most", "0.10"]


@pytest.fixture(autouse=True)
def _there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(*words: str, typed: list[str] | None = None) -> Result:
    lines = "".join(f"{line}\n" for line in typed or [])
    return CliRunner().invoke(app, ["hub", "new", *words], input=lines)


def test_every_answer_is_in_the_file(tmp_path: Path) -> None:
    result = run("rear.toml", typed=WHOLE)
    assert result.exit_code == 0, result.stderr
    hub = load_hub(tmp_path / "rear.toml")
    assert hub.warnings == ()
    assert (hub.title, hub.limits, hub.effect) == ("Heron GT rear hub", Limits(0.03, 0.20), Effect.OPENS)
    assert (len(hub.sizes_mm), hub.trial_mm, hub.shim_bin) == (28, 3.75, "rear shims")
    assert hub.nut
    assert (str(hub.nut.torque), str(hub.nut.tolerance)) == ("135 N·m (100 lb·ft)", "7 N·m (5.2 lb·ft)")
    assert (hub.nut.slots, hub.nut.pin_holes, hub.nut.line_up) == (6, 2, LineUp.TIGHTEN)
    assert (hub.nut.thread_pitch_mm, hub.nut.washer) == (1.5, "thin washer")
    assert hub.nut.most
    assert hub.nut.most.value == Decimal(160)
    assert (hub.seals.outer, hub.seals.inner) == ("tab outboard", "tab inboard")
    assert (hub.lubricant, hub.fit, hub.cautions) == (
        "lithium grease",
        "pressed",
        ("Car on stands.", "No air."),
    )
    assert hub.text.startswith("# Figures from: Larkfield sheet 12\n")
    check = CliRunner().invoke(app, ["hub", "check", "rear.toml"])
    assert (check.exit_code, check.stderr) == (0, "")
    assert "the maker's service literature for this very car" in " ".join(result.stderr.split())
    assert "Read it against the literature, figure by figure" in " ".join(result.stdout.split())


def test_each_question_can_be_answered_by_an_option(tmp_path: Path) -> None:
    words: list[str] = []
    for question, text in zip(QUESTIONS, WHOLE[:-2], strict=True):
        words += [question.option, text] if text else []
    assert run("--no-input", *words, "--caution", "No air.", "all.toml").exit_code == 0
    assert run("asked.toml", typed=WHOLE).exit_code == 0
    assert (tmp_path / "all.toml").read_bytes() == (tmp_path / "asked.toml").read_bytes()
    half = run("--title", "Heron GT rear hub", "--unit", "mm", "half.toml", typed=[*WHOLE[:1], *WHOLE[3:]])
    assert half.exit_code == 0, half.stderr
    assert (tmp_path / "half.toml").read_bytes() == (tmp_path / "asked.toml").read_bytes()


def test_a_wrong_answer_is_told_and_asked_again(tmp_path: Path) -> None:
    typed = [
        "",
        "",
        "x",
        "cm",
        "mm",
        "a",
        "0.3",
        "0.2",
        "<",
        "0.02",
        "0.10",
        "sideways",
        "",
        "15",
        "",
        *[""] * 5,
    ]
    result = run("x.toml", typed=typed)
    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stderr.split())
    for told in (
        "No: this one is needed",
        'No: "cm" is unknown: write mm or in',
        'No: "a" is no number: write it in mm',
        "No: end_play.least: 0.3 is more than end_play.most, 0.2",
        'No: "sideways" is unknown: write opens or closes',
        'No: "15" has no unit of torque',
    ):
        assert told in said
    assert load_hub(tmp_path / "x.toml").limits == Limits(0.02, 0.10)


def test_back_at_the_first_question_and_over_answers_given() -> None:
    typed = ["<", "", "x", "<", "y", "0.02", "<", "<", "z", "0.03", "0.1", *[""] * 7]
    result = run("--unit", "mm", "x.toml", typed=typed)
    assert result.exit_code == 0, result.stderr
    hub = load_hub("x.toml")
    assert (hub.title, hub.limits.least_mm) == ("z", 0.03)


def test_the_file_is_named_for_the_title(tmp_path: Path) -> None:
    words = [
        "--no-input",
        "--unit",
        "in",
        "--least",
        "0.001",
        "--most",
        "0.004",
        "--thread",
        "24 tpi",
        "--torque",
    ]
    result = run(*words, "15 lb·ft", "--title", "Heron GT front hub (inch)", "--json")
    assert json.loads(result.stdout) == {
        "file": "heron-gt-front-hub-inch.toml",
        "title": "Heron GT front hub (inch)",
    }
    hub = load_hub(tmp_path / "heron-gt-front-hub-inch.toml")
    assert hub.nut
    assert hub.nut.thread_pitch_mm == 25.4 / 24
    assert "was not stated: check them" in hub.text


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text("mine")
    (tmp_path / "gone.toml").symlink_to(tmp_path / "nowhere")
    for words in ([*SMALL, "x.toml"], SMALL, [*SMALL, "gone.toml"]):
        result = run(*words)
        assert result.exit_code == 2
        assert result.stderr.count("\n") == 1
        assert "is there already and is not overwritten: give another name, or remove it" in result.stderr
    assert (tmp_path / "x.toml").read_text() == "mine"
    assert run(*SMALL, "nowhere/x.toml").stderr == (
        "shimwright: FILE: nowhere is no folder: make it first, or give another place\n"
    )


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--no-input", "--unit", "mm"], "--title: missing: with --no-input it must be given"),
        ([*SMALL, "--slots", "6"], "--slots: makes no sense without --torque: give that too"),
        ([*SMALL, "--trial", "3"], "--trial: makes no sense without --effect: give that too"),
        ([*SMALL, "--effect", "opens"], "--sizes: missing: with --no-input it must be given"),
        ([*SMALL, "--torque", "15"], '--torque: "15" has no unit of torque'),
        ([*SMALL, "--caution", ""], "--caution: is empty"),
        ([*SMALL, "--source", " "], "--source: is empty"),
        ([*SMALL, "--fit", "a\nb"], "--fit: has a character that cannot be printed"),
    ],
)
def test_an_option_that_cannot_be_used(words: list[str], says: str, tmp_path: Path) -> None:
    result = run(*words, "x.toml")
    assert result.exit_code == 2
    assert result.stderr.startswith(f"shimwright: {says}")
    assert result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_input_that_ends_leaves_nothing(tmp_path: Path) -> None:
    result = run("x.toml", typed=WHOLE[:7])
    assert result.exit_code == 2
    assert "the input ended at the question of --trial, nothing was written" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_text_is_asked_again_and_a_closed_input_is_one_line(tmp_path: Path) -> None:
    words = [sys.executable, "-c", "from cli.main import run; run()", "hub", "new", "x.toml"]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    typed = b"\n\xff\xfe\nx\nmm\n\xe9\n0.02\n0.1\n" + b"\n" * 7
    done = subprocess.run(words, cwd=tmp_path, env=env, input=typed, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert b"No: has a character that cannot be printed" in done.stderr
    assert b'No: "?" is no number' in done.stderr
    (tmp_path / "x.toml").unlink()
    shut = ["sh", "-c", 'exec "$@" <&-', "sh", *words]
    done = subprocess.run(shut, cwd=tmp_path, env=env, capture_output=True, check=False)
    assert done.returncode == 2
    assert b"the input ended at the question of --source, nothing was written" in done.stderr
    assert b"Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_leaves_nothing(tmp_path: Path) -> None:
    program = "import sys; from cli.whole import app; app(prog_name='shimwright')"
    with subprocess.Popen(
        [sys.executable, "-c", program, "hub", "new", "x.toml"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin
        assert process.stderr
        process.stdin.write("".join(f"{line}\n" for line in WHOLE[:-1]))
        process.stdin.flush()
        for line in process.stderr:
            if "A caution to show before the work?" in line:
                break
        process.send_signal(signal.SIGINT)
        err = process.stderr.read()
        process.wait(30)
    assert process.returncode == 130
    assert "shimwright: stopped with Ctrl-C, nothing was written" in err
    assert list(tmp_path.iterdir()) == []
