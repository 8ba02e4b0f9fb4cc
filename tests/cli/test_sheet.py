"""The job sheet holds every fact of the job, on two pages at most for two corners, and shows text as text."""

from __future__ import annotations

import io
import re
import time
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
import typer
from typer.testing import CliRunner, Result

from calc.hub import parse_hub
from cli import sheet
from cli.main import OneLineGroup
from cli.sheet_content import Content, Source, content_of
from cli.sheet_html import html_sheet
from cli.sheet_pdf import pdf_sheet
from cli.words import SIMULATED
from joblog.checks import GaugeCheck, GaugeIdentity
from joblog.jobs import EntryKind, load_job
from joblog.records import new_id
from joblog.store import Store
from tests.cli.conftest import HERON_REAR
from tests.cli.job_cards import INCH_REAR, Writer, two_corners

START = datetime.fromisoformat("2026-03-02T08:30:00+00:00")
NASTY = '<script>alert(1)</script> #import "x" *bold* \\ $x^2$ @ref `raw` &amp; %s {{x}}'


class Reader(HTMLParser):
    """The words of a page, its elements, and whatever it would load from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in {"src", "href", "srcset", "action", "data", "xlink:href"} or name.startswith("on"):
                self.outside.append(f"{name}={value}")

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def read_html(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    return reader


def pages(pdf: bytes) -> list[str]:
    """The words of each page; the marks where a long word may break are taken out."""
    return [
        " ".join(page.extract_text().replace("\u200b", "").split())
        for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
    ]


def content(path: Path, job_id: str) -> Content:
    return content_of(sheet.source_of(path, load_job(path, job_id)))


FACTS = [
    "Heron GT",
    "LG 1234",
    "123,456 km (76,712 mi)",  # 123456 / 1.609344 = 76712.0
    "Ada Larkfield",
    "Left rear (LR)",
    "Right rear (RR)",
    "As found",
    "As left",
    "LOOSE, too much end play",
    "WITHIN LIMITS",
    "0.03 mm (0.0012 in) to 0.20 mm (0.0079 in)",
    "pitted race; RENEWED",
    "spacer: KEPT",
    "3.20 mm (0.126 in)",
    "2.95 mm (0.1161 in)",
    "expected end play 0.062 mm (0.0024 in)",
    "with a probability of 99.8 %",
    "135 N·m (100 lb·ft)",
    "tightened on by 12 degrees; new cotter pin",
    "Brake hose rubs on the arm",
    "was: Brake pipe rubs on the arm",
    "never on the jack alone",
    "maker's service literature",
    "no check of it in this log",
    SIMULATED,
    "Signature",
]


def test_every_fact_is_on_both_and_two_corners_take_two_pages(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    made = content(log, two_corners(log))
    paper = pages(pdf_sheet(made))
    page = read_html(html_sheet(made)).text
    assert len(paper) <= 2
    numbers = [
        item[key]
        for corner in made["corners"]
        for item in corner["course"]
        if item["is"] == "measured"
        for key in ("result", "other")
    ]
    assert len(numbers) == 8
    for fact in [*FACTS, *numbers]:
        assert fact in " ".join(paper), fact
        assert fact in page, fact


def test_an_eventful_job_at_two_corners_still_takes_two_pages(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        job = Writer(store, START)
        job.open()
        for corner in ("LR", "RR"):
            job.measure(corner, "as-found", 0.31)
            job.add(EntryKind.TORN_DOWN, corner)
            for number in range(8):
                job.add(EntryKind.PART, corner, {"name": f"part {number}", "action": "renewed", "with": []})
            job.add(EntryKind.FITTED, corner, {"thicknesses_mm": [3.2], "trial": False})
            job.add(EntryKind.REASSEMBLED, corner, {"thicknesses_mm": [3.1], "torque_text": "135 N·m"})
            if corner == "LR":
                job.measure(corner, "as-left", 0.22)
                job.add(EntryKind.REASSEMBLED, corner, {"thicknesses_mm": [2.95], "torque_text": "135 N·m"})
            job.measure(corner, "as-left", 0.07)
        job.close()
    assert len(pages(pdf_sheet(content(log, job.job_id)))) <= 2


def test_an_inch_hub_says_inches_first(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    made = content(log, two_corners(log, hub_text=INCH_REAR, odometer=76_712, unit="mi"))
    paper = " ".join(pages(pdf_sheet(made)))
    assert "0.001 in (0.025 mm) to 0.008 in (0.203 mm)" in paper
    assert "76,712 mi (123,456 km)" in paper  # 76712 * 1.609344 = 123456.0
    first = made["corners"][0]["course"][0]
    assert re.fullmatch(r"0\.0\d+ in ± 0\.0\d+ in \(95 %\)", first["result"])
    assert re.fullmatch(r"0\.\d+ mm ± 0\.\d+ mm \(95 %\)", first["other"])


@pytest.mark.parametrize(
    "text", [NASTY, "X" * 200, "Héron \u202eGT\x00\ud800", "日本 GT", "-- ~ ... 'q' \"q\""]
)
def test_what_people_write_is_shown_as_text(tmp_path: Path, text: str) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        job = Writer(store, START)
        job.open(["LR"])
        job.add(EntryKind.NOTE, "LR", {"text": "a note"})
        job.close()
    card = load_job(log, job.job_id)
    note = replace(card.notes[0], data={"text": text})
    made = content_of(Source(replace(card, vehicle=text, notes=(note,)), {}))
    shown = made["facts"][0][1]
    assert "\u202e" not in shown
    assert "\x00" not in shown
    page = read_html(html_sheet(made))
    assert page.text.count(shown) >= 2
    assert "script" not in page.tags
    paper = "".join("".join(pages(pdf_sheet(made))).split())
    if shown.isascii():
        assert paper.count("".join(shown.split())) >= 2


def test_a_long_name_stays_on_the_page(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    made = content(log, two_corners(log, vehicle="X" * 200))
    lines = pypdf.PdfReader(io.BytesIO(pdf_sheet(made))).pages[0].extract_text().splitlines()
    broken = [line.replace("\u200b", "") for line in lines if "XX" in line]
    assert len(broken) >= 3
    assert max(map(len, broken)) < 80  # as many as a line takes
    assert "X" * 200 in "".join("".join(lines).replace("\u200b", "").split())


def test_the_page_loads_nothing_from_anywhere(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    text = html_sheet(content(log, two_corners(log)))
    page = read_html(text)
    assert page.outside == []
    assert not {"script", "img", "link", "iframe", "object", "embed"} & set(page.tags)
    assert "url(" not in text
    assert "@import" not in text
    assert set(re.findall(r"https?://[^\"' <]+", text)) <= {
        "http://www.w3.org/2000/svg"
    }  # a name, not a place
    assert page.tags.count("svg") == 8


def test_the_same_job_gives_the_same_bytes(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    job = two_corners(log)
    assert pdf_sheet(content(log, job)) == pdf_sheet(content(log, job))
    assert html_sheet(content(log, job)) == html_sheet(content(log, job))


def test_times_are_local_with_their_offset(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Paris")
    time.tzset()
    try:
        log = tmp_path / "log.sqlite"
        made = content(log, two_corners(log))
        assert ["Opened", "2026-03-02 09:31 +01:00"] in made["facts"]
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()


def test_an_unfinished_job_says_so_and_what_is_left(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        job = Writer(store, START)
        job.open()
        job.measure("LR", "as-found", 0.31)
        job.add(EntryKind.TORN_DOWN, "LR")
    made = content(log, job.job_id)
    for text in (" ".join(pages(pdf_sheet(made))), read_html(html_sheet(made)).text):
        assert (
            "NOT FINISHED. Left rear (LR): parts to be looked at; Right rear (RR): to be measured as found."
            in text
        )
        assert "NOT CLOSED" in text


def test_refused_attempts_skipped_steps_and_packs_are_told(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        job = Writer(store, START)
        job.open(["LR"])
        reasons = [{"code": "no-strokes", "text": "no strokes were seen"}]
        found = {"usable": False, "reasons": reasons, "resolution_mm": 0.001}
        job.measure("LR", "as-found", 0.31, analysis=found, state="refused", verdict=None, p_within=None)
        job.measure("LR", "as-found", 0.31)
        job.add(EntryKind.SKIPPED, "LR", {"step": "parts", "why": "seen last week"})
        job.add(EntryKind.FITTED, "LR", {"thicknesses_mm": [1.2, 2.0], "trial": True})
        job.close()
    text = " ".join(pages(pdf_sheet(content(log, job.job_id))))
    assert "Attempt refused" in text
    assert "no strokes were seen." in text
    assert "parts: seen last week" in text
    assert "a pack of 2: 1.20 mm + 2.00 mm; a trial shim" in text


def test_cautions_of_one_corner_name_it_and_a_wrong_torque_is_pointed_out(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    job = load_job(log, two_corners(log))
    other = parse_hub(HERON_REAR.replace("135 N·m", "160 N·m"), "late.toml")
    corners = job.corners | {"RR": replace(job.corners["RR"], hub=other)}
    made = content_of(replace(sheet.source_of(log, job), job=replace(job, corners=corners)))
    assert "LR: Tighten the nut to 135 N·m (100 lb·ft), as the hub file says." in made["cautions"]
    assert "RR: Tighten the nut to 160 N·m (118 lb·ft), as the hub file says." in made["cautions"]
    assert sum(text.startswith("LR") for text in made["cautions"]) == 1
    left, right = ([item["text"] for item in c["course"] if item["is"] == "row"][-1] for c in made["corners"])
    assert "NOT AS" not in left
    assert right.endswith("NOT AS THE HUB FILE SAYS: 160 N·m (118 lb·ft)")


def test_a_gauge_has_its_last_check_before_the_measurement(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        job = Writer(store, START)
        job.open(["LR"])
        m = job.measure("LR", "as-found", 0.31, gauge_name="bay 2")
        job.close()
        for at, error in (("2026-03-01T08:00:00.000Z", 0.001), ("2026-03-09T08:00:00.000Z", 0.009)):
            store.add_check(
                GaugeCheck(
                    id=new_id(), at=at, gauge=GaugeIdentity(m.link, m.profile, "bay 2"), unit=m.unit,
                    block_mm=10.0, block_u_mm=None, repeats=5, error_mm=error, u_mm=0.0005,
                    expanded_mm=0.0012, repeatability_mm=0.0004, permissible_error_mm=0.003,
                    outcome="pass", p_within=0.99,
                    simulated=False, version="0.1.0", found={},
                )
            )  # fmt: skip
    text = " ".join(pages(pdf_sheet(content(log, job.job_id))))
    assert "bay 2" in text
    assert "error 0.0010 mm ± 0.0012 mm (95 %), ± 0.0030 mm permissible: PASSED" in text
    assert "0.0090" not in text  # that check came later


def ask(*words: str | Path) -> Result:
    app = typer.Typer(cls=OneLineGroup)
    app.callback()(lambda: None)
    sheet.add_to(app)
    return CliRunner().invoke(app, ["sheet", *map(str, words)])


def test_the_command_writes_either_and_replaces_nothing_unasked(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    job = two_corners(log)
    for name, begins in (("a.pdf", b"%PDF"), ("a.html", b"<!DOCTYPE html>")):
        out = tmp_path / name
        result = ask(job[:6], "--out", out, "--log", log)
        assert result.exit_code == 0, result.stderr
        assert out.read_bytes().startswith(begins)
        again = ask("--out", out, "--log", log)
        assert again.exit_code == 2
        assert "add --force" in again.stderr
        assert ask("--out", out, "--log", log, "--force").exit_code == 0
    assert '"closed": true' in ask("--out", tmp_path / "b.pdf", "--log", log, "--json").stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--out", "x.doc"], "end it in .pdf or .html"),
        (["--out", "no/such/x.pdf"], "there is no folder"),
        (["ffff"], "no job"),
    ],
)
def test_mistakes_are_one_line(tmp_path: Path, words: list[str], said: str) -> None:
    log = tmp_path / "log.sqlite"
    two_corners(log)
    result = ask(*words, "--log", log)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.splitlines()) <= 3


def test_a_log_without_jobs_says_how_to_open_one(tmp_path: Path) -> None:
    Store.open(tmp_path / "log.sqlite").close()
    result = ask("--log", tmp_path / "log.sqlite")
    assert result.exit_code == 2
    assert "shimwright job open" in " ".join(result.stderr.split())
