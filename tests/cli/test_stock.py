"""``shimwright stock`` as a person runs it, on a real log."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from calc.hub import load_hub
from cli.whole import app
from joblog.jobs import list_jobs
from joblog.stock import counts, fit_row, receive_row
from joblog.store import Store
from tests.cli.conftest import HERON_REAR

HUB = Path(__file__).parents[2] / "fixtures" / "hubs" / "heron-rear.toml"
BIN = load_hub(HUB).shim_bin
LEFT, RIGHT = "LR:0.36mm:3.20mm:0.004mm", "RR:0.31mm:3.20mm:0.004mm"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(HUB, tmp_path / "hub.toml")
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def stock(*words: str) -> Result:
    return CliRunner().invoke(app, ["stock", *words])


def objects(*words: str) -> list[dict[str, Any]]:
    result = stock(*words, "--json")
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_count_receive_scrap_list_and_history(shop: Path) -> None:
    first = stock("count", "--hub", "hub.toml", "2.95mm=3", "3.00mm=0", "--who", "Ada")
    assert first.exit_code == 0
    assert "2.95 mm: 3. The book said 0; the difference, +3, is kept." in first.stdout
    assert "3.00 mm: 0, as the book said." in first.stdout
    assert "now 10" in stock("receive", "--bin", BIN, "3.00mm=10").stdout
    assert "-1, now 9" in stock("scrap", "--hub", "hub.toml", "3.00mm=1", "--why", "bent").stdout
    assert counts(shop / "log.sqlite", BIN) == {2.95: 3, 3.0: 9}
    again = stock("count", "--hub", "hub.toml", "2.95mm=2")
    assert "2.95 mm: 2. The book said 3; the difference, -1, is kept." in again.stdout
    listed = objects("list")
    assert [(one["thickness_mm"], one["number"]) for one in listed] == [(2.95, 2), (3.0, 9)]
    assert "never counted" not in stock("list").stdout
    history = stock("history", "--size", "2.95mm").stdout
    assert history.count("counted") == 2
    assert "Ada" in history
    assert [move["change"] for move in objects("history", "--hub", "hub.toml")] == [3, 0, 10, -1, -1]


def test_more_cannot_be_scrapped_than_the_book_has_and_nothing_of_it_is_kept(shop: Path) -> None:
    stock("receive", "--hub", "hub.toml", "3.00mm=1", "2.95mm=1")
    result = stock("scrap", "--hub", "hub.toml", "2.95mm=1", "3.00mm=2", "--why", "bent")
    assert result.exit_code == 2
    assert "the book says 1; count them first" in result.stderr
    assert counts(shop / "log.sqlite", BIN) == {2.95: 1, 3.0: 1}


def test_a_book_below_0_is_shown_as_wrong(shop: Path) -> None:
    with Store.open(shop / "log.sqlite") as store:
        store.add_rows("stock", receive_row(BIN, 2.95, 1), fit_row(BIN, 2.95), fit_row(BIN, 2.95))
    assert "below 0: the book is wrong, count them" in stock("list").stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["count", "2.95mm=3"], "--bin"),
        (["count", "--bin", "x", "--hub", "hub.toml", "2.95mm=3"], "not both"),
        (["count", "--bin", " ", "2.95mm=3"], "is empty"),
        (["count", "--bin", "x", "2.95=3"], "no unit"),
        (["count", "--bin", "x", "2.95mm=-3"], "no size with a number"),
        (["count", "--bin", "x", "2.95mm"], "no size with a number"),
        (["count", "--bin", "x", "2.95mm=1", "2.950mm=2"], "comes twice"),
        (["receive", "--bin", "x", "2.95mm=0"], "from 1 to"),
        (["scrap", "--bin", "x", "2.95mm=1", "--why", " "], "say what is wrong"),
        (["list"], "there is no log"),
        (["share", "--hub", "hub.toml"], "--corner"),
        (["share", "--corner", "LR:0.36mm", "--hub", "hub.toml"], "cannot be read"),
        (["share", "--corner", LEFT], "--hub"),
        (["share", "--corner", LEFT, "--corner", LEFT, "--hub", "hub.toml"], "comes twice"),
        (["share", "--corner", LEFT, "--job", "1"], "not both"),
        (["forecast", "--hub", "hub.toml", "--end-play", "9mm"], "more than any shim"),
        (["forecast", "--hub", "hub.toml", "--end-play", "0.3mm", "--fitted-from", "3mm"], "together"),
        (["forecast", "--hub", "hub.toml", "--end-play", "0.3mm", "--corner", "LR"], "together"),
    ],
)
@pytest.mark.usefixtures("shop")
def test_a_mistake_is_one_line(words: list[str], said: str) -> None:
    result = stock(*words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not result.stdout


@pytest.mark.usefixtures("shop")
def test_two_corners_share_the_favourite_size() -> None:
    stock("count", "--hub", "hub.toml", "2.95mm=1", "3.00mm=1")
    result = stock("share", "--hub", "hub.toml", "--corner", RIGHT, "--corner", LEFT)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].startswith("RR  3.00 mm  leaves 0.11 mm")
    assert lines[1].startswith("LR  2.95 mm  leaves 0.11 mm")
    assert all(len(line) <= 80 for line in lines)
    (found,) = objects("share", "--hub", "hub.toml", "--corner", LEFT)
    assert found["corners"][0]["pack"]["thicknesses_mm"] == [2.95]


@pytest.mark.usefixtures("shop")
def test_what_to_order_and_what_may_be_fitted_again() -> None:
    stock("count", "--hub", "hub.toml", "2.95mm=1")
    words = ["share", "--hub", "hub.toml", "--corner", "LR:0.36mm:3.20mm", "--corner", "RR:0.31mm:2.95mm"]
    (without,) = objects(*words)
    assert [one["pack"] is None for one in without["corners"]].count(True) == 1
    assert "Order: " in stock(*words).stdout
    left, right = "LR:0.36mm:3.20mm", "RR:0.10mm:2.98mm"  # what comes out of RR fits LR, and stock fits RR
    (again,) = objects("share", "--hub", "hub.toml", "--corner", left, "--corner", right, "--reuse")
    assert all(one["pack"] for one in again["corners"])
    (only,) = objects("share", "--hub", "hub.toml", "--corner", left, "--corner", right)
    assert not all(one["pack"] for one in only["corners"])


@pytest.mark.usefixtures("shop")
def test_what_to_pull_and_what_to_order_before_the_teardown() -> None:
    stock("count", "--hub", "hub.toml", "2.90mm=1", "2.95mm=0")
    words = ["forecast", "--hub", "hub.toml", "--end-play", "0.36mm", "--u", "0.004mm"]
    told = stock(*words, "--fitted-from", "3.20mm", "--fitted-to", "3.25mm").stdout
    assert "Pull these: 2.90 mm." in told
    assert "Order these: 2.95 mm." in told
    (found,) = objects(*words, "--fitted", "3.20mm")
    assert found["chances"][0]["thickness_mm"] == 2.9
    assert found["chances"][0]["number"] == 1
    assert sum(one["p"] for one in found["chances"]) == pytest.approx(1.0)
    assert "every size of the hub file equally likely" in stock(*words).stdout


@pytest.mark.usefixtures("shop")
def test_shim_chooses_from_what_is_there_and_says_what_would_be_better() -> None:
    words = ["shim", "--hub", "hub.toml", "--end-play", "0.36mm", "--fitted", "3.20mm"]
    stock("count", "--hub", "hub.toml", "2.90mm=0", "2.95mm=1")
    without = CliRunner().invoke(app, [*words, "--json"]).stdout
    assert json.loads(without)["choice"]["thickness_mm"] == 2.9  # no log was named: nothing changes
    found = json.loads(CliRunner().invoke(app, [*words, "--log", "log.sqlite", "--json"]).stdout)
    assert found["choice"]["thickness_mm"] == 2.95
    assert [one["thickness_mm"] for one in found["candidates"] if one["on_hand"]] == [2.95]
    told = CliRunner().invoke(app, [*words, "--log", "log.sqlite"]).stdout
    assert "Shim to fit: 2.95 mm." in told
    assert "2.90 mm is passed over: it is not on hand" in " ".join(told.split())
    assert "Better if it were ordered: 2.90 mm." in told


def test_shim_takes_all_as_on_hand_where_no_stock_is_kept(shop: Path) -> None:
    Store.open(shop / "log.sqlite").close()
    words = ["shim", "--hub", "hub.toml", "--end-play", "0.36mm", "--fitted", "3.20mm", "--log", "log.sqlite"]
    told = CliRunner().invoke(app, words).stdout
    assert "Shim to fit: 2.90 mm." in told
    assert "every size counts as on hand" in " ".join(told.split())


def test_shim_names_a_pack_where_no_single_one_does(shop: Path) -> None:
    text = HUB.read_text(encoding="utf-8").replace("[shim]", "[shim]\nmost_in_pack = 2")
    (shop / "hub.toml").write_text(text, encoding="utf-8")
    stock("count", "--hub", "hub.toml", "1.50mm=1", "1.40mm=1")
    words = ["shim", "--hub", "hub.toml", "--end-play", "0.36mm", "--fitted", "3.20mm", "--log", "log.sqlite"]
    told = CliRunner().invoke(app, words).stdout
    assert "To fit: 1.50 mm + 1.40 mm = 2.90 mm." in told


@pytest.mark.usefixtures("shop")
def test_a_measurement_chooses_from_what_is_there() -> None:
    link = "simulated:?end_play=0.36mm&speed=max"
    words = ["measure", "--link", link, "--hub", "hub.toml", "--corner", "LR", "--fitted", "3.20mm", "--json"]
    before = json.loads(CliRunner().invoke(app, words).stdout)["shim"]
    assert before["choice"]["thickness_mm"] == 2.9
    assert all(one["on_hand"] for one in before["candidates"])
    stock("count", "--hub", "hub.toml", "2.90mm=0", "2.95mm=1")
    after = json.loads(CliRunner().invoke(app, words).stdout)["shim"]
    assert after["choice"]["thickness_mm"] == 2.95
    assert [one["thickness_mm"] for one in after["candidates"] if one["on_hand"]] == [2.95]


def test_the_corners_of_a_job_share_and_the_next_forecast_knows_what_is_in(shop: Path) -> None:
    (shop / "plain.toml").write_text(HERON_REAR, encoding="utf-8")

    def run(*words: str) -> str:
        result = CliRunner().invoke(app, list(words))
        assert result.exit_code == 0, (words, result.stderr)
        return result.stdout

    run("job", "open", "--vehicle", "Heron GT 4711", "--corner", "LR=plain.toml", "--corner", "RR=plain.toml")
    job = list_jobs(shop / "log.sqlite")[0].id
    early = stock("share", "--job", job)
    assert early.exit_code == 2
    assert "no corner of it waits for a shim" in early.stderr
    for corner, end_play in (("LR", "0.36mm"), ("RR", "0.31mm")):
        link = f"simulated:?end_play={end_play}&speed=max"
        run("measure", "--job", job, "--corner", corner, "--link", link)
        run("job", "torn-down", job, "--corner", corner)
        run("job", "part", job, "--corner", corner, "--name", "bearings", "--kept", "--other")
        run("job", "fitted", job, "3.20mm", "--corner", corner)
    stock("count", "--hub", "plain.toml", "2.95mm=1", "3.00mm=1")
    (found,) = objects("share", "--job", job)
    assert [one["corner"] for one in found["corners"]] == ["LR", "RR"]
    assert [one["pack"]["thicknesses_mm"] for one in found["corners"]] == [[2.95], [3.0]]

    # A reading as found and loose does not say what was fitted after it; one as left does.
    words = ["forecast", "--hub", "plain.toml", "--end-play", "0.25mm", "--log", "log.sqlite"]
    words += ["--vehicle", "4711", "--corner", "LR"]
    assert "every size of the hub file equally likely" in stock(*words).stdout
    link = "simulated:?end_play=0.11mm&speed=max"
    run("measure", "--link", link, "--hub", "plain.toml", "--corner", "LR", "--stage", "as-left")
    left = ["--corner", "LR", "--stage", "as-left", "--vehicle", "Heron GT 4711", "--fitted", "2.95mm"]
    run("measure", "--link", link, "--hub", "plain.toml", *left)
    told = " ".join(stock(*words).stdout.split())
    assert "In the hub: 2.95 mm, from the record of " in told
    assert "(Heron GT 4711, LR)" in told
