"""The built-in profiles are listed and shown; every mistake in a file is named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.profile_files import built_in, built_in_names, load_profile
from cli.whole import app


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["gauge", *map(str, words)])


def test_every_built_in_profile_is_listed() -> None:
    result = run("list")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    for name in built_in_names():
        assert any(line.startswith(f"{name} ") for line in lines)
    rows = [json.loads(line) for line in run("list", "--json").stdout.splitlines()]
    assert [row["name"] for row in rows] == list(built_in_names())
    assert {row["sends"] for row in rows} == {"stream", "asked", "button"}


@pytest.mark.parametrize("name", built_in_names())
def test_each_can_be_shown(name: str) -> None:
    result = run("show", name)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{name}: ")
    assert "Examples:" in result.stdout
    told = json.loads(run("show", name, "--json").stdout)
    assert (told["name"], told["sends"]) == (name, built_in(name).sends)
    assert len(told["examples"]) == len(built_in(name).examples)


def test_what_is_shown_in_words(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        'name = "mine"\n[gauge]\nunit = "in"\nresolution = 0.0005\nrange = 1\npermissible_error = 0.001\n'
        'permissible_error_source = "data sheet"\n',
        encoding="utf-8",
    )
    assert run("show", path).stdout.splitlines() == [
        "mine",
        "It sends all the time.",
        "Line: 9600 baud, 8 data bits, parity none, 1 stop bits; a link's options come",
        "  first.",
        "Unit: in.",
        "Resolution: 0.0005 in.",
        "Range: 1.0000 in.",
        "Permissible error: 0.0010 in (data sheet).",
    ]
    asked = run("show", "registers-asked").stdout
    assert (
        "It sends when it is asked: \\x01\\x03\\x00\\x00\\x00\\x02\\xc4\\x0b every 0.05 s."
        in asked.replace("\n  ", " ")
    )
    flags = run("show", "bcd-3-flags").stdout
    assert "  AA 00 12 34 06 20  1.234 mm hold low battery\n" in flags
    assert "  AA 00 12 34 00 27  garbled\n" in flags
    assert '  "- 0.0125 in B"  -0.0125 in low battery\n' in run("show", "line-flags").stdout


def test_a_built_in_profile_can_be_copied(tmp_path: Path) -> None:
    path = tmp_path / "copy.toml"
    path.write_text(run("show", "bcd-3-flags", "--toml").stdout, encoding="utf-8")
    copy, original = load_profile(str(path)), built_in("bcd-3-flags")
    assert (copy.framing, copy.parse, copy.gauge) == (original.framing, original.parse, original.gauge)
    assert copy.examples == original.examples
    result = run("show", "line", "--toml")
    assert result.exit_code == 2


def test_an_unknown_one_is_one_line() -> None:
    result = run("show", "lien")
    assert result.exit_code == 2
    assert "is not built in; give one of line, " in result.stderr
    assert result.stderr.count("\n") == 1


def test_mistakes_are_named_with_key_and_line(tmp_path: Path) -> None:
    good, bad, gone = tmp_path / "good.toml", tmp_path / "bad.toml", tmp_path / "gone.toml"
    good.write_text(built_in("semicolon").source, encoding="utf-8")
    bad.write_text('[serial]\nbaud = 1\nparty = "even"\n', encoding="utf-8")
    result = run("check", good, bad, gone)
    assert result.exit_code == 2
    assert result.stdout == f"{good}: no mistakes found (semicolon; 3 examples read as they should)\n"
    assert f"{bad}: line 2: serial.baud: 1 must be a whole number" in result.stderr
    assert f'{bad}: line 3: serial.party: is no key here; did you mean "parity"?' in result.stderr
    assert f"{gone}: cannot be read: No such file" in result.stderr
    rows = [json.loads(line) for line in run("check", good, bad, "--json").stdout.splitlines()]
    assert [(row["ok"], row["name"], len(row["problems"])) for row in rows] == [
        (True, "semicolon", 0),
        (False, None, 2),
    ]
    assert rows[1]["problems"][0]["key"] == "serial.baud"
    assert run("check", good).exit_code == 0
