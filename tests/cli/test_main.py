"""The console entry: help with an example everywhere, and one line for every mistake."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import typer.main
from typer.testing import CliRunner

from cli.main import exit_code_of
from cli.whole import app

Shimwright = Callable[..., "subprocess.CompletedProcess[str]"]
ROOT = Path(__file__).parents[2]

COMMANDS = [
    ["measure"],
    ["listen"],
    ["broker"],
    ["board"],
    ["thickness"],
    ["analyse"],
    ["shim"],
    ["gauge", "list"],
    ["gauge", "show"],
    ["gauge", "check"],
    ["gauge", "identify"],
    ["gauge", "scan"],
    ["gauge", "verify"],
    ["hub", "check"],
    ["hub", "show"],
    ["hub", "new"],
    ["nut", "line-up"],
    ["nut", "turn"],
    ["nut", "wrench"],
    ["trace", "list"],
    ["trace", "show"],
    ["trace", "plot"],
    ["trace", "compare"],
    ["trace", "redo"],
    ["trace", "add"],
    ["trace", "export"],
    ["stock", "count"],
    ["stock", "receive"],
    ["stock", "scrap"],
    ["stock", "list"],
    ["stock", "history"],
    ["stock", "share"],
    ["stock", "forecast"],
    ["review"],
    ["vehicle", "list"],
    ["vehicle", "show"],
    ["export"],
    ["import"],
    ["log", "check"],
    ["log", "backup"],
    ["log", "stats"],
    ["job", "open"],
    ["job", "list"],
    ["job", "show"],
    ["job", "next"],
    ["job", "car"],
    ["job", "note"],
    ["job", "torn-down"],
    ["job", "part"],
    ["job", "fitted"],
    ["job", "choose"],
    ["job", "reassembled"],
    ["job", "skip"],
    ["job", "sheet"],
    ["job", "close"],
    ["job", "reopen"],
    ["study", "new"],
    ["study", "measure"],
    ["study", "enter"],
    ["study", "show"],
    ["study", "list"],
    ["demo"],
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example(command: list[str]) -> None:
    result = CliRunner().invoke(app, [*command, "--help"])
    assert result.exit_code == 0
    assert f"Example:\n    shimwright {' '.join(command)}" in result.stdout
    assert all(len(line) <= 100 for line in result.stdout.splitlines())


def test_the_list_above_is_whole() -> None:
    found: list[list[str]] = []
    for name, command in vars(typer.main.get_command(app))["commands"].items():
        below = vars(command).get("commands")
        found += [[name]] if below is None else [[name, sub] for sub in below]
    assert sorted(found) == sorted(COMMANDS)


def test_help_says_what_the_exit_codes_mean() -> None:
    text = " ".join(CliRunner().invoke(app, ["--help"]).stdout.split())
    assert "0 answered, 2 bad usage or input, 3 measurement refused, 4 gauge or link lost" in text
    assert "shimwright demo" in text


@pytest.mark.parametrize("words", [[], ["hub"], ["trace"]])
def test_nothing_asked_shows_the_help(words: list[str], shimwright: Shimwright) -> None:
    result = shimwright(*words, afresh=True)
    assert result.returncode == 2
    assert "Usage: shimwright" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["measur"], "measur"),
        (["shim", "--end-play"], "--end-play"),
        (["shim", "--fitted", "3mm"], "--end-play"),
        (["measure", "--corner", "LR"], "--link"),
        (["measure", "--timeout", "soon"], "--timeout"),
        (["trace", "show"], "ID"),
        (["analyse"], "FILE"),
        (["demo", "--seed", "-1"], "--seed"),
    ],
)
def test_bad_usage_is_one_line_that_points_to_the_help(
    words: list[str], said: str, shimwright: Shimwright
) -> None:
    result = shimwright(*words)
    assert result.returncode == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("shimwright: ")
    assert said in result.stderr
    assert "--help" in result.stderr


def test_version(shimwright: Shimwright) -> None:
    result = shimwright("--version", afresh=True)
    assert result.returncode == 0
    assert result.stdout.startswith("shimwright ")


def test_a_closed_pipe_ends_quietly(hub_file: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as nobody:
        result = subprocess.run(
            [sys.executable, "-c", "from cli.main import run; run()", "hub", "show", str(hub_file)],
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdout=nobody,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert (result.returncode, result.stderr) == (141, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_behind_standard_output_is_one_line(hub_file: Path) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        result = subprocess.run(
            [sys.executable, "-c", "from cli.main import run; run()", "hub", "show", str(hub_file)],
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert result.returncode == 2
    assert result.stderr == "shimwright: the disk is full: make room and run this again\n"


def test_an_encoding_without_the_letters_is_served(hub_file: Path, shimwright: Shimwright) -> None:
    result = shimwright("hub", "show", hub_file, env={"PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"})
    assert result.returncode == 0
    assert "135 N.m (100 lb.ft)" in result.stdout


def test_ctrl_c_in_any_command_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("calc.hub.load_hub", interrupted)
    with pytest.raises(SystemExit) as left:
        app(["hub", "check", "heron-rear.toml"])
    assert left.value.code == 130
    assert capsys.readouterr().err == "shimwright: stopped with Ctrl-C\n"


def test_ctrl_c_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    assert exit_code_of(interrupted) == 130
    assert capsys.readouterr().err == "shimwright: stopped with Ctrl-C\n"


def test_ctrl_c_while_a_class_is_being_made_is_no_fault_of_ours(capsys: pytest.CaptureFixture[str]) -> None:
    class Interrupted:
        def __set_name__(self, owner: type, name: str) -> None:
            raise KeyboardInterrupt

    def loading() -> None:
        type("Loaded", (), {"part": Interrupted()})

    assert exit_code_of(loading) == 130
    assert capsys.readouterr().err == "shimwright: stopped with Ctrl-C\n"


def test_a_fault_of_ours_is_not_hidden() -> None:
    def faulty() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        exit_code_of(faulty)


def test_help_of_a_command_starts_without_numbers_and_the_log() -> None:
    code = (
        "import sys; from cli.whole import app; "
        "print(sorted({'numpy', 'serial', 'sqlite_utils', 'asyncio', 'rich', 'scipy'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert result.stdout == "[]\n"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import cli; raise KeyboardInterrupt", "^shimwright: stopped with Ctrl-C\n$"),
        ("import cli.main; raise KeyboardInterrupt", "^shimwright: stopped with Ctrl-C\n$"),
        ("import cli; 1 / 0", "(?s)^Traceback.*ZeroDivisionError"),
    ],
)
def test_ctrl_c_while_it_is_still_being_loaded(code: str, said: str) -> None:
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, stderr=subprocess.PIPE, text=True, check=False
    )
    assert result.returncode != 0
    assert re.search(said, result.stderr)
