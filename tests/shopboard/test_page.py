"""The page in Chromium, with a real broker, a real board and a station of the tests."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bus.payloads import OFFLINE, Accept, CueKind, GaugeState, Note, Phase, Redo, Select, Start
from tests.bus.brokers import Mosquitto, free_port
from tests.shopboard.parts import (
    LEFT_ID,
    BoardProcess,
    Screen,
    Station,
    brief,
    corner,
    cue,
    gauge,
    live,
    result,
    status,
)

SPEECH_STUB = """
window.said = [];
Object.defineProperty(window, "speechSynthesis", { value: {
  pending: false, cancel() {}, speak(one) { window.said.push([one.lang, one.text]); },
} });
"""


def at_the_wheel(screen: Screen, board: BoardProcess, station: Station, where: str = "LR") -> None:
    screen.do(lambda page: page.goto(f"{board.url}/#wheel/{station.name}/{where}"))
    screen.sees("#wheel-title", station.name)


def clean(screen: Screen, board: BoardProcess) -> None:
    """No error on the console, and nothing asked of another host."""
    assert [one for one in screen.console if one.startswith(("error", "warning"))] == []
    assert screen.requests
    assert [one for one in screen.requests if not one.startswith(board.url + "/")] == []


def test_the_shop_shows_station_car_gauge_and_corners_and_its_number_moves(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    as_left = brief(
        measurement_id=LEFT_ID, stage="as-left", verdict="within", end_play_mm=0.0662, p_within=1.0
    )
    station.tell(status(corner(latest=[brief(), as_left]), corner("RR")))
    screen.do(lambda page: page.goto(board.url))
    card = f'[aria-label="Station {station.name}"]'
    screen.sees(card, "Heron GT · LG 26 HRN")
    screen.sees(f"{card} .gauges", "ready: push and pull the hub")
    screen.sees(f"{card} .gauges", "battery 64 %")
    screen.sees(f"{card} .simulated", "SIMULATED")
    screen.sees(
        f"{card} .latest", "as found: 0.316 mm ± 0.005 mm (95 %), LOOSE, too much end play; fit 2.95 mm"
    )
    screen.sees(f"{card} .latest", "as left: 0.066 mm ± 0.005 mm (95 %), WITHIN LIMITS")
    screen.sees(f"{card} .corner svg title", "End play allowed 0.03 mm to 0.20 mm.")
    station.tell(live(reading_mm=2.143))
    screen.sees(f'{card} [data-corner="LR"] .num', "2.143 mm")
    station.tell(live(reading_mm=2.457, phase=Phase.MEASURING, strokes=3))
    screen.sees(f'{card} [data-corner="LR"] .num', "2.457 mm, 3 strokes")
    screen.sees(f"{card} .gauges", "heard just now")
    clean(screen, board)


def test_at_the_wheel_the_digits_move_and_the_result_comes_with_its_ruler(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status())
    at_the_wheel(screen, board, station)
    screen.sees("#now", "Ready: push and pull the hub")
    for n in range(3):
        station.tell(
            live(time_s=20.0 + n, reading_mm=2.1 + n / 10, phase=Phase.MEASURING, strokes=n, end_play_mm=0.31)
        )
    screen.sees("#digits", "2.300")
    screen.sees("#strokes", "2")
    screen.sees("#estimate", "0.310 mm")
    screen.sees("#wheel-simulated", "SIMULATED")
    assert screen.do(lambda page: page.locator("#trace .curve").count()) == 1
    station.tell(result())
    screen.sees("#result-words", "LOOSE, too much end play")
    screen.sees("#result-words", "0.316 mm ± 0.005 mm (95 %)")
    screen.sees("#result-words", "0.116 mm more than the most allowed, 0.20 mm")
    screen.sees("#result-words", "Fit 2.95 mm")
    screen.sees("#result-more", "never on the jack alone")
    screen.sees("#result-ruler svg text", "2.95")
    assert screen.do(lambda page: page.get_attribute("#result-words", "aria-live")) == "polite"
    # five marks of what there is: the band, the mark, its whisker, the shims, the framed one
    for part in (".band", ".mark", ".whisker", ".notch", ".frame"):
        assert screen.do(lambda page, part=part: page.locator(f"#result-ruler {part}").count()) >= 1  # type: ignore[misc]
    clean(screen, board)


def test_a_lost_gauge_and_a_lost_station_are_told_and_come_back(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status())
    at_the_wheel(screen, board, station)
    station.tell(live())
    screen.sees("#digits", "2.143")
    station.tell(status(gauges=(gauge(state=GaugeState.LOST, phase=None, why="the cable is out"),)))
    screen.sees("#wheel-state", "NOT CONNECTED: the cable is out")
    screen.sees("#now", "check its cable or battery")
    screen.sees("#old", "NOT LIVE: the last reading")
    screen.sees("#digits", "2.143")
    station.tell(status())
    screen.sees("#wheel-state", "connected")
    station.tell(live(reading_mm=2.144))
    screen.do(lambda page: page.wait_for_selector("#old", state="hidden"))
    screen.sees("#digits", "2.144")
    station.tell(OFFLINE)
    screen.sees("#wheel-state", "AWAY: the station is off, or has lost the network")
    screen.sees("#old", "NOT LIVE: the last reading")
    screen.sees("#digits", "2.144")
    station.tell(status())
    screen.sees("#now", "Ready")
    screen.sees("#old", "NOT LIVE")  # until the gauge is heard again
    station.tell(live(reading_mm=2.144))
    screen.do(lambda page: page.wait_for_selector("#old", state="hidden"))
    clean(screen, board)


def test_keys_act_and_the_answer_shows(screen: Screen, board: BoardProcess, station: Station) -> None:
    station.tell(status())
    at_the_wheel(screen, board, station)
    screen.sees("#wheel-state", "DI-12")
    for key, command, name in (
        ("s", Start(corner="LR"), "start"),
        ("a", Accept(corner="LR"), "accept"),
        ("R", Redo(corner="LR"), "redo"),
    ):
        screen.do(lambda page, key=key: page.keyboard.press(key))  # type: ignore[misc]
        assert station.commands.get(timeout=10) == command
        screen.sees("#answer", f"✓ Done: {name} was done at {station.name}")
    station.answers = False
    screen.do(lambda page: page.click('[data-do="accept"]'))
    screen.sees("#answer", "✕ NOT DONE: accept cannot be done now")
    assert station.commands.get(timeout=10) == Accept(corner="LR")
    station.answers = True
    # a note takes letters as letters
    screen.do(lambda page: page.keyboard.press("t"))
    screen.do(lambda page: page.keyboard.type("seal worn, as said"))
    screen.do(lambda page: page.click("#note-form button[type=submit]"))
    assert station.commands.get(timeout=10) == Note(text="seal worn, as said", corner="LR")
    screen.sees("#answer", "note was done")
    assert station.commands.empty()
    # the one gauge goes along to the next corner, and so does the page
    screen.do(lambda page: page.keyboard.press("n"))
    assert station.commands.get(timeout=10) == Select(corner="RR", gauge="DI-12")
    screen.sees("#wheel-title", "right rear")
    # switched off, no key acts
    screen.do(lambda page: page.uncheck("#keys"))
    screen.do(lambda page: page.keyboard.press("s"))
    screen.do(lambda page: page.click('[data-do="redo"]'))
    assert station.commands.get(timeout=10) == Redo(corner="RR")
    clean(screen, board)


@pytest.mark.parametrize(
    ("language", "spoken"),
    [
        ("en", "left rear: nought point three one millimetres, loose; fit two point eight five."),
        (
            "de",
            (
                "hinten links: null Komma drei eins Millimeter, zu viel Spiel; "
                "Scheibe zwei Komma acht fünf einbauen."
            ),
        ),
    ],
)
def test_the_page_speaks_after_one_tap_and_is_silent_where_told(
    screen: Screen, board: BoardProcess, station: Station, language: str, spoken: str
) -> None:
    screen.fresh(script=SPEECH_STUB)
    station.tell(status())
    at_the_wheel(screen, board, station)
    screen.sees("#wheel-state", "DI-12")
    facts = {"end_play_mm": 0.3124, "verdict": "loose", "fit_mm": 2.85}
    station.tell(cue(CueKind.RESULT, **facts))
    station.tell(live(reading_mm=1.0))
    screen.sees("#digits", "1.000")  # so the cue before it has come
    assert screen.do(lambda page: page.evaluate("window.said")) == []
    screen.do(lambda page: page.select_option("#language", language))
    screen.do(lambda page: page.click("#sound"))
    screen.do(lambda page: page.uncheck('[data-kind="push"]'))
    station.tell(cue(CueKind.PUSH, number=3))
    station.tell(cue(CueKind.RESULT, **facts))
    screen.do(lambda page: page.wait_for_function("() => window.said.length > 0"))
    assert screen.do(lambda page: page.evaluate("window.said")) == [[language, spoken]]
    screen.do(lambda page: page.reload())
    assert not screen.do(lambda page: page.is_checked('[data-kind="push"]'))
    clean(screen, board)


AUDIO_STUB = """
window.tones = [];
window.contexts = 0;
window.AudioContext = class {
  currentTime = 5;
  destination = {};
  constructor() { window.contexts += 1; }
  resume() { return Promise.resolve(); }
  createGain() {
    const gain = { setValueAtTime() {}, exponentialRampToValueAtTime() {} };
    return { gain, connect(next) { return next; } };
  }
  createOscillator() {
    const one = { frequency: { value: 0 }, connect(next) { return next; }, stop(at) { one.until = at; } };
    one.start = (at) => { window.tones.push([one.frequency.value, at]); };
    return one;
  }
};
"""
TONES = {  # hertz, one after another
    CueKind.READY: [523, 659],
    CueKind.PUSH: [330],
    CueKind.PULL: [880],
    CueKind.HALF_STROKE: [440, 440],
    CueKind.SLIPPED: [600, 300],
    CueKind.ENOUGH: [659, 784, 988],
    CueKind.RESULT: [784],
    CueKind.REFUSED: [392, 262],
    CueKind.GAUGE_LOST: [247, 247, 185],
}


def test_each_cue_has_its_tones_after_one_tap_and_is_silent_where_told(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    assert len({tuple(hertz) for hertz in TONES.values()}) == len(CueKind)  # told apart by ear
    screen.fresh(script=SPEECH_STUB + AUDIO_STUB)
    station.tell(status())
    at_the_wheel(screen, board, station)
    screen.sees("#wheel-state", "DI-12")

    def heard(fence: float) -> list[float]:
        """The tones since it was asked last; what was told before the reading has come then."""
        station.tell(live(reading_mm=fence))
        screen.sees("#digits", f"{fence:.3f}")
        tones = screen.do(lambda page: page.evaluate("window.tones.splice(0)"))
        starts = [at for _, at in tones]
        assert starts == sorted(set(starts))
        assert all(at >= 5 for at in starts)  # as the context counts
        return [hertz for hertz, _ in tones]

    station.tell(cue(CueKind.PUSH, number=1))
    assert heard(1.0) == []
    assert screen.do(lambda page: page.evaluate("window.contexts")) == 0
    screen.do(lambda page: page.click("#sound"))
    for n, (kind, hertz) in enumerate(TONES.items()):
        station.tell(cue(kind, number=1))
        assert heard(1.1 + n / 10) == hertz, kind
    screen.do(lambda page: page.evaluate("window.said.length = 0"))
    for n, kind in enumerate(TONES):
        screen.do(lambda page, kind=kind: page.uncheck(f'[data-kind="{kind}"]'))  # type: ignore[misc]
        station.tell(cue(kind, number=1))
        assert heard(3.1 + n / 10) == [], kind
        assert screen.do(lambda page: page.evaluate("window.said")) == []
        screen.do(lambda page, kind=kind: page.check(f'[data-kind="{kind}"]'))  # type: ignore[misc]
    screen.do(lambda page: page.click("#sound"))  # off again
    station.tell(cue(CueKind.RESULT, number=1))
    assert heard(5.0) == []
    clean(screen, board)


def test_what_comes_from_outside_is_shown_as_text(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    nasty = "<script>document.title='taken'</script><img src=x onerror=alert(1)>"
    station.tell(status(corner(todo=[nasty], hub_title=nasty), vehicle=nasty, registration=nasty))
    screen.do(lambda page: page.goto(board.url))
    screen.sees(".station .car", nasty)
    screen.sees(".todo", nasty)
    station.tell(
        result(vehicle=nasty, reasons=[{"code": "x", "text": nasty}], todo=[nasty], gauge_name=nasty)
    )
    at_the_wheel(screen, board, station)
    screen.sees("#result-words", nasty)
    assert screen.do(lambda page: page.locator("main img, main script").count()) == 0
    assert "taken" not in screen.do(lambda page: page.title())
    screen.do(lambda page: page.goto(f"{board.url}/#history"))
    screen.sees("#history-table", nasty)
    clean(screen, board)


def test_the_history_of_a_vehicle_has_a_table_and_a_ruler_a_corner(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    name = f"Heron GT of {station.name}"
    station.tell(status(vehicle=name))
    station.tell(result(vehicle=name))
    left = "00000000-0000-4000-8000-000000000001"
    station.tell(
        result(
            vehicle=name,
            stage="as-left",
            verdict="within",
            end_play_mm=0.0662,
            measurement_id=left,
            shim=None,
        )
    )
    screen.do(lambda page: page.goto(board.url))
    screen.sees(".station .car", name)
    screen.do(lambda page: page.click(f'[aria-label="Station {station.name}"] [data-focus="history"]'))
    screen.sees("#history-table", "WITHIN LIMITS (SIMULATED)")
    screen.sees("#history-rulers h2", "left rear")
    screen.sees("#history-rulers svg title", "as left: 0.066 mm ± 0.005 mm (95 %), WITHIN LIMITS")
    clean(screen, board)


@pytest.fixture
def mortal(tmp_path: Path) -> Iterator[tuple[Mosquitto, BoardProcess, Station]]:
    """A broker that may be killed, with a board and a station of its own."""
    broker = Mosquitto(tmp_path)
    broker.start()
    url = f"mqtt://127.0.0.1:{broker.port}"
    board, station = BoardProcess(url, free_port()), Station(url, "bay-m")
    yield broker, board, station
    station.end()
    board.end()
    broker.kill()


def test_a_broker_that_dies_is_told_at_once_and_all_comes_back_alone(
    screen: Screen, mortal: tuple[Mosquitto, BoardProcess, Station]
) -> None:
    broker, board, station = mortal
    station.tell(status(corner(latest=[brief()])))
    station.tell(result())
    at_the_wheel(screen, board, station)
    shop = screen.do(lambda page: page.context.new_page())
    screen.do(lambda _: shop.goto(board.url))
    station.tell(live(reading_mm=2.143))
    screen.sees("#digits", "2.143")
    number = '[aria-label="Station bay-m"] .num'
    screen.sees(number, "Gauge reads 2.143 mm", shop)
    for page in (screen.do(lambda page: page), shop):
        screen.do(lambda _, page=page: page.evaluate("window.sameDocument = true"))  # type: ignore[misc]
    broker.kill()
    killed = time.monotonic()
    screen.sees("#trouble", "The broker is away: what stands here is from before.")
    screen.sees("#trouble", "The broker is away", shop)
    assert time.monotonic() - killed < 3.0
    # the last numbers stay, and say that they are old
    screen.sees("#old", "NOT LIVE: the last reading")
    screen.sees("#digits", "2.143")
    screen.sees("#wheel-state", "NOT KNOWN: the broker is away, and what stands here is from before")
    screen.sees("#now", "What you measure is kept at the station")
    screen.sees("#result-words", "0.316 mm")
    screen.sees(number, "NOT LIVE, gauge read last: 2.143 mm", shop)
    screen.sees(".station .latest", "0.316 mm", shop)
    screen.sees(".station .chip", "NOT KNOWN", shop)
    broker.start()
    screen.do(lambda page: page.wait_for_selector("#trouble", state="hidden"))
    screen.sees("#wheel-state", "Gauge DI-12: connected")
    screen.sees(".station .chip", "● connected", shop)
    station.tell(live(reading_mm=2.143))  # the same number: it is of now again
    screen.do(lambda page: page.wait_for_selector("#old", state="hidden"))
    screen.sees(number, "Gauge reads 2.143 mm", shop)
    screen.do(lambda page: page.keyboard.press("s"))
    assert station.commands.get(timeout=10) == Start(corner="LR")
    for page in (screen.do(lambda page: page), shop):
        assert screen.do(lambda _, page=page: page.evaluate("window.sameDocument"))  # type: ignore[misc]
    clean(screen, board)


def test_a_reading_that_nothing_follows_is_said_to_be_old(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    screen.do(lambda page: page.clock.install())
    station.tell(status())
    at_the_wheel(screen, board, station)
    station.tell(live())
    screen.sees("#digits", "2.143")
    screen.do(lambda page: page.clock.run_for(3000))
    assert screen.do(lambda page: page.is_hidden("#old"))
    screen.do(lambda page: page.clock.run_for(3000))
    screen.sees("#old", "NOT LIVE: the last reading")
    station.tell(live())
    screen.do(lambda page: page.wait_for_selector("#old", state="hidden"))


def test_a_steady_number_stays_in_the_shop_and_is_there_for_a_page_that_opens_later(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status())
    station.tell(live())
    screen.do(lambda page: page.goto(board.url))
    number = f'[aria-label="Station {station.name}"] .num'
    screen.sees(number, "Gauge reads 2.143 mm")
    station.tell(status(registration="LG 26 NEW"))
    screen.sees(f'[aria-label="Station {station.name}"] .car', "LG 26 NEW")
    screen.sees(number, "Gauge reads 2.143 mm")


def test_what_is_measured_shows_on_the_ruler_while_it_goes_on(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status(corner(latest=[brief()])))
    at_the_wheel(screen, board, station)
    screen.sees("#live-ruler svg text", "found")
    measuring = {"phase": Phase.MEASURING, "strokes": 4, "expanded_mm": 0.0083}
    station.tell(live(end_play_mm=0.3149, **measuring))
    screen.sees("#live-ruler svg text", "so far")
    screen.sees("#live-ruler svg title", "So far: 0.315 mm ± 0.008 mm.")
    # beyond the scale, the scale grows
    station.tell(live(end_play_mm=0.912, **measuring))
    screen.sees("#live-ruler svg text", "0.90")
    station.tell(live(phase=Phase.SETTLING))
    screen.do(lambda page: page.wait_for_selector("#live-ruler svg circle", state="detached"))


def test_a_board_that_dies_is_told_at_once_and_found_again(
    screen: Screen, page_broker: str, station: Station
) -> None:
    port = free_port()
    mortal = BoardProcess(page_broker, port)
    station.tell(status())
    at_the_wheel(screen, mortal, station)
    screen.sees("#wheel-state", "DI-12")
    mortal.process.kill()
    mortal.process.communicate()
    screen.sees("#trouble", "The board does not answer")
    screen.sees("#now", "the connection is lost")
    again = BoardProcess(page_broker, port)
    screen.do(lambda page: page.wait_for_selector("#trouble", state="hidden"))
    screen.sees("#now", "Ready")
    # and it acts again, though the board has new tokens
    screen.do(lambda page: page.keyboard.press("s"))
    assert station.commands.get(timeout=10) == Start(corner="LR")
    assert "Traceback" not in again.end()


def test_the_token_is_typed_once_and_then_the_shop_shows_and_acts(
    screen: Screen, page_broker: str, station: Station, tmp_path: Path
) -> None:
    file = tmp_path / "board-token"
    file.write_text("larkfield-door-4711", encoding="utf-8")
    guarded = BoardProcess(page_broker, free_port(), "--token-file", str(file))
    station.tell(status())
    at = f"{guarded.url}/#wheel/{station.name}/LR"
    screen.do(lambda page: page.goto(at))
    screen.sees("#enter-title", "The board wants its token")
    screen.do(lambda page: page.fill("#token", "something else altogether"))
    screen.do(lambda page: page.click("#enter-form button"))
    screen.sees("#enter-answer", "that is not the token")
    screen.do(lambda page: page.fill("#token", "larkfield-door-4711"))
    screen.do(lambda page: page.click("#enter-form button"))
    screen.sees("#wheel-state", "DI-12")
    screen.do(lambda page: page.click('[data-do="start"]'))
    assert station.commands.get(timeout=10) == Start(corner="LR")
    screen.do(lambda page: page.reload())
    screen.sees("#wheel-state", "DI-12")
    guarded.end()
