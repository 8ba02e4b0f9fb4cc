"""The page in Chromium where a job card says what comes next: the car, its choice, the cautions."""

from __future__ import annotations

import msgspec
import pytest

from bus.payloads import GaugeState, OpenJob, Phase, Select, Status
from joblog.course import Place
from tests.shopboard.parts import BoardProcess, Screen, Station, corner, gauge, live, result, status
from tests.shopboard.test_page import at_the_wheel, clean

OPENED_AT = "2026-03-02T08:00:00.000Z"
SILVER = OpenJob(
    job="job-0042",
    vehicle="Heron GT",
    registration="LG 26 HRN",
    opened_at=OPENED_AT,
    corners=["LR", "RR"],
)
BLUE = OpenJob(job="job-0043", vehicle="Heron GT <blue>", opened_at=OPENED_AT, corners=["LR"])
MIND = "Mind: Press: shield up, stand aside, support the ring that is tight."
FIT = "Next: fit the 2.95 mm shim; nut 135 N·m; new pin."


def on_card(place: Place, *todo: str, job: OpenJob = SILVER, gauge_lost: bool = False) -> Status:
    state = GaugeState.LOST if gauge_lost else GaugeState.CONNECTED
    why = "unplugged" if gauge_lost else None
    told = status(
        corner(place=place, todo=list(todo)),
        gauges=(gauge(state=state, why=why, phase=None if gauge_lost else Phase.WAITING),),
        job=job.job,
        vehicle=job.vehicle,
    )
    return msgspec.structs.replace(told, jobs=[SILVER, BLUE])


def hidden(screen: Screen, selector: str) -> bool:
    return screen.do(lambda page: page.is_hidden(selector))


def test_the_wheel_says_what_the_card_says_with_its_caution(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(result(job=SILVER.job))
    station.tell(on_card(Place.REASSEMBLE, FIT, MIND))
    at_the_wheel(screen, board, station)
    screen.sees("#now", FIT)
    screen.sees("#mind", MIND)
    screen.sees("#result-title", "Result")
    assert hidden(screen, "#result-todo"), "what the result asked for has been done since"
    station.tell(on_card(Place.REASSEMBLE, FIT, MIND, gauge_lost=True))
    screen.sees("#wheel-state", "unplugged")
    screen.sees("#now", FIT)  # the hub is apart: no gauge is wanted
    station.tell(
        on_card(
            Place.AS_LEFT, "The gauge is not connected: unplugged.", "Now: measure as left.", gauge_lost=True
        )
    )
    screen.sees("#now", "The gauge is lost")
    screen.sees("#mind", "Now: measure as left.")
    station.tell(on_card(Place.AS_LEFT, "Push and pull the hub, stop to stop.", "Now: measure as left."))
    screen.sees("#now", "Push and pull the hub, stop to stop.")
    station.tell(live(phase=Phase.MEASURING, strokes=2, keeps="2 of 5 full strokes"))
    screen.sees("#now", "Go on: 2 of 5 full strokes")
    clean(screen, board)


def test_without_a_card_the_result_says_what_to_do(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(result(todo=["Take the hub apart."]))
    station.tell(status(corner(todo=["Take the hub apart."]), job=None))
    at_the_wheel(screen, board, station)
    screen.sees("#result-todo", "Take the hub apart.")
    assert not hidden(screen, "#result-todo")
    assert hidden(screen, "#mind")
    assert hidden(screen, "#car-choice"), "no job card is open"


def test_another_car_is_taken_up_from_the_page_and_its_corner_is_not_the_first_ones(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(result(job=SILVER.job))
    station.tell(on_card(Place.TEARDOWN, "Next: take the hub apart."))
    at_the_wheel(screen, board, station)
    screen.sees("#result-title", "Result, as found")
    words = screen.do(
        lambda page: page.eval_on_selector_all("#car option", "all => all.map((one) => one.textContent)")
    )
    assert words == [
        "Heron GT, LG 26 HRN: LR, RR (job job-0042)",
        "Heron GT <blue>: LR (job job-0043)",
    ]
    assert screen.do(lambda page: page.input_value("#car")) == SILVER.job
    tall = screen.do(lambda page: page.eval_on_selector("#car", "one => one.getBoundingClientRect().height"))
    assert tall >= 48, "for gloves"
    station.answers = False
    screen.do(lambda page: page.select_option("#car", BLUE.job))
    assert station.commands.get(timeout=10) == Select(job=BLUE.job)
    screen.sees("#answer", "NOT DONE")
    assert screen.do(lambda page: page.input_value("#car")) == SILVER.job, "what was not done is not shown"
    station.answers = True
    screen.do(lambda page: page.select_option("#car", BLUE.job))
    assert station.commands.get(timeout=10) == Select(job=BLUE.job)
    screen.sees("#answer", "Done")
    station.tell(on_card(Place.AS_FOUND, "Push and pull the hub, stop to stop.", job=BLUE))
    screen.sees("#wheel-car", "Heron GT <blue>")
    screen.sees("#result-title", "NOT OF THIS CAR")
    assert screen.do(lambda page: page.input_value("#car")) == BLUE.job
    station.tell(result(job=None, vehicle=BLUE.vehicle))  # a corner that its card does not have
    screen.sees("#result-title", "Result, as found")
    # a letter typed in the list chooses in it and does nothing else
    screen.do(lambda page: page.focus("#car"))
    screen.do(lambda page: page.keyboard.press("s"))
    assert station.commands.empty()
    clean(screen, board)


@pytest.mark.parametrize("width", [320, 390])
def test_a_long_choice_of_cars_fits_a_phone(
    browser: Screen, board: BoardProcess, station: Station, width: int
) -> None:
    browser.fresh(width=width, height=700)
    long = msgspec.structs.replace(SILVER, vehicle="Heron GT, the silver one of the driving school " * 3)
    told = on_card(Place.REASSEMBLE, FIT, MIND)
    station.tell(msgspec.structs.replace(told, jobs=[long, BLUE]))
    at_the_wheel(browser, board, station)
    browser.sees("#car option", "driving school")
    wide = "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    needs, has = browser.do(lambda page: page.evaluate(wide))
    assert needs <= has


def test_a_corner_that_is_done_asks_for_no_measurement(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(on_card(Place.DONE, "Done; as left 0.06 mm, within.", gauge_lost=True))
    at_the_wheel(screen, board, station)
    screen.sees("#now", "Done; as left")
    screen.do(lambda page: page.goto(f"{board.url}/"))
    card = f'[aria-label="Station {station.name}"] [data-corner=LR]'
    screen.sees(card, "Done; as left")
    text = screen.do(lambda page: page.text_content(card))
    assert text is not None
    assert "to measure next" not in text
