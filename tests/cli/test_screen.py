"""What a stream can show decides how we print."""

from __future__ import annotations

import io
import json
import os
import pty

import pytest

from cli.screen import message, plain, put, put_json, screen_of


def test_a_file_is_no_terminal_and_gets_no_colour() -> None:
    screen = screen_of(io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
    assert (screen.width, screen.drawn, screen.colour, screen.tty) == (80, True, False, False)


@pytest.mark.parametrize(("encoding", "drawn"), [("utf-8", True), ("ascii", False), ("latin-1", False)])
def test_letters_follow_the_encoding(encoding: str, drawn: bool) -> None:
    assert screen_of(io.TextIOWrapper(io.BytesIO(), encoding=encoding)).drawn is drawn


@pytest.mark.parametrize(
    ("variables", "colour"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_a_terminal_has_colour_unless_told(
    variables: dict[str, str], colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    master, slave = pty.openpty()
    with os.fdopen(slave, "w", encoding="utf-8") as stream:
        assert screen_of(stream).colour is colour
    os.close(master)


@pytest.mark.parametrize(("columns", "width"), [("20", 60), ("100", 100), ("500", 120)])
def test_the_width_is_kept_between_60_and_120(
    columns: str, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    master, slave = pty.openpty()
    with os.fdopen(slave, "w", encoding="utf-8") as stream:
        assert screen_of(stream).width == width
    os.close(master)


def test_text_is_put_in_letters_the_stream_has() -> None:
    buffer = io.BytesIO()
    stream = io.TextIOWrapper(buffer, encoding="ascii")
    put("0.312 mm ± 0.008 mm · 135 N·m", stream)
    assert buffer.getvalue() == b"0.312 mm +/- 0.008 mm . 135 N.m\n"


def test_plain_is_always_ascii() -> None:
    assert plain("№ ±") == "? +/-"


def test_a_message_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    message("first\n  second")
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", "first second\n")


def test_json_is_one_line_and_exact(capsys: pytest.CaptureFixture[str]) -> None:
    put_json({"end_play_mm": 0.1 + 0.2, "text": "a\nb µ"})
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    assert json.loads(out) == {"end_play_mm": 0.1 + 0.2, "text": "a\nb µ"}


def test_json_refuses_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="JSON"):
        put_json({"dof": float("inf")})
