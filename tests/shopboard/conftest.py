"""One broker, one board and one browser for all tests of the page; each test has a station of its own."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import pytest
from blockbuster import BlockBuster

from bus.broker import EmbeddedBroker
from tests.bus.brokers import free_port
from tests.shopboard.parts import BoardProcess, Screen, Station

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def page_broker() -> Iterator[str]:
    with EmbeddedBroker(free_port()) as broker:
        yield broker.url


@pytest.fixture(scope="session")
def board(page_broker: str) -> Iterator[BoardProcess]:
    one = BoardProcess(page_broker, free_port())
    yield one
    one.end()


@pytest.fixture(scope="session")
def browser(loop_watch: BlockBuster) -> Iterator[Screen]:
    loop_watch.deactivate()  # the browser's library looks at files in the loop that it starts
    one = Screen()
    loop_watch.activate()
    yield one
    loop_watch.deactivate()
    one.end()
    loop_watch.activate()


@pytest.fixture
def screen(browser: Screen) -> Screen:
    browser.fresh()
    return browser


@pytest.fixture
def station(page_broker: str) -> Iterator[Station]:
    one = Station(page_broker, f"bay-{next(_numbers)}")
    yield one
    one.leave()


@pytest.fixture
def another(page_broker: str) -> Iterator[Callable[[], Station]]:
    made: list[Station] = []

    def make() -> Station:
        made.append(Station(page_broker, f"bay-{next(_numbers)}"))
        return made[-1]

    yield make
    for one in made:
        one.leave()
