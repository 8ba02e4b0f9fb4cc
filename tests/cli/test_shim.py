"""The contract of ``shimwright shim``, its arithmetic on the facts of the trade, and misuse in one line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from cli.whole import app

INCH = 25.4
FACT = ["--end-play", "0.017in", "--fitted", "0.133in", "--least", "0.001in", "--most", "0.008in"]
SIZES = ["--sizes", "0.114,0.118,0.122,0.148in"]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["shim", *map(str, words)])


def answer(*words: str | Path) -> dict[str, object]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    assert result.stdout.count("\n") == 1
    loaded: dict[str, object] = json.loads(result.stdout)
    return loaded


def test_the_trades_own_example() -> None:
    # Common practice: fitted 0.133 in, end play 0.017 in: zero 0.116 in, the next size up
    # on hand, 0.118 in, leaves 0.002 in.
    found = answer(*FACT, *SIZES)
    assert found["zero_mm"] == pytest.approx(0.116 * INCH, abs=1e-9)
    choice = found["choice"]
    assert isinstance(choice, dict)
    assert choice["thickness_mm"] == pytest.approx(0.118 * INCH, abs=1e-9)
    assert choice["expected_mm"] == pytest.approx(0.002 * INCH, abs=1e-9)


def test_the_objects_keys_are_in_order() -> None:
    found = answer(*FACT, *SIZES)
    assert list(found) == ["zero_mm", "candidates", "choice", "why"]
    candidates = found["candidates"]
    assert isinstance(candidates, list)
    for one in [*candidates, found["choice"]]:
        assert list(one) == ["thickness_mm", "expected_mm", "u_mm", "p_within", "on_hand"]
    assert found["choice"] in candidates


def test_a_zero_that_falls_on_a_size_does_not_choose_it() -> None:
    # Common practice: no end play is below the lower limit, and so is less than the lower limit.
    choice = answer(*FACT, "--sizes", "0.116,0.1165,0.118in")["choice"]
    assert isinstance(choice, dict)
    assert choice["thickness_mm"] == pytest.approx(0.118 * INCH, abs=1e-9)


def test_a_hub_file_gives_limits_sizes_and_rules(hub_file: Path) -> None:
    choice = answer("--end-play", "0.312mm", "--fitted", "3.20mm", "--hub", hub_file)["choice"]
    assert isinstance(choice, dict)
    assert choice["thickness_mm"] == 2.95
    middle = answer("--end-play", "0.312mm", "--fitted", "3.20mm", "--hub", hub_file, "--aim", "middle")[
        "choice"
    ]
    assert isinstance(middle, dict)
    assert middle["thickness_mm"] == 3.0


def test_a_shim_that_closes_is_thinner_for_more() -> None:
    words = ["--end-play", "0.30mm", "--fitted", "2.00mm", "--least", "0.03mm", "--most", "0.20mm"]
    found = answer(*words, "--sizes", "2.1,2.2,2.25,2.3mm", "--effect", "closes")
    assert found["zero_mm"] == pytest.approx(2.30)
    choice = found["choice"]
    assert isinstance(choice, dict)
    assert choice["thickness_mm"] == 2.25


def test_an_uncertainty_makes_the_probability_less_than_one() -> None:
    sure = answer(*FACT, *SIZES)["choice"]
    unsure = answer(*FACT, *SIZES, "--u", "0.001in")["choice"]
    assert isinstance(sure, dict)
    assert isinstance(unsure, dict)
    assert sure["p_within"] == 1.0
    assert (
        0.8 < unsure["p_within"] < 0.9
    )  # 0.002 in is one u above the lower limit: 0.841 by the normal table


def test_no_size_within_limits_is_an_answer_that_names_the_nearest() -> None:
    result = run(*FACT, "--sizes", "0.114,0.150in", "--json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["choice"] is None
    assert "0.114 in" in found["why"]
    assert "No shim on hand will do" in run(*FACT, "--sizes", "0.114,0.150in").stdout


def test_a_person_sees_ruler_choice_and_neighbours() -> None:
    text = run(*FACT, *SIZES).stdout
    assert "zero shim 0.1160 in" in text
    assert "Shim to fit: 0.118 in" in text
    assert "[0.118]" in text
    assert "this tool only does the sums" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--end-play", "0.017", "--fitted", "0.133in", *SIZES], "--end-play: .*has no unit"),
        (["--end-play", "0.017in", "--fitted", "-3mm", *SIZES], "--fitted: .*above 0"),
        (["--end-play", "0.017in", "--fitted", "0.133in"], "--hub: missing"),
        (["--end-play", "0.017in", "--fitted", "0.133in", *SIZES], "--least: missing"),
        (["--end-play", "0.017in", "--fitted", "0.133in", *SIZES, "--least", "0in"], "--most: missing"),
        ([*FACT, "--sizes", "0.114,,0.118in"], "--sizes: .*empty"),
        ([*FACT, "--sizes", "0.114in,-0.118in"], "--sizes: .*above 0"),
        ([*FACT, "--sizes", "0.118,0.118in"], "--sizes: .*twice"),
        (
            [*FACT[:4], *SIZES, "--least", "0.2mm", "--most", "0.1mm"],
            "--least: 0.2mm is more than --most 0.1mm",
        ),
        ([*FACT, *SIZES, "--effect", "widens"], '--effect: "widens".*opens or closes'),
        ([*FACT, *SIZES, "--aim", "best"], '--aim: "best".*tightest, middle or surest'),
        ([*FACT, *SIZES, "--decision", "strict"], '--decision: "strict".*simple or guarded'),
        ([*FACT, *SIZES, "--u", "-1um"], "--u: .*below 0"),
        (["--end-play", "4mm", "--fitted", "3mm", *FACT[4:], *SIZES], "4.*3"),
        (["--fitted", "3mm"], "--end-play"),
        ([*FACT, *SIZES, "--colour", "red"], "--colour"),
        (["--end-play", "1mm", "--fitted", "3mm", "--hub", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (["--end-play", "1mm", "--fitted", "3mm", "--hub", "h.toml", *SIZES], "--sizes: .*either --hub or"),
    ],
)
def test_misuse_is_one_line_and_exit_2(words: list[str], said: str) -> None:
    for more in ([], ["--json"]):
        result = run(*words, *more)
        assert result.exit_code == 2
        assert result.stdout == ""
        assert result.stderr.count("\n") == 1
        assert re.search(said, result.stderr), result.stderr


def test_a_hub_whose_nut_sets_the_end_play_has_no_shim(tmp_path: Path) -> None:
    front = tmp_path / "front.toml"
    front.write_text('title = "Heron GT front hub"\nunit = "mm"\n[end_play]\nleast = 0.02\nmost = 0.1\n')
    result = run("--end-play", "0.2mm", "--fitted", "3mm", "--hub", front)
    assert result.exit_code == 2
    assert "nut of this hub sets its end play" in result.stderr


def test_each_uncertainty_can_be_given() -> None:
    # GUM 5.1.2: the reading, the fitted shim, the new one, and reassembly, added in squares
    found = answer(*FACT, *SIZES, "--u", "2um", "--shim-u", "3um", "--reassembly-u", "6um")
    choice = found["choice"]
    assert isinstance(choice, dict)
    assert choice["u_mm"] == pytest.approx((4 + 9 + 9 + 36) ** 0.5 / 1000, rel=1e-12)


@pytest.mark.parametrize("option", ["--u", "--shim-u", "--reassembly-u"])
def test_an_uncertainty_below_nothing_is_named(option: str) -> None:
    result = run(*FACT, *SIZES, f"{option}=-4um")
    assert result.exit_code == 2
    assert result.stderr.strip() == f'shimwright: {option}: "-4um" is no uncertainty: it cannot be below 0'
