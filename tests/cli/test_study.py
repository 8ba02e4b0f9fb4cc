"""``shimwright study``: planned, measured, typed, corrected, stopped and shown."""

from __future__ import annotations

import io
import json
import os
import pty
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from calc.study import Value
from calc.units import Unit
from capture.readings import Reading
from capture.session import Progress, StrokeSeen
from cli.study_picture import picture
from cli.study_turns import Blind
from tests.calc.gauge_study import published

Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]
ROOT = Path(__file__).parents[2]
HUB = ROOT / "fixtures" / "hubs" / "heron-rear.toml"
STUDY = ROOT / "fixtures" / "studies" / "simulated-three-people.csv"
FAST = "simulated:?end_play=0.12mm&speed=max"


def plan(quick: Run, *more: str | Path) -> str:
    words = ["--people", "Ann,Bo", "--parts", "LF,RF", "--repeats", "2", "--order", "written"]
    result = quick("study", "new", "--title", "two at the front", *words, *more, "--json")
    assert result.returncode == 0, result.stderr
    return str(json.loads(result.stdout)["study_id"])


def shown(quick: Run, *words: str | Path) -> dict[str, Any]:
    result = quick("study", "show", *words, "--json")
    assert result.returncode == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def rows(tmp_path: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as log:
        return log.execute(query).fetchall()


def one_line(result: Finished, said: str, code: int = 2) -> None:
    assert result.returncode == code, result.stderr
    last = result.stderr.splitlines()[-1]
    assert last.startswith("shimwright: ")
    assert re.search(said, last), last
    assert "Traceback" not in result.stderr


def entry(person: str, part: str, repeat: str, value: str, *more: str) -> list[str]:
    return ["enter", "ID", "--person", person, "--part", part, "--repeat", repeat, "--value", value, *more]


def csv_of(path: Path, values: list[Value]) -> Path:
    lines = [f"{v.person},{v.part},{v.repeat},{v.value_mm}" for v in values]
    path.write_text("\n".join(["person,part,repeat,value_mm", *lines, ""]), encoding="utf-8")
    return path


def test_the_published_study_from_a_file(quick: Run, tmp_path: Path) -> None:
    # AIAG, Measurement Systems Analysis: standard deviations, share of the study's spread, categories.
    values = [
        Value(person, part, n, value)
        for (person, part), cell in published().items()
        for n, value in enumerate(cell, 1)
    ]
    found = shown(quick, "--csv", csv_of(tmp_path / "ten.csv", values))
    sds = {one["source"]: (one["sd_mm"], one["variation"]) for one in found["components"]}
    assert sds["repeatability"][0] == pytest.approx(0.19993, abs=6e-6)
    assert sds["reproducibility"][0] == pytest.approx(0.22684, abs=6e-6)
    assert sds["together"] == pytest.approx((0.30237, 0.2786), abs=5e-5)
    assert found["categories"] == 4
    assert found["share"] is found["judgement"] is None


def test_typed_corrected_and_shown(quick: Run, tmp_path: Path) -> None:
    study = plan(quick, "--hub", HUB)
    values = iter(("0.100", "0.101", "0.103", "0.104", "0.150", "0.151", "0.152", "0.154"))
    for part in ("LF", "RF"):
        for person in ("Ann", "Bo"):
            for repeat in ("1", "2"):
                words = (
                    "--person",
                    person,
                    "--part",
                    part,
                    "--repeat",
                    repeat,
                    "--value",
                    f"{next(values)}mm",
                )
                assert quick("study", "enter", study, *words).returncode == 0
    found = shown(quick, study[:8])
    assert found["missing"] == []
    assert [value["value_mm"] for value in found["values"]][:2] == [0.1, 0.101]
    assert found["method"] == "anova"
    words = ("--person", "Ann", "--part", "LF", "--repeat", "1", "--value", "0.004in")
    one_line(quick("study", "enter", study, *words), "has a value already: add --instead")
    assert quick("study", "enter", study, *words, "--instead").returncode == 0
    assert shown(quick, study)["values"][0]["value_mm"] == 0.1016
    assert len(rows(tmp_path, "SELECT 1 FROM study_value")) == 9
    assert rows(tmp_path, "SELECT count(*) FROM study_value WHERE corrects IS NOT NULL") == [(1,)]
    listed = quick("study", "list")
    assert re.search(r"8 of 8 +two at the front \(2 people, 2 parts\)", listed.stdout)


def test_measured_turn_after_turn_and_gone_on_with(quick: Run, tmp_path: Path) -> None:
    study = plan(quick, "--hub", HUB)
    links = ("--link", FAST, "--link", "RF=simulated:?end_play=0.15mm&speed=max")
    first = quick("study", "measure", study, *links, "--turns", "3")
    assert first.returncode == 0, first.stderr
    assert "Value 2 of 8: Ann measures right front (RF)." in first.stderr
    assert "5 of 8 values are missing still." in first.stderr
    only = quick("study", "measure", study, *links, "--person", "Ann")
    assert "Bo measures" not in only.stderr
    rest = quick("study", "measure", study, *links, "--json")
    assert "Value 6 of 8: Bo measures right front (RF)." in rest.stderr
    assert "The study is complete" in rest.stderr
    assert [json.loads(line)["person"] for line in rest.stdout.splitlines()] == ["Bo"] * 3
    found = shown(quick, study)
    assert found["simulated"]
    assert {value["part"]: round(value["value_mm"], 2) for value in found["values"]} == {
        "LF": 0.12,
        "RF": 0.15,
    }
    linked = rows(
        tmp_path,
        "SELECT m.job, v.person, v.part, v.repeat FROM study_value v "
        "JOIN measurement m ON m.id = v.measurement_id WHERE m.corner = v.part "
        "AND m.end_play_mm = v.value_mm",
    )
    assert len(linked) == 8
    assert all(job == f"study {study[:8]}: {who}, {part}, {n}" for job, who, part, n in linked)


def test_no_length_is_shown_while_measuring(quick: Run) -> None:
    study = plan(quick, "--hub", HUB)
    result = quick("study", "measure", study, "--link", FAST, "--turns", "1")
    assert "stroke 2" in result.stderr
    assert result.stdout == ""
    assert not re.search(r"\d\.\d|\bmm\b", result.stderr), result.stderr


def test_what_was_measured_before_a_power_cut_is_taken(quick: Run) -> None:
    study = plan(quick, "--hub", HUB)
    job = f"study {study[:8]}: Ann, LF, 1"  # the measurement was in the log, its value not yet in the study
    words = ("--link", FAST, "--hub", HUB, "--corner", "LF", "--job", job)
    assert quick("measure", *words).returncode == 0
    result = quick("study", "measure", study, "--link", FAST, "--turns", "1")
    assert "Ann, LF, 1 had been measured already and is taken." in result.stderr
    assert "Value 2 of 8: Ann measures right front (RF)." in result.stderr
    assert len(shown(quick, study)["values"]) == 2


def test_a_refused_measurement_leaves_the_turn_open(quick: Run) -> None:
    study = plan(quick, "--hub", HUB)
    turned = "simulated:?motion=turned&speed=max"
    one_line(quick("study", "measure", study, "--link", turned), "refused.*the turn stays open", 3)
    one_line(quick("study", "measure", study, "--link", "serial:/dev/no-such-port"), "no such port", 4)
    assert len(shown(quick, study)["missing"]) == 8


def test_at_a_terminal_it_waits_for_enter_and_stops_at_q(quick: Run, tmp_path: Path) -> None:
    study = plan(quick, "--hub", HUB)
    leader, follower = pty.openpty()
    try:
        os.write(leader, b"\nq\n")
        result = subprocess.run(
            [
                sys.executable,
                "-c",
                "from cli.main import run; run()",
                "study",
                "measure",
                study,
                "--link",
                FAST,
            ],
            cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": str(ROOT), "SHIMWRIGHT_LOG": str(tmp_path / "log.sqlite")},
            stdin=follower,
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
    finally:
        os.close(leader)
        os.close(follower)
    assert result.returncode == 0, result.stderr
    assert result.stderr.count("press Enter") == 2
    assert "Stopped. Go on with: shimwright study measure" in result.stderr
    assert len(shown(quick, study)["values"]) == 1


def test_parts_that_are_no_corners_need_one_named(quick: Run) -> None:
    words = [
        "study",
        "new",
        "--title",
        "bench",
        "--people",
        "Ann",
        "--parts",
        "hub 1",
        "--hub",
        HUB,
        "--json",
    ]
    bare = json.loads(quick(*words).stdout)["study_id"]
    one_line(quick("study", "measure", bare, "--link", FAST), "plan it again with --corner")
    named = json.loads(quick(*words, "--corner", "LR").stdout)["study_id"]
    assert quick("study", "measure", named, "--link", FAST, "--turns", "1").returncode == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["new", "--title", " ", "--people", "A", "--parts", "LF"], "--title: is empty"),
        (["new", "--title", "x", "--people", "A,,B", "--parts", "LF"], "--people"),
        (["new", "--title", "x", "--people", "A,A", "--parts", "LF"], '"A" comes twice'),
        (["new", "--title", "x", "--people", "A", "--parts", "LF", "--repeats", "0"], "outside 1 to 50"),
        (["new", "--title", "x", "--people", "A", "--parts", "LF", "--order", "any"], '"any" is not known'),
        (["new", "--title", "x", "--people", "A", "--parts", "LF", "--corner", "XX"], '"XX" is not known'),
        (["show"], "give either a study's id or --csv"),
        (["show", "zzz"], "no study 'zzz'"),
        (["measure", "zzz", "--link", FAST], "no study 'zzz'"),
        (entry("Cy", "LF", "1", "1mm"), "use Ann or Bo"),
        (entry("Bo", "RR", "1", "1mm"), "use LF or RF"),
        (entry("Bo", "LF", "3", "1mm"), "3 is outside 1 to 2"),
        (entry("Bo", "LF", "1", "1"), "has no unit"),
        (entry("Bo", "LF", "1", "99999mm"), "longer than"),
        (entry("Bo", "LF", "1", "1mm", "--instead"), "no value"),
        (["measure", "ID", "--link", FAST], "--hub: missing"),
        (["measure", "ID", "--link", FAST, "--hub", str(HUB), "--person", "Cy"], "use Ann or Bo"),
        (["measure", "ID", "--link", FAST, "--link", FAST, "--hub", str(HUB)], "two for all parts"),
        (["measure", "ID", "--link", f"RF={FAST}", "--hub", str(HUB)], "LF has none"),
    ],
)  # fmt: skip
def test_mistakes_are_one_line(quick: Run, words: list[str], said: str) -> None:
    study = plan(quick)
    one_line(quick("study", *[study if word == "ID" else word for word in words]), said)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column person, part, repeat"),
        ("person,part,repeat\n", "one of value_mm and value_in"),
        ("person,part,repeat,value_mm,value_in\nA,LF,1,1,1\n", "one of value_mm and value_in"),
        ("person,part,repeat,value_mm\n", "no values below"),
        ("person,part,repeat,value_mm\nA,LF,1,0.3\nA,LF,1,0.4\n", "line 3: A, LF, 1 comes twice"),
        ("person,part,repeat,value_mm\nA,LF,0,0.3\n", 'line 2: repeat "0"'),
        ("person,part,repeat,value_mm\nA,LF,one,0.3\n", 'line 2: repeat "one"'),
        ("person,part,repeat,value_mm\nA,LF,1,0.3mm\n", 'line 2: "0.3mm" is no number'),
        ("person,part,repeat,value_mm\nA,LF,1,nan\n", 'line 2: "nan" is no length'),
        ("person,part,repeat,value_mm\nA,,1,0.3\n", "line 2: person or part is empty"),
        ("person,part,repeat,value_mm\nA,LF\n", "line 2: repeat"),
        ("\xff", "no text in UTF-8"),
    ],
)
def test_a_file_that_cannot_be_read_says_where(quick: Run, tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "wrong.csv"
    file.write_bytes(text.encode("latin-1"))
    one_line(quick("study", "show", "--csv", file), said)


def test_a_file_in_inches_and_with_gaps(quick: Run, tmp_path: Path) -> None:
    lines = STUDY.read_text(encoding="utf-8").splitlines()
    mm = tmp_path / "gaps.csv"
    mm.write_text("\n".join(lines[:20] + lines[24:]), encoding="utf-8")
    found = shown(quick, "--csv", mm, "--hub", HUB)
    assert (found["method"], found["balanced"], len(found["missing"])) == ("reml", False, 4)
    inches = tmp_path / "inches.csv"
    body = [line.rsplit(",", 1) for line in lines[1:]]
    rest = [f"{head},{float(value) / 25.4:.9f},note" for head, value in body]
    inches.write_text("\ufeffperson,part,repeat,value_in,more\n" + "\n".join(rest), encoding="utf-8")
    whole = shown(quick, "--csv", STUDY, "--hub", HUB)
    assert shown(quick, "--csv", inches, "--hub", HUB)["share"] == pytest.approx(whole["share"], rel=1e-5)
    assert " in " in quick("study", "show", "--csv", inches).stdout


@pytest.mark.parametrize(
    ("width", "said"),
    [(1.0, "GOOD ENOUGH"), (0.17, "IT DEPENDS"), (0.08, "NOT GOOD ENOUGH")],
)
def test_the_verdict_goes_by_the_width_of_the_limits(
    quick: Run, tmp_path: Path, width: float, said: str
) -> None:
    hub = tmp_path / "hub.toml"
    hub.write_text(f'title = "any"\nunit = "mm"\n[end_play]\nleast = 0.0\nmost = {width}\n', encoding="utf-8")
    text = quick("study", "show", "--csv", STUDY, "--hub", hub).stdout
    assert f"\n{said}" in text
    assert "Most of it is the hands" in text
    assert "(common practice)" in text


def test_one_person_is_never_called_reproducibility(quick: Run, tmp_path: Path) -> None:
    lines = [
        line for line in STUDY.read_text(encoding="utf-8").splitlines() if not line.startswith(("Bo", "Cy"))
    ]
    file = tmp_path / "ann.csv"
    file.write_text("\n".join(lines), encoding="utf-8")
    found = shown(quick, "--csv", file, "--hub", HUB)
    assert {one["source"] for one in found["components"]} == {"repeatability", "parts"}
    assert found["lacks"] == ["one-person"]
    assert found["expanded_mm"] is found["share"] is found["judgement"] is None
    assert "NOT DECIDED" in quick("study", "show", "--csv", file, "--hub", HUB).stdout


def test_the_picture_fits_and_counts(quick: Run) -> None:
    values = [Value("a rather long name", "x" * 100, 1, 0.3), Value("B", "x" * 100, 1, 0.3)]
    lines = picture([*values, Value("B", "x" * 100, 2, 0.3)], Unit.MM, 80)
    assert max(map(len, lines)) <= 80
    assert "2" in lines[2].partition("|")[2]
    text = quick("study", "show", "--csv", STUDY, "--hub", HUB).stdout
    assert max(map(len, text.splitlines())) <= 80


def test_the_page_shows_what_the_command_prints(quick: Run) -> None:
    page = (ROOT / "docs" / "studies.md").read_text(encoding="utf-8")
    block = re.search(r"```text\n(.*?)```", page, re.DOTALL)
    assert block
    out = quick("study", "show", "--csv", STUDY, "--hub", HUB).stdout
    assert block[1] == out


def test_the_simulated_study_is_made_by_its_script() -> None:
    made = STUDY.read_bytes()
    subprocess.run(
        [sys.executable, str(STUDY.with_name("make_studies.py"))],
        check=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        cwd=ROOT,
    )
    assert STUDY.read_bytes() == made


def test_on_a_terminal_no_length_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    live = Blind(Unit.MM, stream=stream)
    live.see(Reading(Decimal("0.123"), Unit.MM, 1.0))
    live.see(StrokeSeen(1.2, 1, True, "out", 0.3121))
    live.see(Progress(2.2, 0.3119, 0.0123, 4, 1, "4 of 5 full strokes"))
    live.close()
    assert "4 of 5 full strokes" in stream.getvalue()
    assert not re.search(r"\d\.\d", stream.getvalue())


def test_repeats_that_all_showed_the_same_are_not_called_good(quick: Run, tmp_path: Path) -> None:
    values = [Value(person, part, n, 0.1) for person in "AB" for part in ("LF", "RF") for n in (1, 2)]
    text = quick("study", "show", "--csv", csv_of(tmp_path / "same.csv", values), "--hub", HUB).stdout
    assert "NOT DECIDED: every repeat showed the same" in text
    assert "GOOD ENOUGH" not in text


def section() -> list[list[tuple[str, bool]]]:
    """The tables of docs/contracts.md on studies: each key, and whether it is never null."""
    page = (ROOT / "docs" / "contracts.md").read_text(encoding="utf-8")
    text = page.partition("\n## Repeatability studies\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"(?:^\|.*\|\n)+", text, re.MULTILINE)
    tables = [[line.strip("|").split(" | ") for line in block.splitlines()[2:]] for block in blocks]
    return [[(row[0].strip(" `"), row[2].strip() == "never") for row in table] for table in tables]


def agrees(thing: dict[str, Any], table: list[tuple[str, bool]]) -> None:
    assert list(thing) == [key for key, _ in table]
    assert {key for key, value in thing.items() if value is None} <= {
        key for key, never in table if not never
    }


def test_the_contracts_describe_the_objects(quick: Run) -> None:
    listing, turn, whole, line, component = section()
    study = plan(quick, "--hub", HUB)
    agrees(json.loads(quick("study", "list", "--json").stdout), listing)
    agrees(shown(quick, study), whole)
    words = ("--person", "Ann", "--part", "LF", "--repeat", "1", "--value", "0.1mm", "--json")
    agrees(json.loads(quick("study", "enter", study, *words).stdout), turn)
    agrees(
        json.loads(quick("study", "measure", study, "--link", FAST, "--turns", "1", "--json").stdout), turn
    )
    full = shown(quick, "--csv", STUDY, "--hub", HUB)
    agrees(full, whole)
    for table, name in ((line, "anova"), (component, "components")):
        assert full[name]
        for one in full[name]:
            agrees(one, table)
