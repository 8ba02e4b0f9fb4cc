"""Pictures in files: what stands on them, in each format, and no file lost."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from calc.units import Unit
from capture.simulator import HubModel, simulate
from cli import plots
from cli.plots import Compared, _room
from cli.selecting import local_time
from tests.cli.looking_back import keep, recorded, run, simulated

ONE = recorded(simulate(HubModel(strokes=12, slip_mm=0.1, half_share=0.25), 4).trace)
OTHER = simulated(0.06, 3, stage="as-left", at="2026-03-02T11:00:00Z")
REFUSED = recorded(simulate(HubModel(strokes=3), 1).trace)


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(path))
    monkeypatch.chdir(tmp_path)
    keep(path, ONE, OTHER, REFUSED)
    return path


def words(file: Path) -> str:
    """The text on a PDF's page."""
    return " ".join(PdfReader(file).pages[0].extract_text().split())


def test_what_stands_on_a_picture(log: Path, tmp_path: Path) -> None:
    assert log.exists()
    result = run("plot", ONE.id, "--out", "a.pdf")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "drawn into a.pdf\n")
    text = words(tmp_path / "a.pdf")
    for said in (
        "SIMULATED – Heron GT, LG 1234: left rear, as found",
        local_time(ONE.at),
        "LOOSE, too much end play",
        "time, s",
        "reading, mm",
        "out (reading high): rest on its stop",
        "in (reading low): rest on its stop",
        "half",
        "the base slipped +0.0",
        "limits",
        "end play",
        f"{ONE.analysis['end_play_mm']:.3f} mm",
    ):
        assert said in text, said
    assert text.count("SIMULATED") == 2  # in the title and across the picture


def test_a_real_measurement_is_not_called_simulated(log: Path, tmp_path: Path) -> None:
    real = replace(ONE, id="00000000-0000-4000-8000-000000000001", simulated=False, unit=Unit.INCH)
    keep(log, real)
    run("plot", real.id, "--out", "real.pdf")
    text = words(tmp_path / "real.pdf")
    assert "SIMULATED" not in text
    assert "reading, in" in text
    assert "mm" not in text


def test_a_refused_one_says_why(log: Path, tmp_path: Path) -> None:
    assert log.exists()
    assert run("plot", REFUSED.id, "--out", "r.pdf").exit_code == 0
    text = words(tmp_path / "r.pdf")
    assert f"Refused: {REFUSED.analysis['reasons'][0]['text'][:40]}" in text
    assert "limits" not in text


@pytest.mark.parametrize("ending", plots.ENDINGS)
def test_each_format_is_what_its_ending_says(ending: str, log: Path, tmp_path: Path) -> None:
    assert log.exists()
    file = tmp_path / f"picture{ending.upper()}"
    assert run("plot", OTHER.id, "--out", file).exit_code == 0
    begins = {".png": b"\x89PNG\r\n\x1a\n", ".svg": b"<?xml", ".pdf": b"%PDF-"}[ending]
    assert file.read_bytes().startswith(begins)


def test_it_can_be_read_in_black_and_white(log: Path, tmp_path: Path) -> None:
    """Out and in differ by shape and filling: the picture's own colours are taken off, and both are there."""
    assert log.exists()
    run("plot", OTHER.id, "--out", "p.png")
    raw = (tmp_path / "p.png").read_bytes()
    width, height = struct.unpack(">II", raw[16:24])
    assert (width, height) == (1350, 750)
    run("plot", OTHER.id, "--out", "p.svg")
    svg = (tmp_path / "p.svg").read_text()
    assert "fill: #ffffff; stroke: #d55e00" in svg  # in: hollow
    assert "fill: #0072b2; stroke: #0072b2" in svg  # out: filled


@pytest.mark.parametrize("command", ["plot", "compare"])
@pytest.mark.parametrize(
    ("file", "told"),
    [
        ("picture.jpg", 'has ".jpg": end it in .png, .svg or .pdf'),
        ("picture", "has no ending"),
        ("nowhere/picture.png", "there is no folder nowhere"),
        ("there.png", "exists and stays as it is: name a new file, or add --force"),
        ("folder.png", "is a folder"),
    ],
)
def test_a_mistake_is_one_line_and_no_file_is_lost(
    command: str, file: str, told: str, log: Path, tmp_path: Path
) -> None:
    assert log.exists()
    (tmp_path / "there.png").write_text("mine")
    (tmp_path / "folder.png").mkdir()
    ids = [ONE.id, OTHER.id] if command == "compare" else [ONE.id]
    result = run(command, *ids, "--out", file)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""
    assert (tmp_path / "there.png").read_text() == "mine"


def test_force_replaces(log: Path, tmp_path: Path) -> None:
    assert log.exists()
    (tmp_path / "there.svg").write_text("mine")
    assert run("plot", ONE.id, "--out", "there.svg", "--force").exit_code == 0
    assert (tmp_path / "there.svg").read_text().startswith("<?xml")


def test_a_comparison_names_each(log: Path, tmp_path: Path) -> None:
    assert log.exists()
    assert run("compare", ONE.id, OTHER.id, "--out", "c.pdf").exit_code == 0
    text = words(tmp_path / "c.pdf")
    for said in (
        "SIMULATED",
        "A: LR as-found",
        "B: LR as-left",
        "limits 0.03 mm to 0.20 mm",
        "95 % interval",
    ):
        assert said in text, said
    assert "height of the stroke, mm" in text
    assert "does not begin at 0" not in text
    keep(log, twin := simulated(0.061, 8))
    run("compare", OTHER.id, twin.id, "--out", "near.pdf")
    assert "the axis does not begin at 0" in words(tmp_path / "near.pdf")


def test_the_axis_shows_small_differences_and_large_ones_from_zero() -> None:
    def row(*heights: float) -> Compared:
        return Compared(
            name="A", numbers=[1] * len(heights), heights_mm=heights, end_play_mm=None, expanded_mm=None
        )

    low, high = _room([row(0.31, 0.312)], Unit.MM)
    assert 0.30 < low < 0.31
    assert 0.312 < high < 0.32
    low, high = _room([row(0.31), row(0.06)], Unit.MM)
    assert low == 0.0
    assert high > 0.31
    assert _room([row(0.2)], Unit.MM)[1] > 0.2
