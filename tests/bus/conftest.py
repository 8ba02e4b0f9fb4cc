"""Fixtures of what ``brokers.py`` has."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from capture.end_play import EndPlay, analyse_trace
from capture.readings import Trace
from capture.simulator import HubModel, simulate
from joblog.records import Measurement
from tests.bus.brokers import AnyBroker, Embedded, Log, Mosquitto, measurement_of


@pytest.fixture(params=["mosquitto", "embedded"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyBroker]:
    """Each of both brokers, running."""
    one: AnyBroker = Mosquitto(tmp_path) if request.param == "mosquitto" else Embedded()
    one.start()
    yield one
    one.kill()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    one = Mosquitto(tmp_path)
    one.start()
    yield one
    one.kill()


@pytest.fixture(scope="session")
def trace() -> Trace:
    model = HubModel(end_play_mm=0.31, strokes=7, dwell_s=0.35, move_s=0.1, rest_s=0.4)
    return simulate(model, 21).trace


@pytest.fixture
def make(trace: Trace) -> Callable[..., Measurement]:
    """Makes a fresh measurement each time it is called."""
    assert isinstance(analyse_trace(trace), EndPlay)
    return partial(measurement_of, trace)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    one = Log(tmp_path / "log.sqlite")
    yield one
    one.close()
