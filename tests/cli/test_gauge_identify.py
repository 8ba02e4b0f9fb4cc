"""An unknown gauge on a line or in a file is found out, asked about and saved; what cannot be told is not."""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.profile_files import load_profile
from cli import gauge_identify
from cli.whole import app
from tests.cli.conftest import Indicator

FORMATS = Path(__file__).parents[2] / "fixtures" / "formats"


def run(*words: str | Path, said: str | None = None) -> Result:
    return CliRunner().invoke(app, ["gauge", "identify", *map(str, words)], input=said)


@pytest.mark.parametrize(("answer", "saved"), [("y\n", True), ("n\n", False)])
def test_a_captured_gauge_is_saved_once_it_is_confirmed(answer: str, saved: bool, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    result = run("--capture", FORMATS / "text-csv.chunks.jsonl", "--save", path, said=answer)
    assert result.exit_code == 0
    assert "249 frames read, 100 % of the bytes explained." in result.stdout
    assert "in steps of 0.001 mm." in result.stdout
    assert path.exists() is saved
    assert ("saved; measure with" in result.stderr) is saved
    if saved:
        profile = load_profile(str(path))
        assert profile.gauge.resolution_mm == 0.001
        checked = CliRunner().invoke(app, ["gauge", "check", str(path)])
        assert checked.exit_code == 0


def test_as_json_nothing_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    words: list[str | Path] = ["--capture", FORMATS / "packed-counted.chunks.jsonl", "--json", "--save", path]
    result = run(*words)
    assert result.exit_code == 0
    assert not path.exists()
    assert "add --yes to save" in result.stderr
    told = json.loads(result.stdout)
    assert told["sure"] is True
    best = told["proposals"][0]
    assert (best["unit"], best["unit_sent"], best["resolution"]) == ("mm", False, "0.001")
    assert best["explained"] > 0.99
    assert best["first_move"] in {"up", "down"}
    assert run(*words, "--yes").exit_code == 0
    assert path.read_text(encoding="utf-8") == best["toml"]


def test_what_cannot_be_told_is_not_saved(tmp_path: Path) -> None:
    capture, path = tmp_path / "raw", tmp_path / "mine.toml"
    capture.write_bytes(bytes(range(14, 250)) * 9)
    result = run("--capture", capture, "--save", path, "--yes")
    assert result.exit_code == 3
    assert "Cannot tell" in result.stdout
    assert not path.exists()
    capture.write_bytes(
        b"".join(b"%+.3f %+.3f\r\n" % (3 * math.sin(n / 9), 2 * math.sin(n / 7)) for n in range(250))
    )
    result = run("--capture", capture)
    assert result.exit_code == 3
    assert "more than one number moves" in result.stdout
    assert "Possible reading 2:" in result.stdout
    assert "[text]" not in result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "either --link URL or --capture FILE"),
        (("--link", "loop://", "--capture", "x"), "either --link URL or --capture FILE"),
        (("--capture", "x", "--seconds", "0"), "--seconds"),
        (("--capture", "x", "--travel", "5"), "--travel"),
        (("--capture", "x", "--travel", "5000mm"), "no movement of a plunger"),
        (("--capture", "/nowhere/x"), "cannot be read: No such file"),
        (("--link", "serial:/dev/ttyNOTHERE7?baud=9600"), "no such port"),
        (("--link", "serial:x?bod=9600"), "unknown option"),
    ],
)
def test_misuse_is_one_line(words: tuple[str, ...], said: str) -> None:
    result = run(*words)
    assert result.exit_code in {2, 4}
    assert said in result.stderr.splitlines()[-1]


def test_a_file_that_is_no_capture(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    path.write_text('{"at": 0.0, "hex": "3031"}\n{"at": 0.1, "hex": "3z"}\n', encoding="utf-8")
    result = run("--capture", path)
    assert result.exit_code == 2
    assert "line 2 is no" in result.stderr


class Swinging:
    """An indicator whose plunger is moved all the time."""

    def __init__(self, indicator: Indicator) -> None:
        self.indicator = indicator
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _send(self) -> None:
        begun = time.monotonic()
        while not self._stop.wait(0.005):
            at = time.monotonic() - begun
            self.indicator.send(b"X%+.3f#" % (2.5 * math.sin(5 * at)))


@pytest.fixture
def swinging() -> Iterator[Swinging]:
    one = Swinging(Indicator())
    yield one
    one.stop()
    one.indicator.unplug()


def test_a_gauge_on_a_line(swinging: Swinging, tmp_path: Path) -> None:
    path, kept = tmp_path / "mine.toml", tmp_path / "kept.jsonl"
    link = swinging.indicator.url
    result = run("--link", link, "--seconds", "1.5", "--save", path, "--keep", kept, "--yes")
    assert result.exit_code == 0, result.stdout + result.stderr
    assert "push the plunger in by about 5 mm" in result.stderr
    assert "listening for 1.5 s at 9600 baud" in result.stderr
    assert "at 4800 baud" not in result.stderr  # it was sure after the first
    assert "baud = 9600" in path.read_text(encoding="utf-8")
    again = run("--capture", kept, "--json")
    assert again.exit_code == 0
    best, first = json.loads(again.stdout)["proposals"][0], load_profile(str(path))
    assert best["resolution"] == "0.001"
    assert first.parse(b"X-1.250") == load_profile(str(path)).parse(b"X-1.250")
    assert not isinstance(first.parse(b"X-1.250"), str)


def test_a_line_on_which_nothing_comes_is_tried_at_every_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gauge_identify, "BAUDS", (9600, 4800))
    silent = Indicator()
    try:
        result = run("--link", silent.url, "--seconds", "0.5")
    finally:
        silent.unplug()
    assert result.exit_code == 3
    assert "at 9600 baud" in result.stderr
    assert "at 4800 baud" in result.stderr
    assert "nothing came" in result.stdout
