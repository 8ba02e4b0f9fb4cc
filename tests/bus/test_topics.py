"""Topics are made and read the same way, and no name can widen one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.errors import TopicError
from bus.topics import (
    CORNERS,
    QOS,
    RETAINED,
    Kind,
    StationTopics,
    Topic,
    board_filters,
    parse_topic,
)

BAY = StationTopics("larkfield", "bay-2")
NAMES = st.from_regex(r"[A-Za-z0-9_-]{1,64}", fullmatch=True)


def test_the_topics_are_those_of_the_contract() -> None:
    base = "shimwright/1/larkfield/bay-2"
    assert BAY.status == f"{base}/status"
    assert BAY.command == f"{base}/command"
    assert BAY.live("LF") == f"{base}/LF/live"
    assert BAY.cue("RF") == f"{base}/RF/cue"
    assert BAY.result("RR") == f"{base}/RR/result"
    assert BAY.answer("board-1") == f"{base}/answer/board-1"


@given(NAMES, NAMES, NAMES, st.sampled_from(CORNERS))
def test_a_topic_that_was_made_is_read_back(shop: str, station: str, asker: str, corner: str) -> None:
    bay = StationTopics(shop, station)
    assert parse_topic(bay.status) == Topic(shop, station, Kind.STATUS)
    assert parse_topic(bay.command) == Topic(shop, station, Kind.COMMAND)
    assert parse_topic(bay.live(corner)) == Topic(shop, station, Kind.LIVE, corner)
    assert parse_topic(bay.cue(corner)) == Topic(shop, station, Kind.CUE, corner)
    assert parse_topic(bay.result(corner)) == Topic(shop, station, Kind.RESULT, corner)
    assert parse_topic(bay.answer(asker)) == Topic(shop, station, Kind.ANSWER, asker=asker)


@pytest.mark.parametrize(
    "name", ["", "+", "#", "bay/2", "bay 2", "$SYS", "bäy", "a" * 65, "bay\0", "bay-2\n"]
)
def test_a_name_that_could_widen_a_topic_is_refused(name: str) -> None:
    with pytest.raises(TopicError, match="letters, digits"):
        StationTopics(name, "bay-2")
    with pytest.raises(TopicError, match="letters, digits"):
        StationTopics("larkfield", name)
    with pytest.raises(TopicError, match="letters, digits"):
        BAY.answer(name)
    with pytest.raises(TopicError):
        BAY.result(name)
    if name:
        with pytest.raises(TopicError, match="letters, digits"):
            board_filters(name)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "shimwright",
        "other/1/larkfield/bay-2/status",
        "shimwright/1/larkfield/status",
        "shimwright/1/larkfield/bay-2/mood",
        "shimwright/1/larkfield/bay-2/XX/live",
        "shimwright/1/larkfield/bay-2/LR/status",
        "shimwright/1/larkfield/bay-2/LR/command",
        "shimwright/1/larkfield/bay-2/LR/live/more",
        "shimwright/1//bay-2/status",
        "shimwright/1/lark field/bay-2/status",
        "shimwright/1/larkfield/bay-2/answer/",
    ],
)
def test_what_is_none_of_ours_is_refused(text: str) -> None:
    with pytest.raises(TopicError, match="is no topic of shimwright"):
        parse_topic(text)


def test_another_version_is_told_from_a_foreign_topic() -> None:
    with pytest.raises(TopicError, match="another version"):
        parse_topic("shimwright/2/larkfield/bay-2/status")


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text: str) -> None:
    told = ""
    try:
        parse_topic(text)
    except TopicError as error:
        told = str(error)
    assert "\n" not in told


def test_status_and_results_are_retained_and_only_live_readings_may_be_lost() -> None:
    assert set(QOS) == set(Kind)
    assert {kind for kind in Kind if QOS[kind] == 0} == {Kind.LIVE}
    assert {Kind.STATUS, Kind.RESULT} == RETAINED


@pytest.mark.parametrize(
    "topic",
    ["board/answers", "shimwright/1/larkfield/bay-2/answer/board-1", "answers"],
)
def test_it_answers_there(topic: str) -> None:
    assert BAY.may_answer_on(topic)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "board/+",
        "board/#",
        "$SYS/broker",
        "shimwright/1/larkfield/bay-2/status",
        "shimwright/1/larkfield/bay-2/LR/result",
        "shimwright/1/larkfield/bay-2/command",
        "shimwright/1/larkfield/bay-3/answer/board-1",
        "shimwright/1/larkfield/bay-2/answer/",
        "shimwright/1/larkfield/bay-2/answer/a/b",
        "shimwright",
        "a" * 257,
    ],
)
def test_no_asker_can_have_it_write_among_the_stations_messages(topic: str) -> None:
    assert not BAY.may_answer_on(topic)


def test_a_board_hears_no_commands_and_no_answers_of_others() -> None:
    filters = board_filters("larkfield")
    assert filters == [
        "shimwright/1/larkfield/+/status",
        "shimwright/1/larkfield/+/+/live",
        "shimwright/1/larkfield/+/+/cue",
        "shimwright/1/larkfield/+/+/result",
    ]
    assert board_filters()[0] == "shimwright/1/+/+/status"
