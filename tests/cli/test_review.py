"""The interactive review by its keys: look, zoom, strike out, accept, undo, leave; and without a terminal."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot

from capture.simulator import HubModel, simulate
from cli.outcome import number_text
from cli.redoing import Redone, Settings, redo
from cli.review_app import ReviewApp, case_of
from cli.review_ask import Ask, Sure
from cli.review_case import Case
from cli.review_list import ListScreen
from cli.review_screen import TraceScreen
from joblog.fetch import load_measurement
from joblog.reader import Wanted, find_measurements
from joblog.reviews import list_reviews
from joblog.store import Store
from tests.cli.conftest import Shimwright
from tests.cli.looking_back import keep, recorded, simulated, with_short_rest

GOOD = simulated(0.31, 2)
PULLED = recorded(with_short_rest(simulate(HubModel(end_play_mm=0.31, strokes=6), 3).trace, 3, -0.05))
"""Refused: at the third stroke the wheel was pulled beyond its stop."""
FEW = recorded(simulate(HubModel(end_play_mm=0.31, strokes=2), 4).trace)

WHY = "the wheel was pulled"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.sqlite"
    keep(path, GOOD, FEW, PULLED)
    return path


def empty_log(path: Path) -> None:
    """Make a log that holds nothing."""
    Store.open(path).close()


Play = Callable[[ReviewApp, "Pilot[None]"], Awaitable[None]]


def played(
    log: Path,
    play: Play,
    *,
    size: tuple[int, int] = (80, 24),
    measurement_id: str | None = None,
    wanted: Wanted | None = None,
    drawn: bool = True,
) -> ReviewApp:
    """Run the review in a terminal of this size while ``play`` presses the keys."""
    found = find_measurements(log, wanted or Wanted())
    case = None if measurement_id is None else case_of(log, measurement_id)
    app = ReviewApp(log, found, case, drawn=drawn)

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            await settled(app, pilot)
            await play(app, pilot)

    asyncio.run(run())
    return app


async def settled(app: ReviewApp, pilot: Pilot[None]) -> None:
    """Wait until nothing is worked out any more and all of it is drawn: until the screen stays as it is."""
    seen: list[str] = []
    while app._exception is None and seen[-1:] != [shown(app)]:
        seen.append(shown(app))
        await pilot.pause()
        await app.workers.wait_for_complete()
        await pilot.pause()


async def press(app: ReviewApp, pilot: Pilot[None], *keys: str) -> str:
    """Press keys; what the screen shows then."""
    await pilot.press(*keys)
    await settled(app, pilot)
    return shown(app)


async def write(app: ReviewApp, pilot: Pilot[None], text: str) -> str:
    """Write a line and press Enter."""
    names = {" ": "space", ".": "full_stop"}
    return await press(app, pilot, *(names.get(letter, letter) for letter in text), "enter")


def shown(app: ReviewApp) -> str:
    """The letters on the screen."""
    return "\n".join(strip.text.rstrip() for strip in app.screen._compositor.render_strips())


def trace_screen(app: ReviewApp) -> TraceScreen:
    (screen,) = (one for one in app.screen_stack if isinstance(one, TraceScreen))
    return screen


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_a_bad_stroke_is_struck_out_and_what_comes_out_accepted(log: Path, size: tuple[int, int]) -> None:
    now = redo(PULLED, Settings(without=(3,)))
    number = number_text(now.analysis, PULLED.unit)

    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        assert f"> {PULLED.id[:8]}" in shown(app)  # the last one is chosen
        text = await press(app, pilot, "enter")
        assert "Why it was refused: some strokes go further than the stops" in text
        assert "SIMULATED" in text.splitlines()[0]
        assert text.count("no end play") == 4  # verdicts and rulers, recorded and now
        text = await press(app, pilot, "down", "down", "x")
        assert "never for its" in text
        text = await press(app, pilot, "enter")
        assert "! A reason is needed: say what was seen at the hub." in text
        text = await write(app, pilot, WHY)
        assert "[3]" in text
        assert "× STRUCK OUT" in text or size == (80, 24)
        assert "> [3] out, STRUCK OUT," in text
        assert [line.split()[2:] for line in text.splitlines() if line.startswith("end play")] == [
            ["none", *number.split()]
        ]
        assert "LOOSE (within: under 0.1 %)" in text
        assert f"Struck out, stroke 3: {WHY}." in text
        ruler = [line for line in text.splitlines() if line.startswith("now ")]
        assert len(ruler) == 1
        assert "◆" in ruler[0]
        assert await asyncio.to_thread(list_reviews, log) == []  # nothing is kept by itself
        text = await press(app, pilot, "a")
        assert f"Accept {number}" in " ".join(text.split())
        await write(app, pilot, "")  # nobody yet
        text = await press(app, pilot, "enter")
        assert "! Say who reviews it." in text
        await write(app, pilot, "b. rook")
        text = await press(app, pilot, "enter")
        assert "Accepted as review" in text
        text = await press(app, pilot, "r")
        assert "by b. rook" in text
        assert "ACCEPTED" in text
        text = await press(app, pilot, "escape", "escape")
        assert isinstance(app.screen, ListScreen)
        assert "refused * r" in text
        await press(app, pilot, "q")

    app = played(log, play, size=size)
    assert app.return_code == 0
    (review,) = list_reviews(log)
    assert review.accepted
    assert (review.measurement_id, review.who) == (PULLED.id, "b. rook")
    assert review.why == f"stroke 3: {WHY}"
    assert review.analysis == now.analysis
    assert (review.verdict, review.p_within) == ("loose", now.p_within)
    assert review.settings == now.settings_object()
    assert load_measurement(log, PULLED.id) == PULLED


def test_undo_and_taking_back(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        case = trace_screen(app).case
        assert "nothing to take back" in await press(app, pilot, "u")
        await press(app, pilot, "down", "down", "x")
        await write(app, pilot, WHY)
        assert case.redone == redo(PULLED, Settings(without=(3,)))
        text = await press(app, pilot, "u")
        assert "Taken back." in text
        assert case.struck == {}
        assert case.redone == case.plain
        assert not case.unsaved
        await press(app, pilot, "x")
        await write(app, pilot, WHY)
        text = await press(app, pilot, "x")  # the same key lets it count again
        assert "Stroke 3 counts again." in text
        assert case.struck == {}
        await press(app, pilot, "u")  # and that can be taken back too
        assert case.struck == {3: WHY}
        await press(app, pilot, "x", "x", "escape")  # a question left leaves all as it was
        assert case.struck == {}

    played(log, play, measurement_id=PULLED.id[:8])


def test_zoom_and_pan(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        screen = trace_screen(app)
        whole = shown(app)
        await press(app, pilot, "down", "down", "plus", "plus")
        rest = screen.case.strokes[3].rest
        assert screen.window.span_s == pytest.approx(screen.whole.span_s / 4)
        assert screen.window.from_s < rest.from_s < rest.to_s < screen.window.to_s
        assert " 10 " not in "\n".join(shown(app).splitlines()[:12])
        before = screen.window
        await press(app, pilot, "right")
        assert screen.window.from_s == pytest.approx(before.from_s + before.span_s / 4)
        await press(app, pilot, *["left"] * 30)
        assert screen.window.from_s == pytest.approx(screen.whole.from_s)
        await press(app, pilot, "minus", "minus", "minus")
        assert (screen.window.from_s, screen.window.to_s) == pytest.approx(
            (screen.whole.from_s, screen.whole.to_s)
        )
        await press(app, pilot, "plus", "0", "up", "up")
        assert shown(app) == whole
        await press(app, pilot, *["plus"] * 12, *["down"] * 30)  # a stroke out of sight comes into it
        last = screen.case.strokes[-1]
        assert screen.chosen == last.number == 10
        assert screen.window.from_s < last.middle_s < screen.window.to_s

    played(log, play, measurement_id=GOOD.id)


@pytest.mark.parametrize("key", ["q", "ctrl+c", "ctrl+q"])
def test_leaving_asks_before_it_forgets(log: Path, key: str) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "down", "down", "x")
        await write(app, pilot, WHY)
        text = await press(app, pilot, key)
        assert isinstance(app.screen, Sure)
        assert "not kept in the log" in text
        await press(app, pilot, "n")
        assert isinstance(app.screen, TraceScreen)
        await press(app, pilot, "escape")
        assert isinstance(app.screen, Sure)
        await press(app, pilot, "n")
        await press(app, pilot, key)
        await pilot.press("y")
        assert not app.is_running or app._exit

    played(log, play, measurement_id=PULLED.id)
    assert list_reviews(log) == []


def test_keys_go_on_while_a_long_trace_is_worked_out(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    go_on = threading.Event()
    quick_one = Case.analysed

    def slow(case: Case) -> Redone | None:
        redone = quick_one(case)
        go_on.wait(30)
        return redone

    monkeypatch.setattr(Case, "analysed", slow)

    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        screen = trace_screen(app)
        await press(app, pilot, "down", "down", "x")
        await pilot.press(*"bad", "enter")
        await pilot.pause()
        await pilot.press("plus")
        await pilot.pause()
        assert screen.window.span_s == pytest.approx(screen.whole.span_s / 2)
        assert "working ..." in shown(app)
        await pilot.press("a")
        await pilot.pause()
        assert "Still working: press the key again" in shown(app)
        await pilot.press("u")  # what is being worked out is overtaken
        go_on.set()
        await settled(app, pilot)
        assert screen.case.redone == screen.case.plain
        assert "working" not in shown(app)

    played(log, play, measurement_id=PULLED.id)


def test_no_number_can_be_accepted_but_it_can_be_kept(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, "a")
        assert "There is no end play to accept; k keeps" in text
        assert not isinstance(app.screen, Ask)
        assert "2 full strokes, at least 4 are needed" in text
        await press(app, pilot, "k")
        await write(app, pilot, "b. rook")
        text = await write(app, pilot, "looked at, too short")
        assert "Kept as review" in text

    played(log, play, measurement_id=FEW.id)
    (review,) = list_reviews(log)
    assert not review.accepted
    assert (review.verdict, review.settings) == (None, {})


def test_a_log_that_cannot_be_written_keeps_what_was_struck_out(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "down", "down", "x")
        await write(app, pilot, WHY)
        await asyncio.to_thread(log.unlink)
        await asyncio.to_thread(log.mkdir)
        await press(app, pilot, "a")
        await write(app, pilot, "b. rook")
        text = await press(app, pilot, "enter")
        assert "NOT KEPT:" in text
        assert trace_screen(app).case.unsaved

    played(log, play, measurement_id=PULLED.id)


def test_an_empty_list_says_so(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    empty_log(path)

    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        assert "No measurements" in shown(app)
        await press(app, pilot, "up", "down", "end", "pagedown", "enter")
        assert isinstance(app.screen, ListScreen)

    played(path, play)


def test_the_list_scrolls_with_the_chosen_one(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    keep(path, *(simulated(0.31, 1) for _ in range(40)))
    ids = [one.id for one in find_measurements(path).listed]

    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        assert f"> {ids[-1][:8]}" in shown(app)
        text = await press(app, pilot, "home", "down")
        assert f"> {ids[1][:8]}" in text
        assert ids[-1][:8] not in text
        assert "40 measurements." in text
        await press(app, pilot, "enter")
        assert trace_screen(app).case.measurement.id == ids[1]

    played(path, play)


def test_a_measurement_that_is_gone_is_one_line(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        await asyncio.to_thread(log.unlink)
        await asyncio.to_thread(empty_log, log)
        text = await press(app, pilot, "enter")
        assert PULLED.id in text
        assert isinstance(app.screen, ListScreen)

    played(log, play)


def test_all_keys_are_named_and_nothing_is_cut_at_80_by_24(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, "enter")
        for key in ("Left/Right", "+/-", "0", "Up/Down", "x", "u", "a", "k", "r", "i", "Esc", "q"):
            assert f"{key} " in "\n".join(text.splitlines()[-2:])
        text = await press(app, pilot, "i")
        assert "Measurement " in text
        assert PULLED.hub_title in text

    played(log, play)


def test_ascii_letters_only(log: Path) -> None:
    async def play(app: ReviewApp, pilot: Pilot[None]) -> None:
        for keys in ((), ("enter",), ("down", "down", "x"), (*"bad", "enter"), ("a",), ("escape", "i")):
            text = await press(app, pilot, *keys)
            assert text.isascii(), text
            if isinstance(app.screen, ListScreen):
                assert len([line for line in text.splitlines() if "LR as-found" in line]) == 3
                assert text.splitlines()[4].strip() == ""  # no row is folded
        text = await press(app, pilot, "escape")
        assert "[3]" in text
        assert "=x=" in text

    played(log, play, drawn=False)


def test_without_a_terminal_it_is_one_line(log: Path, shimwright: Shimwright) -> None:
    done = shimwright("review", "--log", str(log), afresh=True)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "review needs a terminal with keys: use trace show and trace redo" in done.stderr
