"""The page on a phone, upright and on its side: nothing leaves its place, gloves and keys find everything."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pytest

from bus.payloads import Accept, GaugeState, Phase
from tests.shopboard.parts import BoardProcess, Screen, Station, brief, corner, gauge, live, result, status

SIZES = {"phone": (390, 844), "small phone": (320, 640), "phone on its side": (844, 390)}

LONG = "Heron GT Estate 2.4 with the long wheelbase and the reinforced rear axle, export version"

SEEN_MM = 3000 * math.tan(math.radians(5 / 60))
"""A sign that an eye of full acuity just reads from 3 m: five minutes of arc (ISO 8596; from memory)."""

PIXEL_MM = 25.4 / 160
"""A CSS pixel of a phone, about: 160 to the inch (common practice)."""

DIGIT = 0.73
"""A digit's height in its font's size, in faces of even widths (DejaVu Sans Mono 0.729)."""

TOO_SMALL = """() => [...document.querySelectorAll("a, button, select, input, textarea")]
  .filter((one) => one.checkVisibility() && !one.matches(".skip"))
  .map((one) => [one.id || one.textContent, (one.closest("label") ?? one).getBoundingClientRect()])
  .filter(([, box]) => box.width < 48 || box.height < 48)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)"""

WIDE = "() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]"

# Lines of text as they are inked: above and below the letters their boxes are empty.
TEXT = """const lines = (one) => {
  if (one.matches("button, svg")) return [one.getBoundingClientRect()];
  const range = document.createRange();
  range.selectNodeContents(one);
  return [...range.getClientRects()].map((box) => ({
    left: box.left, right: box.right, top: box.top + 0.17 * box.height, bottom: box.bottom - 0.2 * box.height,
  }));
};"""

OVERLAPS = f"""(selectors) => {{
  {TEXT}
  const meets = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
  const all = selectors.flatMap((one) => [...document.querySelectorAll(one)])
    .filter((one) => one.checkVisibility());
  return all.flatMap((one, i) => all.slice(i + 1)
    .filter((other) => lines(one).some((a) => lines(other).some((b) => meets(a, b))))
    .map((other) => [one, other].map((each) => each.id || each.textContent)));
}}"""

OUTSIDE = f"""([inner, outer]) => {{
  {TEXT}
  const box = document.querySelector(outer).getBoundingClientRect();
  const style = getComputedStyle(document.querySelector(outer));
  const left = box.left + parseFloat(style.paddingLeft) - 1;
  const right = box.right - parseFloat(style.paddingRight) + 1;
  const out = (line) => line.left < left || line.right > right;
  return inner.filter((one) => lines(document.querySelector(one)).some(out));
}}"""

FOCUS = """() => {
  const one = document.activeElement;
  const style = getComputedStyle(one);
  return [one.dataset.place, one.dataset.do ?? one.id, style.outlineStyle, parseFloat(style.outlineWidth)];
}"""

ALL = """() => [...document.querySelectorAll("a, button, select, input")]
  .filter((one) => one.checkVisibility()).map((one, i) => (one.dataset.place = `${i}`))"""

POLITE = "(one) => document.querySelector(one).getAttribute('aria-live') ?? document.querySelector(one).role"


def sized(screen: Screen, name: str, address: str, **more: Any) -> None:
    width, height = SIZES[name]
    screen.fresh(width=width, height=height, **more)
    screen.do(lambda page: page.goto(address))


def fits(screen: Screen) -> None:
    """No scrolling sideways, and every control wide and high enough for a glove."""
    scroll, client = screen.do(lambda page: page.evaluate(WIDE))
    assert scroll <= client
    assert screen.do(lambda page: page.evaluate(TOO_SMALL)) == []


@dataclass(frozen=True)
class Shown:
    """A reading, how it is shown, and how many times the least readable height it has."""

    unit: str
    reading_mm: float
    step_mm: float
    digits: str
    times: float


READINGS = [
    Shown("mm", 2.143, 0.001, "2.143", 2.0),
    Shown("mm", -12.345, 0.001, "-12.345", 1.6),
    Shown("in", 0.31242, 0.00254, "0.0123", 1.9),
]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("shown", READINGS, ids=lambda one: one.digits)
def test_the_digits_are_large_and_stay_in_their_box(
    screen: Screen, board: BoardProcess, station: Station, size: str, shown: Shown
) -> None:
    station.tell(status(corner(unit=shown.unit, latest=[brief()]), vehicle=LONG))
    sized(screen, size, f"{board.url}/#wheel/{station.name}/LR")
    screen.sees("#wheel-state", "DI-12")
    told = {"unit": shown.unit, "reading_mm": shown.reading_mm, "step_mm": shown.step_mm}
    told |= {"strokes": 12, "half_strokes": 2, "end_play_mm": 0.3149, "expanded_mm": 0.0083}
    station.tell(live(phase=Phase.MEASURING, **told))
    screen.sees("#digits", shown.digits)
    fits(screen)
    parts = ["#digits", "#unit", "#strokes", "#half", "#estimate"]
    assert screen.do(lambda page: page.evaluate(OUTSIDE, [parts, ".live"])) == []
    more = ["#wheel-title", "#sound", "#wheel-car", "#wheel-simulated", "#wheel-state", "#now", "[data-do]"]
    assert screen.do(lambda page: page.evaluate(OVERLAPS, [*parts, *more, "#live-ruler svg"])) == []
    font = screen.do(
        lambda page: page.eval_on_selector("#digits", "one => parseFloat(getComputedStyle(one).fontSize)")
    )
    assert font * DIGIT * PIXEL_MM >= shown.times * SEEN_MM


@pytest.mark.parametrize("size", SIZES)
def test_every_view_fits_a_phone(screen: Screen, board: BoardProcess, station: Station, size: str) -> None:
    lost = gauge(
        state=GaugeState.LOST, phase=None, why="the cable is out: the adapter was unplugged from the station"
    )
    reasons = [
        {
            "code": "x",
            "text": "the readings drift by 0.021 mm: the magnetic base creeps; seat it anew, measure again",
        },
        {"code": "y", "text": "only 3 whole strokes were found where 4 are needed"},
    ]
    none = {"verdict": None, "end_play_mm": None, "expanded_mm": None}
    four = [corner(name, latest=[brief(measurement_id=name)]) for name in ("LF", "RF", "LR")]
    four.append(corner("RR", latest=[brief(state="refused", **none)], todo=[LONG]))
    station.tell(status(*four, vehicle=LONG, gauges=(lost,)))
    station.tell(result(vehicle=LONG, usable=False, state="refused", reasons=reasons, shim=None, **none))
    sized(screen, size, f"{board.url}/#shop")
    screen.sees(".station .car", LONG)
    station.tell(live(reading_mm=-12.345))
    screen.sees(".station .num", "-12.345 mm")
    fits(screen)
    screen.do(lambda page: page.goto(f"{board.url}/#wheel/{station.name}/LR"))
    screen.sees("#result-words li", "only 3 whole strokes were found")
    screen.do(lambda page: page.click('[data-do="note"]'))
    fits(screen)
    screen.do(lambda page: page.goto(f"{board.url}/#history"))
    screen.sees("#history-table td", "NO RESULT")
    fits(screen)


def test_on_its_side_the_phone_shows_digits_counts_and_what_to_do_without_scrolling(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status())
    sized(screen, "phone on its side", f"{board.url}/#wheel/{station.name}/LR")
    screen.sees("#wheel-state", "DI-12")
    station.tell(
        live(phase=Phase.MEASURING, strokes=3, end_play_mm=0.3149, keeps="two more strokes, to be sure")
    )
    screen.sees("#now", "two more strokes")
    for one in ("#wheel-title", "#wheel-state", "#now", "#digits", "#strokes", "#estimate"):
        box = screen.do(lambda page, one=one: page.locator(one).bounding_box())  # type: ignore[misc]
        assert box is not None
        assert box["y"] + box["height"] <= 390, one


def test_every_control_and_picture_has_a_name_and_what_changes_is_told_in_time(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status(corner(latest=[brief()])))
    station.tell(result())
    roles = {"button", "link", "textbox", "combobox", "checkbox", "image", "img", "region", "group", "form"}
    for view, there in (
        ("shop", ".station"),
        (f"wheel/{station.name}/LR", "#result-words p"),
        ("history", "#history-table td"),
    ):
        screen.do(lambda page, view=view: page.goto(f"{board.url}/#{view}"))  # type: ignore[misc]
        screen.do(lambda page, there=there: page.wait_for_selector(there))  # type: ignore[misc]

        def nameless(page: Any) -> list[str]:
            tree = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
            seen = [one for one in tree if not one["ignored"] and one["role"]["value"] in roles]
            assert len(seen) > 5
            return [one["role"]["value"] for one in seen if not one.get("name", {}).get("value")]

        assert screen.do(nameless) == [], view
    screen.do(lambda page: page.goto(f"{board.url}/#wheel/{station.name}/LR"))
    regions = ("#trouble", "#now", "#answer", "#result-words", "#history-words")
    told = screen.do(lambda page: [page.evaluate(POLITE, one) for one in regions])
    assert told == ["alert", "status", "status", "polite", "status"]
    # twenty numbers a second would drown every word
    quiet = "document.querySelector('#digits').closest('[aria-live], [role=status], [role=alert]')"
    assert screen.do(lambda page: page.evaluate(quiet)) is None


def test_all_of_the_wheel_is_reached_and_seen_by_keyboard_alone(
    screen: Screen, board: BoardProcess, station: Station
) -> None:
    station.tell(status())
    screen.do(lambda page: page.goto(f"{board.url}/#wheel/{station.name}/LR"))
    screen.sees("#wheel-state", "DI-12")
    wanted = set(screen.do(lambda page: page.evaluate(ALL)))
    reached = set()
    for _ in range(len(wanted) + 2):
        screen.do(lambda page: page.keyboard.press("Tab"))
        place, name, style, width = screen.do(lambda page: page.evaluate(FOCUS))
        if place is None:
            continue
        reached.add(place)
        assert style == "solid", name
        assert width >= 3, name
        if name == "accept":
            screen.do(lambda page: page.keyboard.press("Enter"))
            assert station.commands.get(timeout=10) == Accept(corner="LR")
            screen.sees("#answer", "✓ Done")
    assert reached == wanted
