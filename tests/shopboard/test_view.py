"""Messages become the state of the shop, and the state becomes events: no socket, no clock."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from bus.payloads import OFFLINE, GaugeState, Phase
from bus.topics import Kind, Topic
from shopboard.view import MOST_POINTS, MOST_RESULTS, MOST_STATIONS, SILENT_S, Shop
from tests.shopboard.parts import LEFT_ID, brief, corner, gauge, live, result, status

STATUS = Topic("larkfield", "bay-2", Kind.STATUS)
LIVE = Topic("larkfield", "bay-2", Kind.LIVE, "LR")
RESULT = Topic("larkfield", "bay-2", Kind.RESULT, "LR")
PLACE = ("larkfield", "bay-2")


def shop() -> Shop:
    one = Shop()
    one.broker_there()
    one.take(STATUS, status(), 0.0)
    one.news()
    return one


def told(one: Shop, event: str) -> list[Any]:
    return [news.data for news in one.news() + one.lives() if news.event == event]


def test_a_station_says_its_gauges_and_corners_in_words() -> None:
    one = shop()
    as_left = brief(measurement_id=LEFT_ID, stage="as-left", verdict="within", end_play_mm=0.0662)
    low = gauge(battery_percent=9, battery_low=True, heard_at="2026-03-02T09:30:00.120Z")
    one.take(STATUS, status(corner(latest=[brief(), as_left]), gauges=(low,)), 1.0)
    data = told(one, "station")[0]
    assert (data["state"], data["vehicle"], data["simulated"]) == ("there", "Heron GT", True)
    told_gauge = data["gauges"][0]
    assert told_gauge["words"] == "connected; ready: push and pull the hub, stop to stop"
    assert (told_gauge["battery"], told_gauge["heard_ago"]) == ("BATTERY LOW, 9 %", 5.0)
    told_corner = data["corners"][0]
    assert told_corner["limits"] == "0.03 mm to 0.20 mm"
    assert [row["verdict_words"] for row in told_corner["latest"]] == [
        "LOOSE, too much end play",
        "WITHIN LIMITS",
    ]
    assert [mark["stage"] for mark in told_corner["ruler"]["marks"]] == ["as-found", "as-left"]
    assert "as left: 0.066 mm ± 0.005 mm (95 %), WITHIN LIMITS" in told_corner["ruler"]["words"]


def test_units_are_as_the_payload_says() -> None:
    one = shop()
    one.take(STATUS, status(corner(unit="in")), 1.0)
    one.take(LIVE, live(unit="in", reading_mm=2.5400, step_mm=0.00254), 1.0)
    one.take(RESULT, result(unit="in", end_play_mm=0.3048, resolution_mm=0.0254, expanded_mm=0.0254), 1.0)
    news = one.news() + one.lives()
    data = {item.event: item.data for item in news}
    assert (data["live"]["digits"], data["live"]["unit"]) == ("0.1000", "in")
    assert data["result"]["play"] == "0.012 in ± 0.001 in (95 %)"  # 0.3048 mm is 0.012 in exactly
    assert data["result"]["ruler"]["unit"] == "in"
    assert data["station"]["corners"][0]["limits"] == "0.0012 in to 0.0079 in"


def test_live_readings_are_merged_and_lose_no_peak() -> None:
    one = shop()
    for i in range(4):
        one.take(LIVE, live(time_s=float(i), reading_mm=1.0 + i, low_mm=0.5 + i, high_mm=1.5 + i), 1.0)
    news = one.lives()
    assert [item.event for item in news] == ["live", "lives"]
    assert news[0].data["digits"] == "4.000"
    assert news[0].data["points"] == [(float(i), 0.5 + i, 1.5 + i) for i in range(4)]
    assert news[1].data == [["larkfield/bay-2/LR", "4.000 mm", Phase.WAITING, 0]]
    assert one.lives() == []
    one.take(LIVE, live(reading_mm=4.0), 1.0)
    assert [item.event for item in one.lives()] == ["live"]  # the shop shows the same as before
    for i in range(3 * MOST_POINTS):
        one.take(LIVE, live(time_s=float(i)), 1.0)
    assert len(one.lives()[0].data["points"]) == MOST_POINTS


@pytest.mark.parametrize(
    ("state", "why"),
    [(GaugeState.LOST, "the cable is out"), (GaugeState.OPENING, None)],
)
def test_a_lost_gauge_has_no_number(state: GaugeState, why: str | None) -> None:
    one = shop()
    one.take(LIVE, live(), 1.0)
    one.take(STATUS, status(gauges=(gauge(state=state, phase=None, why=why),)), 1.0)
    assert [news.event for news in one.snapshot(PLACE, "LR")] == ["broker", "station"]
    row = told(one, "station")[0]["gauges"][0]
    assert row["state"] == "lost"
    assert row["words"] == ("NOT CONNECTED: the cable is out" if why else "being opened")


def test_station_and_broker_go_and_come_back() -> None:
    one = shop()
    one.take(LIVE, live(), 1.0)
    one.take(STATUS, OFFLINE, 1.0)
    assert told(one, "station")[0]["state"] == "away"
    one.take(STATUS, status(), 2.0)
    assert told(one, "station")[0]["state"] == "there"
    one.broker_away("the broker at 127.0.0.1:1883: no answer")
    news = one.news()
    assert [item.event for item in news] == ["broker", "station"]
    assert (news[0].data["online"], news[1].data["state"]) == (False, "unknown")
    one.broker_there()  # a broker that lost what it kept knows nothing of the station
    assert told(one, "station")[0]["words"] == (
        "NOT KNOWN: the broker is back, the station has not been heard again yet"
    )
    one.take(STATUS, status(), 3.0)
    assert told(one, "station")[0]["state"] == "there"


def test_a_page_of_the_shop_begins_with_the_numbers_of_now_and_a_number_that_comes_back_is_told() -> None:
    one = shop()
    one.take(LIVE, live(), 1.0)
    brief_live = [["larkfield/bay-2/LR", "2.143 mm", Phase.WAITING, 0]]
    assert told(one, "lives") == [brief_live]
    assert [news.data for news in one.snapshot() if news.event == "lives"] == [brief_live]
    one.broker_away("the broker at 127.0.0.1:1883: no answer")
    assert [news.event for news in one.snapshot()] == ["broker", "station"]
    one.broker_there()
    one.take(LIVE, live(), 2.0)
    assert told(one, "lives") == [brief_live]  # though it says the same as before


def test_a_station_that_says_nothing_is_silent_until_it_speaks() -> None:
    one = shop()
    one.look(SILENT_S)
    assert one.news() == []
    one.look(SILENT_S + 0.1)
    assert told(one, "station")[0]["state"] == "silent"
    one.take(LIVE, live(), SILENT_S + 1)
    assert told(one, "station")[0]["state"] == "there"


def test_a_result_says_how_far_it_is_outside_and_what_to_fit() -> None:
    one = shop()
    one.take(RESULT, result(), 1.0)
    data = told(one, "result")[0]
    assert data["by"] == "0.116 mm more than the most allowed, 0.20 mm"
    assert (data["fit"], data["odds"]) == ("2.95 mm", "chance that it is within limits: below 0.1 %")
    one.take(RESULT, result(verdict="tight", end_play_mm=0.0121, p_within=0.02), 1.0)
    assert told(one, "result")[0]["by"] == "0.018 mm less than the least allowed, 0.03 mm"
    reason = {"code": "too-few-strokes", "text": "only 2 strokes were seen"}
    nothing = {"usable": False, "state": "refused", "verdict": None, "p_within": None, "end_play_mm": None}
    one.take(RESULT, result(**nothing, shim=None, reasons=[reason]), 1.0)
    data = told(one, "result")[0]
    assert (data["play"], data["reasons"]) == (None, ["only 2 strokes were seen"])
    assert data["verdict_words"] == "NO RESULT, the readings give none"
    assert data["ruler"]["marks"] == []


@pytest.mark.parametrize(
    "message",
    [
        live(reading_mm=1e300, high_mm=1e300),
        live(step_mm=1e-300),
        result(end_play_mm=1e200),
        result(most_mm=-1e9),
        result(resolution_mm=1e-200),
        status(corner(most_mm=1e308)),
    ],
    ids=["reading", "step", "end play", "limit", "resolution", "corner"],
)
def test_a_length_beyond_reason_is_said_and_not_shown(message: Any) -> None:
    one = shop()
    topic = {"Live": LIVE, "Result": RESULT, "Status": STATUS}[type(message).__name__]
    one.take(topic, message, 1.0)
    data = told(one, "station")[0]
    assert data["state"] == "strange"
    assert "beyond reason" in data["words"]
    assert [news.event for news in one.snapshot(PLACE, "LR")] == ["broker", "station"]
    one.take(STATUS, status(), 2.0)
    assert told(one, "station")[0]["state"] == "there"


def test_what_is_kept_is_bounded() -> None:
    one = Shop()
    for i in range(MOST_STATIONS + 5):
        one.take(Topic("larkfield", f"bay-{i}", Kind.STATUS), OFFLINE, 0.0)
    assert sum(news.event == "station" for news in one.snapshot()) == MOST_STATIONS
    for i in range(MOST_RESULTS + 5):
        one.take(Topic("larkfield", "bay-0", Kind.RESULT, "LR"), result(measurement_id=str(i)), 0.0)
    assert (len(one.results), next(iter(one.results))) == (MOST_RESULTS, "5")


def test_everything_that_a_page_is_told_is_json() -> None:
    one = shop()
    one.take(RESULT, result(), 1.0)
    one.take(LIVE, live(), 1.0)
    for news in one.snapshot(PLACE, "LR"):
        assert b"\n" not in msgspec.json.encode(news.data)


def test_a_name_in_two_shops_is_told_apart() -> None:
    one = shop()
    one.take(Topic("hillside", "bay-2", Kind.STATUS), status(), 0.0)
    paths = [news.data["path"] for news in one.snapshot() if news.event == "station"]
    assert paths == ["hillside/bay-2", "larkfield/bay-2"]
    assert one.find("bay-2", "larkfield") == PLACE
    assert one.find("bay-3") is None


def latest(one: Shop) -> list[tuple[str, str, int]]:
    """What the shop shows at the corner: identity, stage, and how many shims the ruler has."""
    data = told(one, "station")[-1]["corners"][0]
    return [(row["id"], row["stage"], len(data["ruler"]["notches"])) for row in data["latest"]]


def test_a_result_stands_in_the_shop_before_the_status_that_names_it() -> None:
    one = shop()
    assert not one.is_urgent
    found = result(at="2026-03-02T09:30:06.000Z", job="job-0042")
    one.take(RESULT, found, 1.0)
    assert one.is_urgent
    assert latest(one) == [(found.measurement_id, "as-found", 7)]
    # a status that was on its way meanwhile takes nothing away, one that knows better does
    soon = msgspec.structs.replace(status(), at="2026-03-02T09:30:06.400Z")
    one.take(STATUS, soon, 1.1)
    assert [row[0] for row in latest(one)] == [found.measurement_id]
    later = msgspec.structs.replace(status(), at="2026-03-02T09:30:16.400Z")
    one.take(STATUS, later, 11.0)
    assert latest(one) == []


def test_a_result_of_another_car_or_of_long_ago_does_not_stand_at_this_one() -> None:
    for other in (
        result(at="2026-03-02T09:30:06.000Z", job="another"),
        result(at="2026-03-02T09:30:06.000Z", vehicle="another"),
        result(at="2026-03-02T09:00:00.000Z"),
    ):
        one = shop()
        one.take(RESULT, other, 1.0)
        assert latest(one) == []


def test_a_fresh_result_takes_the_place_of_the_one_of_its_stage() -> None:
    one = shop()
    as_left = brief(measurement_id=LEFT_ID, stage="as-left", verdict="within", end_play_mm=0.0662)
    one.take(STATUS, status(corner(latest=[brief(measurement_id="older"), as_left])), 1.0)
    refused = result(
        at="2026-03-02T09:30:06.000Z", usable=False, state="refused", verdict=None, end_play_mm=None
    )
    one.take(RESULT, refused, 1.1)
    assert [row[:2] for row in latest(one)] == [(LEFT_ID, "as-left"), (refused.measurement_id, "as-found")]
