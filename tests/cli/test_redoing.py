"""A trace analysed again with other settings: what changes, what must not, and what is told of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from calc.alignment import Geometry
from calc.hub import parse_hub
from calc.uncertainty import rectangular
from calc.units import Unit
from capture.end_play import EndPlay, Refusal, analyse_trace
from capture.readings import Gauge
from capture.simulator import HubModel, simulate
from cli.errors import CliError, MisuseError
from cli.redoing import (
    Settings,
    comparison,
    differing_keys,
    limits_of,
    numbers_of,
    redo,
    review_of,
    words_of,
)
from joblog.fetch import load_measurement
from joblog.reviews import add_review, list_reviews
from joblog.store import Store
from tests.capture.shapes import steps, strokes, trace_of_values
from tests.cli.conftest import HERON_REAR
from tests.cli.looking_back import keep, recorded, simulated, with_short_rest


@pytest.mark.parametrize("seed", range(5))
def test_without_settings_it_is_the_recorded_one_to_the_last_digit(seed: int, tmp_path: Path) -> None:
    gauge = Gauge(permissible_error_mm=0.004, misalignment_deg=3.0)
    one = simulated(0.05 + 0.08 * seed, seed, gauge)
    keep(tmp_path / "log.sqlite", one)
    stored = load_measurement(tmp_path / "log.sqlite", one.id)
    again = redo(stored)
    assert again.analysis == one.analysis
    assert (again.verdict, again.p_within) == (one.verdict, one.p_within)
    assert again.settings_object() == {}
    assert comparison(stored, again.analysis) == "Equal to what was recorded, to the last digit."


def test_a_bad_stroke_struck_out_brings_the_number_back() -> None:
    trace = simulate(HubModel(strokes=10), 6).trace
    spoiled = recorded(with_short_rest(trace, 5, 0.004))  # near enough not to be noticed
    marked = redo(spoiled)
    again = redo(spoiled, Settings(without=(5,)))
    assert isinstance(again.outcome, EndPlay)
    assert again.outcome.dwells[5].struck
    assert again.analysis["strokes"] == marked.analysis["strokes"] - 2 * marked.outcome.dwells[5].on_stop
    # whatever was done at that rest: the number is the one that the others give, to the last digit
    assert again.analysis == redo(recorded(trace), Settings(without=(5,))).analysis
    mark = marked.outcome.dwells[5]
    assert again.settings_object() == {"without": [{"stroke": 5, "from_s": mark.from_s, "to_s": mark.to_s}]}
    assert words_of(again.settings_object(), Unit.MM) == ["stroke 5 struck out"]


def test_the_numbers_mean_the_strokes_as_shown_whatever_else_is_set() -> None:
    # at a coarse resolution a half stroke is no longer seen, and later strokes would be numbered otherwise
    levels = [0.0, 0.31, 0.16, *strokes(0.31, 0.0, 13)]
    one = recorded(trace_of_values(*steps(levels)))
    plain = redo(one)
    coarse = redo(one, Settings(without=(9,), resolution_mm=0.15))
    assert len(coarse.outcome.dwells) < len(plain.outcome.dwells)
    mark = plain.outcome.dwells[9]
    (struck,) = [other for other in coarse.outcome.dwells if other.struck]
    assert struck.from_s <= mark.to_s
    assert struck.to_s >= mark.from_s


def test_a_permissible_error_is_one_row_more() -> None:
    one = simulated()
    again = redo(one, Settings(permissible_error_mm=0.005))
    rows = {row["source"]: row["u_mm"] for row in again.analysis["budget"]}
    assert rows["indicator's permissible error"] == rectangular(0.005)
    assert again.analysis["end_play_mm"] == one.analysis["end_play_mm"]
    assert again.analysis["u_mm"] > one.analysis["u_mm"]


def test_misalignment_geometry_and_resolution() -> None:
    one = simulated()
    again = redo(one, Settings(misalignment_deg=10.0, geometry=Geometry.LEVER, resolution_mm=0.01))
    assert again.analysis["resolution_mm"] == 0.01
    assert any("not square" in row["source"] for row in again.analysis["budget"])
    told = words_of(again.settings_object(), Unit.MM)
    assert told == ["resolution 0.0100 mm", "indicator up to 10° off square", "geometry lever"]


def test_other_limits_change_the_verdict_alone() -> None:
    one = simulated(0.31)
    hub = parse_hub(HERON_REAR.replace("most = 0.20", "most = 0.40"), "wide.toml")
    again = redo(one, Settings(hub=hub))
    assert (one.verdict, again.verdict) == ("loose", "within")
    assert again.p_within == pytest.approx(1.0)
    assert again.analysis == one.analysis
    kept = again.settings_object()["hub"]
    assert (kept["most_mm"], kept["text"]) == (0.4, hub.text)
    assert words_of({"hub": kept}, Unit.MM) == [
        "limits 0.03 mm to 0.40 mm (Heron GT rear hub, pressed spindle)"
    ]


def test_the_recorded_decision_holds() -> None:
    guarded = HERON_REAR.replace('unit = "mm"', 'unit = "mm"\ndecision = "guarded"')
    one = replace(simulated(), hub_text=guarded)
    assert limits_of(one)[1] == "guarded"
    assert limits_of(replace(one, hub_text="a later version's"))[1] == "simple"


def test_what_cannot_be_struck_out_is_told() -> None:
    one = simulated()
    with pytest.raises(MisuseError, match=r"there is no stroke 99: this trace has strokes 1 to 10"):
        redo(one, Settings(without=(3, 99)))
    still = recorded(simulate(HubModel(strokes=10), 1).trace.cut(0, 30))
    with pytest.raises(MisuseError, match="no strokes were found"):
        redo(still, Settings(without=(1,)))
    with pytest.raises(CliError, match="has no readings"):
        redo(replace(one, trace=one.trace.cut(0, 0)))


@pytest.mark.parametrize("text", ["", "x", "3,,5", "3;5", "-1", "1.5"])
def test_what_is_no_list_of_strokes_is_told(text: str) -> None:
    with pytest.raises(MisuseError, match="write their numbers"):
        numbers_of(text)


def test_too_many_struck_out_is_a_refusal() -> None:
    again = redo(simulated(), Settings(without=(2, 4, 6, 8)))
    assert isinstance(again.outcome, Refusal)
    assert (again.verdict, again.p_within) == (None, None)
    assert "are left, at least 4 are needed" in again.analysis["reasons"][0]["text"]


def test_it_says_where_it_differs() -> None:
    one = simulated()
    other = replace(one, analysis=one.analysis | {"strokes": 99, "u_mm": one.analysis["u_mm"] * (1 + 2e-16)})
    again = redo(one)
    assert differing_keys(other.analysis, again.analysis) == ["u_mm", "strokes"]
    assert comparison(other, again.analysis).endswith("recorded in: u_mm, strokes.")


def test_a_review_needs_a_reason_for_what_was_struck_out(tmp_path: Path) -> None:
    one = simulated()
    again = redo(one, Settings(without=(4,)))
    for why in (None, " "):
        with pytest.raises(MisuseError, match="say why"):
            review_of(one.id, again, why=why)
    review = review_of(one.id, again, why="the wheel was touched", who="A. Fitter", accepted=True)
    keep(tmp_path / "log.sqlite", one)
    with Store.open(tmp_path / "log.sqlite") as store:
        add_review(store, review)
    assert list_reviews(tmp_path / "log.sqlite", one.id) == [review]
    refused = redo(one, Settings(without=(2, 4, 6, 8)))
    with pytest.raises(MisuseError, match="no end play to accept"):
        review_of(one.id, refused, why="x", accepted=True)


def test_the_analysis_of_the_trace_alone_is_used() -> None:
    # the recorded numbers take no part in it
    one = simulated()
    changed = replace(one, analysis={"usable": False, "reasons": []}, verdict=None, p_within=None)
    assert redo(changed).analysis == one.analysis
    found = analyse_trace(one.trace, one.gauge)
    assert isinstance(found, EndPlay)
    assert redo(changed).outcome == found
