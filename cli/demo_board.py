"""``shimwright demo --board``: a bay with two simulated gauges, its broker and the board, all at once."""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import ClassVar

import msgspec

from bus.broker import EmbeddedBroker
from bus.desk import Errand, NoDesk
from bus.errors import BrokerError
from bus.payloads import Car, CornerStatus
from calc.hub import Hub, load_hub
from capture.hub_model import HubModel
from capture.links.base import Link
from capture.links.serial import SerialLink
from capture.links.urls import split_url
from capture.profiles import SerialSettings
from capture.readings import Trace
from capture.simulator import simulate
from capture.station import Broker
from cli.errors import CliError, MisuseError
from cli.journal import Journal
from cli.plan import plan_of
from cli.pretend import Script, pretended_indicator
from cli.screen import message, put
from cli.serving import Service
from cli.words import CORNER_NAMES, VERDICT_NAMES
from joblog.records import Measurement
from shopboard.serve import AddressError, bound

SHOP, STATION = "larkfield", "bay-2"

VEHICLE = "Heron GT (simulated)"

FITTED_MM = {"LR": 3.20, "RR": 3.05}
"""Shims that are in the two simulated hubs at first, millimetres."""

ZERO_MM = {"LR": 2.893, "RR": 2.938}
"""Their zero shims, millimetres: the left one is loose as found, the right one within limits."""

BEFORE_S = {"LR": 6.0, "RR": 16.0}
"""How long each hub rests before the simulated hands push and pull it, seconds."""

REFIT_S = 8.0
"""After its result a hub rests for so long, as if the shim were changed, seconds."""

STROKES = 14
"""Strokes that the simulated hands make each time, as many as a measurement needs at most."""

REASSEMBLY_MM = 0.004
"""Standard deviation of what putting a hub together again adds to its end play, millimetres."""

READY_S = 20.0
"""The board has to answer within this, seconds."""

END_S = 5.0
"""When told to end the board has so long, seconds."""


class _PretendedLine(SerialLink):
    """A real line whose readings are made up."""

    simulated: ClassVar[bool] = True


class Bay(NoDesk):
    """The simulated car, its two hubs and the hands on them: what is found loose is put right.

    Attributes:
        scripts: What the indicator at each corner sends.
        done: Corners that were measured within limits.

    Args:
        hub: The hub file of both.
        seed: The same number, the same hubs.
    """

    def __init__(self, hub: Hub, seed: int) -> None:
        self._hub = hub
        self._seed = seed
        self._chance = random.Random(seed)
        self._stage = dict.fromkeys(FITTED_MM, "as-found")
        self._fitted_mm = dict(FITTED_MM)
        self.done: set[str] = set()
        self.scripts = {
            corner: Script(self._strokes(fitted - ZERO_MM[corner], BEFORE_S[corner]))
            for corner, fitted in FITTED_MM.items()
        }

    def errand(self, corner: str) -> Errand:
        """As found at first, then as left."""
        if corner not in self._stage:
            return Errand(vehicle=VEHICLE)
        return Errand(self._stage[corner], self._fitted_mm[corner], VEHICLE, "demo")

    def car(self) -> Car | None:
        """The simulated car."""
        limits = self._hub.limits
        corners = [
            msgspec.convert(
                {
                    "corner": corner,
                    "hub_title": self._hub.title,
                    "least_mm": limits.least_mm,
                    "most_mm": limits.most_mm,
                    "unit": self._hub.unit.value,
                    "stage": stage,
                    "fitted_mm": self._fitted_mm[corner],
                },
                CornerStatus,
            )
            for corner, stage in self._stage.items()
        ]
        return Car(job="demo", vehicle=VEHICLE, corners=corners)

    def kept(self, measurement: Measurement) -> None:
        """Within: done. Else the simulated mechanic fits the shim that was chosen, and measures again."""
        m = measurement
        shim = m.shim
        if m.verdict == "within":
            self.done.add(m.corner)
            return
        if m.verdict is not None and shim is not None and shim["choice"] is not None:
            self._fitted_mm[m.corner] = float(shim["choice"]["thickness_mm"])
            self._stage[m.corner] = "as-left"
        left_mm = self._fitted_mm[m.corner] - ZERO_MM[m.corner] + self._chance.gauss(0.0, REASSEMBLY_MM)
        self.scripts[m.corner].play(self._strokes(max(0.01, left_mm), REFIT_S))

    def _strokes(self, end_play_mm: float, rest_s: float) -> Trace:
        """Rest, then strokes, as many as a measurement takes at most."""
        self._seed += 1
        made = simulate(
            HubModel(end_play_mm=end_play_mm, strokes=STROKES, dwell_s=0.6, rest_s=rest_s), self._seed
        )
        return made.trace


def show_board(hub_file: Path, seed: int, port: int, log: Path, seconds: float | None) -> None:
    """Run it all until Ctrl-C, or for some seconds.

    Args:
        hub_file: The hub file of both simulated hubs.
        seed: The same number, the same hubs.
        port: TCP port of the page.
        log: Where the measurements are kept.
        seconds: How long, seconds; None until it is stopped.

    Raises:
        CliError: If a port is taken or a part does not start.
    """
    try:  # else another program there would answer in place of the board
        bound("127.0.0.1", port).close()
    except AddressError as error:
        raise MisuseError("--port", str(error)) from error
    with contextlib.ExitStack() as parts:
        try:
            broker = parts.enter_context(EmbeddedBroker(_free_port()))
        except BrokerError as error:
            raise CliError(str(error)) from error
        address = parts.enter_context(_board(broker.url, port))
        bay = Bay(load_hub(hub_file), seed)
        links = {
            corner: parts.enter_context(pretended_indicator(script)) for corner, script in bay.scripts.items()
        }
        folder = Path(parts.enter_context(tempfile.TemporaryDirectory(prefix="shimwright-demo-")))
        station = folder / "bay-2.toml"
        station.write_text(_station_file(hub_file, log, links), encoding="utf-8")
        put("DEMONSTRATION. Every reading is SIMULATED: two made-up hubs of a car that does not exist.")
        put(f"Open {address} in a browser: the left rear is loose, gets another shim, and is measured again.")
        put("At the wheel: choose a corner there, and tap Turn sound on to hear it. Ctrl-C ends all of it.")
        service = Service(
            station,
            Journal(),
            on_kept=partial(_told, bay),
            make=_made_up,
            desk=bay,
            broker=Broker(broker.url),
        )
        asyncio.run(_run(service, station, seconds))


def _told(bay: Bay, measurement: Measurement) -> None:
    m = measurement
    verdict = "refused" if m.verdict is None else VERDICT_NAMES[m.verdict]
    put(f"SIMULATED: {CORNER_NAMES[m.corner]}, {m.stage}: {verdict}.")
    if m.verdict == "within" and bay.done == set(FITTED_MM):
        put("Both corners are within limits. The page stays; Ctrl-C ends the demonstration.")


def _made_up(url: str, settings: SerialSettings) -> Link:
    """The line of a pretended indicator, marked as made up."""
    return _PretendedLine(split_url(url), settings)


async def _run(service: Service, station: Path, seconds: float | None) -> None:
    if seconds is not None:
        asyncio.get_running_loop().call_later(seconds, service.stop)
    await service.run(plan_of(station))


def _station_file(hub_file: Path, log: Path, links: dict[str, str]) -> str:
    """The station file of the simulated bay."""
    head = f"shop = {SHOP!r}\nstation = {STATION!r}\nlog = '{log}'\nhub = '{hub_file}'\ntimeout = 40\n"
    rows = [
        f"[[gauge]]\nname = '{CORNER_NAMES[corner]}'\nlink = '{link}'\nunit = 'mm'\ncorner = '{corner}'\n"
        for corner, link in links.items()
    ]
    return head + "".join(rows)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@contextlib.contextmanager
def _board(broker_url: str, port: int) -> Iterator[str]:
    """The board as a program of its own, as it is used; yields its address."""
    words = ["board", "--broker", broker_url, "--port", str(port)]
    command = [sys.executable, "-c", "from cli.main import run; run()", *words]
    # a session of its own, so that Ctrl-C reaches the service first and it can say goodbye
    process = subprocess.Popen(  # noqa: S603 - this program's own
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    address = f"http://127.0.0.1:{port}/"
    try:
        end = time.monotonic() + READY_S
        while not _answers(address):
            if process.poll() is not None:
                said = (process.stderr.read() if process.stderr else "").strip().splitlines()
                raise CliError(said[-1].removeprefix("shimwright: ") if said else "the board ended at once")
            if time.monotonic() > end:
                raise CliError(f"the board does not answer at {address} within {READY_S:g} s")
            time.sleep(0.1)
        yield address
    finally:
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            message("the board did not end in time and was killed")
            process.kill()
            process.wait()
        if process.stderr:
            process.stderr.close()


def _answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=1.0) as answer:  # noqa: S310 - our own http address
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False
