"""docs/contracts.md and docs/reason-codes.md are read, and held against what the code gives."""

from __future__ import annotations

import csv
import importlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from calc.hub import load_hub, parse_hub
from calc.shims import choose_shim
from calc.units import Unit
from capture.end_play import EndPlay, Refusal, analyse_trace, analysis_object
from capture.readings import MOST_DECIMALS, MOST_VALUE, Gauge
from capture.refusals import ReasonCode, stopped
from capture.simulator import HubModel, simulate
from cli.errors import ExitCode
from cli.fitting import shim_object
from cli.hub import hub_object
from cli.whole import app
from joblog.paths import ENVIRONMENT, FILE_NAME
from joblog.reader import Listed
from joblog.records import CORNERS, STAGES, STATES, Measurement, new_id, utc_now
from joblog.store import Store

ROOT = Path(__file__).parents[1]
CONTRACTS = (ROOT / "docs" / "contracts.md").read_text(encoding="utf-8")
CODES = (ROOT / "docs" / "reason-codes.md").read_text(encoding="utf-8")
HOW = (ROOT / "docs" / "how-the-number-is-found.md").read_text(encoding="utf-8")
FRONT, REAR = (ROOT / "fixtures" / "hubs" / f"heron-{end}.toml" for end in ("front", "rear"))

TRACE = simulate(HubModel(), 1).trace
GAUGE = Gauge(permissible_error_mm=0.004, permissible_error_source="data sheet", misalignment_deg=3.0)
FOUND = analyse_trace(TRACE, GAUGE)
REFUSED = Refusal((stopped("the link was lost"),), 2, 1, 0.001)
Table = list[list[str]]


def tables(page: str, heading: str) -> list[Table]:
    """The tables under a heading: their rows, without head and rule; code marks are taken off."""
    section = page.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    assert section, f"no heading {heading}"
    found: list[Table] = []
    for block in re.findall(r"(?:^\|.*\|\n)+", section, re.MULTILINE):
        rows = [
            [cell.strip() for cell in line.strip().strip("|").split(" | ")] for line in block.splitlines()
        ]
        found.append([[row[0].strip("` "), *row[1:]] for row in rows[2:]])
    return found


def keys(table: Table) -> list[str]:
    return [row[0] for row in table]


def never_null(table: Table) -> set[str]:
    return {row[0] for row in table if row[2] == "never"}


def nulls(thing: dict[str, Any]) -> set[str]:
    return {key for key, value in thing.items() if value is None}


def measurement(outcome: EndPlay | Refusal, **own: Any) -> Measurement:
    hub = load_hub(REAR)
    values: dict[str, Any] = {
        "id": new_id(),
        "at": utc_now(),
        "corner": "LR",
        "stage": "as-found",
        "state": "refused",
    }
    values |= {
        "analysis": analysis_object(outcome),
        "hub_title": hub.title,
        "hub_text": hub.text,
        "unit": hub.unit,
    }
    values |= {
        "least_mm": hub.limits.least_mm,
        "most_mm": hub.limits.most_mm,
        "link": "simulated:",
        "profile": "line",
    }
    values |= {"gauge": GAUGE, "simulated": True, "version": "0", "trace": TRACE}
    return Measurement(**values | own)


def test_the_analyse_object() -> None:
    whole, row = tables(CONTRACTS, "The analyse object")
    usable, refused = analysis_object(FOUND), analysis_object(REFUSED)
    assert keys(whole) == ["file", *usable] == ["file", *refused]
    assert nulls(usable) == set()
    assert nulls(refused) == set(keys(whole)) - never_null(whole)
    assert [keys(row)] * len(usable["budget"]) == [list(one) for one in usable["budget"]]
    assert (
        set(keys(row)) - never_null(row) == {"dof"} == {key for one in usable["budget"] for key in nulls(one)}
    )
    assert [list(reason) for reason in refused["reasons"]] == [["code", "text"]]


def test_the_measure_object() -> None:
    (own,) = tables(CONTRACTS, "The measure object")
    analysis = list(analysis_object(FOUND))
    hub = load_hub(REAR)
    assert isinstance(FOUND, EndPlay)
    shim = shim_object(choose_shim(FOUND.end_play_mm, FOUND.u_mm, FOUND.dof, 3.2, hub))
    known: dict[str, Any] = {
        "shim": shim,
        "gauge_note": "it failed its last check",
        "notes": ("the base slipped",),
    }
    known["origin"] = "old.csv"
    full = measurement(FOUND, state="measured", verdict="loose", p_within=0.0, **known).measure_object()
    assert list(full) == [*analysis, *keys(own)]
    assert nulls(full) == set()
    bare = measurement(REFUSED).measure_object()
    assert list(bare) == [*list(full)[:-5], "simulated"]
    assert nulls(bare) - set(analysis) == set(keys(own)) - never_null(own)
    for word in (*CORNERS, *STAGES, *STATES):
        assert f"`{word}`" in CONTRACTS


def printed(*words: str | Path) -> dict[str, Any]:
    """The one object that a command prints."""
    result = CliRunner().invoke(app, [*map(str, words), "--json"])
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def trace_file(file: Path, levels: tuple[str, ...]) -> str:
    """A replay of presses, three seconds apart."""
    rows = "".join(f"{3 * i},{level}\n" for i, level in enumerate(levels))
    file.write_text(f"time_s,reading_mm\n{rows}", encoding="utf-8")
    return f"replay:{file}?speed=max"


def test_the_thickness_object(tmp_path: Path) -> None:
    (table,) = tables(CONTRACTS, "The thickness object")
    link = trace_file(tmp_path / "mic.csv", ("3.204", "3.204", "3.204"))
    found = printed("thickness", "--spots", "--link", link)
    assert list(found) == keys(table)
    assert nulls(found) == set(keys(table)) - never_null(table)


def test_the_gauge_check_object(tmp_path: Path) -> None:
    (table,) = tables(CONTRACTS, "The gauge check object")
    link = trace_file(tmp_path / "check.csv", ("0.000", "1.001") * 3 + ("0.000",))
    log = tmp_path / "log.sqlite"
    words = ("gauge", "verify", "--spots", "--link", link, "--block", "1mm", "--repeats", "3", "--log", log)
    bare = printed(*words)
    assert list(bare) == keys(table)
    assert nulls(bare) == set(keys(table)) - never_null(table)
    with_all = printed(*words, "--gauge", "SN 1", "--permissible-error", "4um", "--block-u", "0.1um")
    assert nulls(with_all) <= {"dof"}
    assert f"`{with_all['outcome']}`" in CONTRACTS


def test_the_shim_object() -> None:
    whole, candidate = tables(CONTRACTS, "The shim object")
    hub = load_hub(REAR)
    fits = shim_object(choose_shim(0.31, 0.002, 8.0, 3.2, hub))
    none = shim_object(choose_shim(0.31, 0.002, 8.0, 3.2, replace(hub, sizes_mm=(2.4, 3.7))))
    assert list(fits) == list(none) == keys(whole)
    assert nulls(fits) == set()
    assert nulls(none) == set(keys(whole)) - never_null(whole) == {"choice"}
    for one in (*fits["candidates"], fits["choice"]):
        assert list(one) == keys(candidate)
        assert nulls(one) == set()
    sizes = [one["thickness_mm"] for one in fits["candidates"]]
    assert sizes == sorted(sizes)


def test_the_listing() -> None:
    (listing,) = tables(CONTRACTS, "The listing")
    assert keys(listing) == ["measurement_id", *Listed._fields[1:]]
    optional = {name for name, kind in Listed.__annotations__.items() if "None" in str(kind)}
    assert set(keys(listing)) - never_null(listing) == optional


def test_handing_on_and_looking_after_the_log(tmp_path: Path) -> None:
    heading = "Handing on and looking after the log"
    exported, imported, checked, copied, counted = tables(CONTRACTS, heading)
    log = tmp_path / "log.sqlite"
    with Store.open(log):
        pass
    empty = printed("log", "stats", "--log", log)
    assert list(empty) == keys(counted)
    assert nulls(empty) == set(keys(counted)) - never_null(counted)
    with Store.open(log) as store:
        store.add(measurement(FOUND))
        store.add(measurement(REFUSED))
    made = printed("export", "--to", tmp_path / "out.zip", "--log", log)
    taken = printed("import", tmp_path / "out.zip", "--log", tmp_path / "back.sqlite")
    assert list(made) == keys(exported)
    assert list(taken) == keys(imported)
    assert nulls(taken) == {"error"}
    section = CONTRACTS.partition(f"## {heading}")[2]
    for table in (made["counts"], taken["added"], taken["known"]):
        assert all(f"`{name}`" in section for name in table)
    assert list(printed("log", "check", "--log", log)) == keys(checked)
    assert list(printed("log", "backup", tmp_path / "copy.sqlite", "--log", log)) == keys(copied)
    full = printed("log", "stats", "--log", log)
    assert nulls(full) == set()
    for name in ("gauges", "reasons"):
        for one in full[name]:
            assert f"{{{', '.join(chr(34) + key + chr(34) for key in one)}}}" in section


def test_the_objects_of_hub_files(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    check, show = tables(CONTRACTS, "Hub files")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('title = "wrong"\nunit = "yards"\n', encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        app(["hub", "check", "--json", str(REAR), str(wrong)])
    assert left.value.code == ExitCode.MISUSE
    right, mistaken = map(json.loads, capsys.readouterr().out.splitlines())
    assert list(right) == list(mistaken) == keys(check)
    assert nulls(right) == set()
    assert nulls(mistaken) == set(keys(check)) - never_null(check)
    assert all(list(problem) == ["key", "line", "text"] for problem in mistaken["problems"])

    whole = hub_object(load_hub(REAR))
    assert list(whole) == keys(show)
    assert nulls(whole) == set()
    nut = next(row[1] for row in show if row[0] == "nut")
    assert re.findall(r'"([a-z_]+)"', nut) == list(whole["nut"])
    least = "[end_play]\nleast = 0.01\nmost = 0.02\n"
    bare = hub_object(parse_hub(f'title = "bare"\nunit = "mm"\n{least}', "bare"))
    assert nulls(bare) == set(keys(show)) - never_null(show)
    assert hub_object(load_hub(FRONT))["effect"] is None


def test_the_exit_codes() -> None:
    (table,) = tables(CONTRACTS, "Exit codes")
    assert [(int(row[0]), row[1].strip("`")) for row in table] == [
        (code.value, code.name) for code in ExitCode
    ]


def test_trace_files_and_the_log() -> None:
    section = CONTRACTS.partition("## Trace files")[2]
    for unit in Unit:
        assert f"`time_s,reading_{unit}`" in section
    assert f"at most {MOST_DECIMALS} digits" in " ".join(section.split())
    assert f"at most {MOST_VALUE}" in " ".join(section.split()).replace(
        "most 10000 in size", f"most {MOST_VALUE}"
    )
    assert f"`{ENVIRONMENT}`" in section
    assert f"`{FILE_NAME}`" in section


# reason codes


def test_every_reason_code_has_its_row_and_its_paragraph() -> None:
    rows = [re.split(r" \| ", line.strip("| ")) for line in CODES.splitlines() if line.startswith("| `")]
    assert [row[0].strip("`") for row in rows] == [code.value for code in ReasonCode]
    assert all(len(row) == 5 and all(row) for row in rows)
    paragraphs = re.findall(r"^### `([a-z-]+)`\n\n(.+)", CODES, re.MULTILINE)
    assert [name for name, _ in paragraphs] == [code.value for code in ReasonCode]
    usual = {row[0].strip("`"): row[4] for row in rows}
    stop = usual.pop(ReasonCode.STOPPED)
    assert set(usual.values()) == {str(int(ExitCode.REFUSED))}
    ends = (ExitCode.LINK_LOST, ExitCode.INTERRUPTED, ExitCode.TERMINATED)
    assert [int(code) for code in re.findall(r"\d+", stop)] == list(ends)


def test_the_page_on_the_number_names_every_code_that_an_analysis_gives() -> None:
    from_outside = {ReasonCode.STOPPED, ReasonCode.UNIT_CHANGED}
    missing = [code for code in ReasonCode if code not in from_outside and f"`{code}`" not in HOW]
    assert not missing


# the page on how the number is found


@pytest.mark.parametrize(
    ("name", "factor", "text"),
    [
        ("framing.MOST_FRAME_BYTES", 1, "more than {:g} bytes"),
        ("stops.COARSER", 1, "each {:g} times smaller"),
        ("motion.LEAST_STROKE_MM", 1, "and {:g} mm. The first height"),
        ("dwells.CREST", 100, "within {:g} % of the stroke"),
        ("dwells.SETTLING_S", 1, "the first {:g} s"),
        ("dwells.LEAVING_S", 1, "the last {:g} s"),
        ("votes.MOST_DRIFT_MM_PER_S", 60, "creeps by at most {:.2f} mm/min"),
        ("strokes.SLIP_CHANCE", 100, "an F test at {:g} %"),
        ("strokes.RARER", 1, "(2 ln *E* + {:g})"),
        ("strokes.SLIP_PRICE", 1, "{:g} ln *k*"),
        ("stops.STEADY_S", 1, "how many come in {:g} s"),
        ("stops.LEAST_STROKES", 1, "{:g} full ones"),
        ("flatness.MOST_ROUND", 1, "at most half as round"),
        ("flatness.SURELY", 1, "within three standard errors"),
        ("stops.LEAST_RUN_OUT_MM", 1, "not asked below {:g} mm"),
        ("stops.LEAST_BEYOND", 1, "farther out than a tenth"),
        ("flatness.LEAST_SHARE", 100, "at least {:g} % of the readings"),
        ("flatness.LEAST_FLAT", 1, "at least {:g} of the way"),
        ("flatness.LEAST_FLAT_FOR_LONG", 1, "({:g} where each stop"),
        ("flatness.LONG_SHARE", 100, "has {:g} % of the readings"),
        ("stops.MOST_SPREAD", 100, "largest of {:g} % of the end play"),
        ("stops.MOST_SPREAD_MM", 1, "and {:g} mm; and 0.3 of a step"),
        ("stops.MOST_WITHIN", 100, "larger of {:g} % of the end play"),
        ("stops.MOST_WITHIN_MM", 1, "and {:g} mm; and 0.3 of a step"),
        ("stops.LEAST_END_PLAY_MM", 1, "at least {:g} mm: noise"),
        ("refusals.LEAST_READINGS", 1, "fewer than {:g}."),
        ("refusals.STILL_MM", 1, "within {:g} mm, or three steps"),
        ("motion.STEPS", 1, "the largest of {:g} steps"),
        ("motion.APART_RANGES", 100, "more than {:g} % of the range"),
        ("dwells.SETTLING_SHARE", 100, "(at most {:g} %) and the last"),
        ("dwells.LEAVING_SHARE", 100, "(at most {:g} %) are left out"),
        ("stops.KNOWN_SIZE", 100, "*h* = {:g} % of their distance"),
        ("stops.MOST_SPREADS_WITHIN", 1, "{:g} times that within the dwells"),
        ("stops.ROUNDING", 1, "and {:g} of a step"),
        ("strokes.FAR", 1, "farther off than {:g} usual residuals"),
        ("end_play.OFF_GRID", 100, "all but {:g} % of the changes"),
        ("session.REST_S", 1, "its place for {:g} s"),
        ("session.LOOK_AGAIN_S", 1, "every {:g} s if it never"),
        ("session.MOST_STROKES", 1, "After {:g} strokes"),
        ("session.COARSE", 1, "less than {:g} of the indicator's step"),
        ("session.MOST_READINGS", 1, "After 120 000 readings"),
    ],
)
def test_the_page_has_the_numbers_of_the_code(name: str, factor: float, text: str) -> None:
    in_words = {
        "flatness.MOST_ROUND": 0.5,
        "flatness.SURELY": 3.0,
        "stops.LEAST_BEYOND": 0.1,
        "session.MOST_READINGS": 120_000,
    }
    module, _, constant = name.partition(".")
    value = getattr(importlib.import_module(f"capture.{module}"), constant)
    assert value == in_words.get(name, value)
    assert text.format(value * factor) in " ".join(HOW.split())


def test_the_page_has_every_row_of_the_budget() -> None:
    rows = [
        line.strip("| ").split(" | ")
        for line in HOW.partition("## The uncertainty")[2].splitlines()
        if "|" in line
    ]
    assert isinstance(FOUND, EndPlay)
    assert [(row[0], row[1]) for row in rows[2:]] == [
        (one.source, one.kind) for one in FOUND.budget.components
    ]


def test_a_trace_file_is_as_described(tmp_path: Path) -> None:
    from capture.traces import read_csv, write_csv  # noqa: PLC0415 - beside what it tries

    file = tmp_path / "trace.csv"
    with file.open("w", encoding="utf-8", newline="") as out:
        write_csv(TRACE, out)
    with file.open(encoding="utf-8", newline="") as lines:
        assert next(csv.reader(lines)) == ["time_s", "reading_mm"]
    assert read_csv(file) == TRACE
