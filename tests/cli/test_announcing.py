"""Events of gauges become cues, live messages and a status; the whole is in test_listen_mqtt."""

from __future__ import annotations

import asyncio
import dataclasses
import io
import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest

from bus.desk import Errand, NoDesk
from bus.payloads import Car, CornerStatus, Cue, CueKind, Phase, Result, decode
from bus.results import encode_result
from calc.hub import load_hub
from calc.units import Unit
from capture.described import Described, GaugeFacts
from capture.end_play import EndPlay, analyse_trace
from capture.listening import Connected, Listening, Lost, Setup
from capture.profiles import BUILT_IN
from capture.readings import LowBattery, Reading, Trace
from capture.session import Ended, Progress, StrokeSeen
from capture.simulator import HubModel, simulate
from capture.traces import write_csv
from capture.watch import Armed, Began, Forgotten
from cli.announcing import Announcer
from cli.journal import Journal
from cli.plan import plan_of
from cli.serving import Service
from cli.todo import AGAIN, todo_of
from joblog.records import Measurement, new_id
from tests.bus.brokers import HERON_REAR, measurement_of


class Heard:
    """In place of the publisher: remembers what it is given."""

    def __init__(self) -> None:
        self.cues: list[Cue] = []
        self.connected = True
        self.statuses = self.results = 0

    def cue(self, corner: str, cue: Cue) -> None:
        assert corner == cue.corner
        self.cues.append(cue)

    def live_waits(self, gauge: str) -> bool:
        assert gauge
        return self.connected

    def status_changed(self) -> None:
        self.statuses += 1

    def result_waits(self) -> None:
        self.results += 1


class CardDesk(NoDesk):
    """A desk with a card."""

    def __init__(self) -> None:
        self.card: Car | None = None

    def car(self) -> Car | None:
        return self.card

    def errand(self, corner: str) -> Errand:
        return Errand(stage="as-left" if corner == "LR" else "as-found", fitted_mm=2.85)


class Scene:
    """An announcer with one gauge that is never opened."""

    def __init__(self, corner: str | None = "LR") -> None:
        self.desk = CardDesk()
        self.listening = Listening(lambda _: None, lambda *_: None, self._no_link)
        setup = Setup(
            name="left rear",
            link="serial:/dev/gauge",
            profile=BUILT_IN["line"],
            hub=load_hub(HERON_REAR),
            unit=Unit.MM,
            corner=corner,
            timeout_s=60,
        )
        asyncio.run(self._listen(setup))
        self.announcer = Announcer(self.listening, self.desk)
        self.heard = Heard()
        self.announcer.publisher = self.heard

    def _no_link(self, *_: object) -> Any:
        raise AssertionError

    async def _listen(self, setup: Setup) -> None:
        await self.listening.listen_to([setup])
        tasks = list(self.listening._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def tell(self, *events: Any) -> None:
        for event in events:
            self.announcer.tell("left rear", event)

    def kinds(self) -> list[CueKind]:
        return [cue.kind for cue in self.heard.cues]


@pytest.fixture
def scene() -> Scene:
    return Scene()


@pytest.fixture(scope="module")
def trace() -> Trace:
    return simulate(HubModel(end_play_mm=0.31, strokes=7, dwell_s=0.35, move_s=0.1, rest_s=0.4), 21).trace


@pytest.fixture
def make(trace: Trace) -> Callable[..., Measurement]:
    return lambda **more: measurement_of(trace, **more)


def progress(keeps: str = "3 of 5 full strokes", **more: Any) -> Progress:
    usual: dict[str, Any] = {
        "at": 3.0,
        "end_play_mm": 0.31,
        "expanded_mm": 0.02,
        "strokes": 3,
        "half_strokes": 0,
        "keeps": keeps,
    }
    return Progress(**(usual | more))


def test_strokes_and_slips_are_told_once_each(scene: Scene) -> None:
    scene.tell(Connected(1, "LR"), Armed(0.0), Began(1.0))
    scene.tell(StrokeSeen(1.5, 1, True, "out", 0.31), StrokeSeen(2.0, 2, True, "in", 0.31))
    scene.tell(StrokeSeen(2.5, 1, False, "out", 0.2))
    scene.tell(progress(), progress(slip_mm=0.05), progress(slip_mm=0.05))
    scene.tell(progress(slip_mm=None, end_play_mm=None, reason="base-slips"))
    assert scene.kinds() == ["ready", "pull", "push", "half-stroke", "slipped"]
    ready, pull, _, half, slipped = scene.heard.cues
    assert ready.stage == "as-left"
    assert (pull.number, pull.height_mm, pull.text["en"], pull.speech["de"]) == (1, 0.31, "1", "eins")
    assert half.number == 1
    assert slipped.slip_mm == 0.05


def test_a_base_that_slips_again_and_again_is_told_of(scene: Scene) -> None:
    scene.tell(Began(1.0), progress(end_play_mm=None, expanded_mm=None, reason="base-slips"))
    assert scene.kinds() == ["slipped"]


def test_a_gauge_is_lost_once_and_only_if_it_was_there(scene: Scene) -> None:
    scene.tell(Lost("no such port", 1, 0.2))
    assert scene.kinds() == []
    scene.tell(Connected(2, "LR"), Lost("unplugged", 1, 0.2), Lost("unplugged", 2, 0.4))
    assert scene.kinds() == ["gauge-lost"]
    status = scene.announcer.status()
    assert status.gauges[0].why == "unplugged"
    assert status.car is not None
    assert status.car.corners[0].todo == ["The gauge is not connected: unplugged."]


def test_without_a_corner_nothing_is_told_at_one() -> None:
    scene = Scene(corner=None)
    scene.tell(Connected(1, None), Armed(0.0), Reading(Decimal("1.00"), Unit.MM, 0.1))
    scene.tell(StrokeSeen(1, 1, True, "in", 0.3))
    assert scene.kinds() == []
    assert scene.announcer.live("left rear") is None
    assert scene.announcer.status().car == Car(corners=[])


def test_live_tells_the_newest_and_the_extremes_since_the_message_before(scene: Scene) -> None:
    scene.tell(Connected(1, "LR"), Began(0.0))
    for text in ("0.300", "0.610", "0.250", "0.400"):
        scene.tell(Reading(Decimal(text), Unit.MM, 1.0))
    scene.tell(progress())
    found = scene.announcer.live("left rear")
    assert found is not None
    corner, live = found
    assert corner == "LR"
    assert (live.reading_mm, live.low_mm, live.high_mm, live.step_mm) == (0.4, 0.25, 0.61, 0.001)
    assert (live.phase, live.strokes, live.end_play_mm, live.keeps) == (
        Phase.MEASURING,
        3,
        0.31,
        "3 of 5 full strokes",
    )
    assert scene.announcer.live("left rear") is None, "nothing new came"


def test_an_inch_gauge_has_a_step_in_millimetres(scene: Scene) -> None:
    scene.tell(Reading(Decimal("0.0120"), Unit.INCH, 1.0))
    found = scene.announcer.live("left rear")
    assert found is not None
    assert found[1].step_mm == pytest.approx(0.00254)
    assert found[1].reading_mm == pytest.approx(0.3048)


def test_what_came_while_nobody_heard_is_in_no_later_message(scene: Scene) -> None:
    scene.heard.connected = False
    scene.tell(Reading(Decimal("9.000"), Unit.MM, 1.0))
    scene.heard.connected = True
    scene.tell(Reading(Decimal("1.000"), Unit.MM, 2.0))
    found = scene.announcer.live("left rear")
    assert found is not None
    assert found[1].high_mm == 1.0


def test_battery(scene: Scene) -> None:
    scene.tell(Described(GaugeFacts(battery_percent=12), None, 0.0), LowBattery(1.0))
    gauge = scene.announcer.status().gauges[0]
    assert (gauge.battery_percent, gauge.battery_low) == (12, True)


def test_a_result_is_told_with_its_shim_and_stands_in_the_status(
    scene: Scene, make: Callable[..., Measurement]
) -> None:
    one = make()
    scene.tell(Connected(1, "LR"), Began(0.0), Ended(1.0, analyse_trace(one.trace), one.trace))
    scene.announcer.kept(one)
    assert scene.kinds() == ["enough", "result"]
    assert scene.heard.results == 1
    cue = scene.heard.cues[1]
    assert cue.speech["en"].startswith("left rear: nought point three one millimetres, loose; fit ")
    assert cue.measurement_id == one.id
    (corner,) = scene.announcer.status().car.corners  # type: ignore[union-attr]
    assert [brief.measurement_id for brief in corner.latest] == [one.id]
    assert corner.todo == todo_of(one)
    assert any("stands" in text for text in corner.todo)
    as_left = make(stage="as-left")
    scene.announcer.kept(as_left)
    (corner,) = scene.announcer.status().car.corners  # type: ignore[union-attr]
    assert [brief.stage for brief in corner.latest] == ["as-found", "as-left"]


def test_a_refused_measurement_says_why_and_to_measure_again(
    scene: Scene, make: Callable[..., Measurement]
) -> None:
    good = make()
    reason = {"code": "one-way", "text": "the reading never came back: push and pull in turn"}
    analysis = good.analysis | {"usable": False, "end_play_mm": None, "reasons": [reason]}
    one = dataclasses.replace(
        good, id=new_id(), state="refused", verdict=None, p_within=None, shim=None, analysis=analysis
    )
    scene.announcer.kept(one)
    assert scene.kinds() == ["refused"]
    assert scene.heard.cues[0].reason == "one-way"
    assert todo_of(one) == ["The reading never came back: push and pull in turn.", AGAIN]


def test_another_car_does_not_inherit_what_was_measured(
    scene: Scene, make: Callable[..., Measurement]
) -> None:
    scene.announcer.kept(make())
    corner = CornerStatus(
        corner="LR", hub_title="Heron GT", least_mm=0.03, most_mm=0.2, unit="mm", stage="as-found"
    )
    scene.desk.card = Car(job="17", vehicle="Heron GT", registration="LG 17", corners=[corner])
    status = scene.announcer.status()
    assert status.car is not None
    assert (status.car.job, status.car.registration) == ("17", "LG 17")
    assert status.car.corners[0].latest == []
    assert status.car.corners[0].gauge == "left rear"
    scene.announcer.kept(make())
    assert len(scene.announcer.status().car.corners[0].latest) == 1  # type: ignore[union-attr]


def test_a_forgotten_movement_leaves_no_counts(scene: Scene) -> None:
    scene.tell(
        Connected(1, "LR"), Began(0.0), StrokeSeen(1, 1, True, "in", 0.3), Forgotten(2.0, "no strokes")
    )
    scene.tell(Reading(Decimal("1.000"), Unit.MM, 3.0))
    found = scene.announcer.live("left rear")
    assert found is not None
    assert (found[1].strokes, found[1].phase) == (0, Phase.SETTLING)


def test_the_result_message_says_what_to_do(make: Callable[..., Measurement]) -> None:
    one = make()
    assert isinstance(analyse_trace(one.trace), EndPlay)
    found = decode(encode_result(one, todo_of(one)), Result)
    assert found.todo == todo_of(one)
    assert json.loads(encode_result(one, todo_of(one)))["todo"] == msgspec.to_builtins(found)["todo"]
    assert Path(HERON_REAR).exists()


def station_of(folder: Path, trace: Trace, more: str = "") -> Path:
    """A station file whose gauge is a recording, fifty times as fast."""
    csv, station = folder / "trace.csv", folder / "bay.toml"
    with csv.open("w", encoding="utf-8", newline="") as out:
        write_csv(trace, out)
    station.write_text(
        f'shop = "larkfield"\nstation = "bay-2"\nlog = "log.sqlite"\nhub = "{HERON_REAR}"\n{more}'
        f'[[gauge]]\nname = "left rear"\nlink = "replay:{csv}?speed=50"\nunit = "mm"\ncorner = "LR"\n',
        encoding="utf-8",
    )
    return station


def test_a_fault_in_telling_harms_neither_the_measurement_nor_the_log(
    tmp_path: Path, trace: Trace, monkeypatch: pytest.MonkeyPatch
) -> None:
    station = station_of(tmp_path, trace, '[broker]\nurl = "mqtt://127.0.0.1:1"\n')

    def broken(*_: object) -> None:
        raise KeyError("broken")

    monkeypatch.setattr(Announcer, "tell", broken)
    monkeypatch.setattr(Announcer, "kept", broken)
    said = io.StringIO()
    journal = Journal(said, as_json=True)
    kept: list[Measurement] = []
    service = Service(station, journal, on_kept=kept.append)
    asyncio.run(service.run(plan_of(station)))
    journal.close()
    lines = [json.loads(line) for line in said.getvalue().splitlines()]
    assert [one.state for one in kept] == ["measured"]
    assert 1 <= len([line for line in lines if line["event"] == "fault"]) <= 3, "each fault is told once"
    assert not [line for line in lines if line["event"] == "lost"]


def test_what_goes_wrong_where_nobody_waits_is_a_line_of_the_journal_too(
    tmp_path: Path, trace: Trace, capfd: pytest.CaptureFixture[str]
) -> None:
    station = station_of(tmp_path, trace)
    said = io.StringIO()
    journal = Journal(said, as_json=True)

    def broken(_: Measurement) -> None:
        asyncio.get_running_loop().call_soon(lambda: 1 / 0)

    service = Service(station, journal, on_kept=broken)
    asyncio.run(service.run(plan_of(station)))
    journal.close()
    (fault,) = [line for line in map(json.loads, said.getvalue().splitlines()) if line["event"] == "fault"]
    assert fault["level"] == "warning"
    assert "ZeroDivisionError" in fault["text"]
    assert capfd.readouterr().err == ""
