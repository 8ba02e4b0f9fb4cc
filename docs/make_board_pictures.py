"""Draw the pictures of docs/board.md: the page in Chromium, fed by a real broker with simulated readings.

Needs the development packages and Chromium: ``python docs/make_board_pictures.py``.
"""

from __future__ import annotations

import socket
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

import msgspec  # noqa: E402
from PIL import Image  # noqa: E402

from bus.broker import EmbeddedBroker  # noqa: E402
from bus.payloads import Brief, Phase, Status  # noqa: E402
from bus.results import points_of  # noqa: E402
from capture.readings import Trace  # noqa: E402
from capture.simulator import HubModel, simulate  # noqa: E402
from tests.shopboard.parts import (  # noqa: E402
    LEFT_ID,
    BoardProcess,
    Screen,
    Station,
    brief,
    corner,
    gauge,
    live,
    result,
    status,
)

PICTURES = ROOT / "docs" / "pictures"
NAME = "bay-2"
JOB = "5f3a1c7e-52b4-4f0e-9a1d-0c6f2be1d7a4"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def save(screen: Screen, name: str) -> None:
    path = PICTURES / f"{name}.png"
    time.sleep(0.7)  # what was told last is drawn
    screen.do(lambda page: page.screenshot(path=str(path)))
    with Image.open(path) as image:  # a few colours are enough, and a fifth of the bytes
        image.convert("RGB").quantize(48).save(path, optimize=True)
    print(path, path.stat().st_size)


def as_left(**more: Any) -> Brief:  # noqa: ANN401 - any key of it
    usual = {
        "measurement_id": LEFT_ID,
        "stage": "as-left",
        "verdict": "within",
        "p_within": 1.0,
        "end_play_mm": 0.0662,
        "fitted_mm": 2.95,
        "fit_mm": None,
    }
    return brief(**usual | more)


def main() -> None:
    trace = simulate(HubModel(end_play_mm=0.3157, strokes=5, dwell_s=0.6, move_s=0.3, rest_s=0.4), 4).trace
    points = points_of(trace)
    simulated = result(trace=points, job=JOB)
    cautious = corner(latest=[brief()], stage="as-left", todo=simulated.todo)
    done = corner(
        "RR",
        latest=[brief(measurement_id="1", end_play_mm=0.2383), as_left(measurement_id="2")],
        stage="as-left",
        fitted_mm=2.95,
        gauge="DI-14",
        todo=["Next: this corner is done. Secure the nut with a new pin, then go to the next corner."],
    )
    gauges = (gauge(), gauge(name="DI-14", corner="RR", battery_percent=11, battery_low=True))
    shop = status(cautious, done, gauges=gauges, job=JOB)
    with EmbeddedBroker(free_port()) as broker:
        board = BoardProcess(broker.url, free_port())
        station, screen = Station(broker.url, NAME), Screen()
        station.tell(shop)
        station.tell(simulated)
        screen.fresh(width=1100, height=820)
        screen.do(lambda page: page.goto(board.url))
        screen.sees(".station", "Heron GT")
        station.tell(live())
        station.tell(live(gauge="DI-14", reading_mm=1.872), "RR")
        save(screen, "board-shop")
        for name, width, height, scheme in (
            ("board-measuring", 900, 900, "light"),
            ("board-dark", 900, 1200, "dark"),
        ):
            screen.fresh(width=width, height=height, color_scheme=scheme)
            screen.do(lambda page: page.goto(f"{board.url}/#wheel/{NAME}/LR"))
            screen.sees("#wheel-state", "DI-12")
            if scheme == "light":
                measure(station, trace)
                station.tell(in_phase(shop, Phase.MEASURING))
            save(screen, name)
        station.tell(shop)
        screen.fresh(width=390, height=1500)
        screen.do(lambda page: page.goto(f"{board.url}/#wheel/{NAME}/LR"))
        screen.sees("#result-words", "LOOSE")
        station.tell(live())
        save(screen, "board-phone")
        screen.end()
        station.leave()
        board.end()


def in_phase(shop: Status, phase: Phase) -> Status:
    """The status with its first gauge in another phase."""
    first, *rest = shop.gauges
    return msgspec.structs.replace(shop, gauges=[msgspec.structs.replace(first, phase=phase), *rest])


def measure(station: Station, trace: Trace) -> None:
    """Tell the first part of a simulated measurement."""
    times, values = trace.times_s, trace.readings_mm
    stop = int(len(times) * 0.7)
    for i in range(0, stop, max(1, stop // 80)):
        station.tell(
            live(
                time_s=float(times[i]),
                reading_mm=float(values[i]),
                low_mm=float(values[i]),
                high_mm=float(values[i]),
                phase=Phase.MEASURING,
                strokes=3,
                end_play_mm=0.3149,
                expanded_mm=0.0083,
                keeps="two more strokes, to be sure",
            )
        )


if __name__ == "__main__":
    main()
