"""The capture service as a process: gauges, log, changes of the station file, signals, service manager."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
import traceback
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bus.desk import Desk, Errand, NoDesk
from calc.units import Unit
from capture.listening import MOST_TRACEBACK, ListenEvent, Listening, Open, Outcome, open_usual
from capture.readings import Reading
from capture.station import Broker, Station, StationFileError
from cli.job_desk import JobDesk
from cli.job_measuring import by_job_card
from cli.journal import Journal
from cli.keeping import MOST_QUEUED, Keeper
from cli.measuring import Order
from cli.notify import Notifier
from cli.plan import Plan, plan_of
from cli.telling import Teller
from joblog.checks import GaugeIdentity, standing_of
from joblog.errors import LogError
from joblog.records import Measurement

if TYPE_CHECKING:
    from bus.payloads import Cue
    from cli.announcing import Announcer
    from cli.on_the_bus import OnTheBus
    from cli.voice import Voice

SETTLE_S, GOODBYE_S = 0.3, 0.5
"""At the end the last measurements get into the log, and then to the broker, within these, seconds."""

LAST_S = 0.6
"""What is left is put away within this at the end, seconds; with closing the links it stays below two."""

LAST_LOOK_S = 0.2
"""A look at the job cards that goes on still at the end is waited for so long, seconds."""

STATUS_S = 1.0
"""How often the service manager is told the status, if it changed, seconds."""

MOST_OPEN_FILES = 65_536

MOST_ERRANDS = MOST_QUEUED + 8
"""What measurements are for is known for so many that are on their way into the log."""

AS_FOUND = Errand()

OPENERS = 32
"""Links that may be opened at once: some wait for seconds for a machine that does not answer."""


def order_of(
    outcome: Outcome, log: Path, check_days: float | None = None, errand: Errand = AS_FOUND
) -> Order:
    """What was measured, for its record: as the station's job card has it, else the hub as it was found.

    Args:
        outcome: The measurement.
        log: The log, which knows the gauge's checks.
        check_days: How old the last of them may be, days; None for any age.
        errand: What the measurement was for.
    """
    setup = outcome.setup
    identity = GaugeIdentity(setup.link, outcome.profile.name, setup.name)
    try:
        note = standing_of(log, identity, datetime.now(UTC), check_days)
    except LogError as error:
        note = f"its checks could not be read: {error}"
    order = Order(
        hub=setup.hub,
        corner=outcome.corner,
        stage=errand.stage,
        link=setup.link,
        profile=outcome.profile,
        unit=setup.unit,
        fitted_mm=errand.fitted_mm,
        vehicle=errand.vehicle,
        job=errand.job,
        gauge_name=setup.name,
        gauge_note=note,
    )
    return by_job_card(order, log)


class Service:
    """Listens to a station's gauges until it is told to stop.

    Attributes:
        listening: The gauges.
        keeper: The log.

    Args:
        path: The station file.
        journal: Is told what happens.
        notifier: The service manager.
        on_kept: Called with each measurement once it is in the log.
        on_event: Called with each event of each gauge, readings included.
        make: Makes the links.
        desk: Says what is measured; None for the job cards in the log.
        broker: Where to publish, if the station file names no broker.
    """

    def __init__(
        self,
        path: Path,
        journal: Journal,
        *,
        notifier: Notifier | None = None,
        on_kept: Callable[[Measurement], None] = lambda _: None,
        on_event: Callable[[str, ListenEvent], None] | None = None,
        make: Open = open_usual,
        desk: Desk | None = None,
        broker: Broker | None = None,
    ) -> None:
        self.listening: Listening
        self.keeper: Keeper
        self._path = path
        self._journal = journal
        self._notifier = notifier or Notifier({})
        self._on_kept = on_kept
        self._on_event = on_event
        self._make = make
        self._desk: Desk = desk or NoDesk()
        self._cards: JobDesk | None = None
        self._by_cards = desk is None
        self._looks: asyncio.Task[None] | None = None
        self._look_due = False
        self._broker = broker
        self._errands: deque[tuple[Outcome, Errand]] = deque(maxlen=MOST_ERRANDS)
        self._bus: OnTheBus | None = None
        self._faults: set[str] = set()
        self._announcer: Announcer | None = None
        self._voice: Voice | None = None
        self._teller = Teller(journal, self._unit_of)
        self._plan: Plan
        self._wake: asyncio.Event
        self._reload = self._stopped = False

    async def run(self, plan: Plan) -> None:
        """Listen; returns after ``stop`` or a signal, or when every source has come to its end.

        Args:
            plan: The station file, read.

        Raises:
            LogError: If the log cannot be used; nothing was listened to.
        """
        loop = asyncio.get_running_loop()
        loop.set_default_executor(_Openers(OPENERS, "opens"))
        loop.set_exception_handler(self._loop_failed)
        _allow_open_files()
        self._plan = plan
        self._wake = asyncio.Event()
        self.keeper = Keeper(plan.log, self._journal, self._order_of, self._tell_kept)
        self.listening = Listening(self._keep, self._tell, self._make)
        await self.keeper.open()
        with _Signals(loop, self.stop, self.reload):
            await self._look_at_cards(plan.station)
            self._begin_telling(plan.station)
            await self.listening.listen_to(plan.setups)
            count = len(plan.setups)
            text = f"{self._path}: listening to {count} gauge{'s' * (count != 1)}; the log is {plan.log}"
            self._journal.say("ready", text, gauges=count, log=str(plan.log))
            self._notifier.status(self._status())
            self._notifier.ready()
            beat = asyncio.create_task(self._beat(), name="tells the service manager")
            try:
                await self._until_stopped()
            finally:
                beat.cancel()
                self._notifier.stopping()
                await self.listening.stop()
                await self._end_telling()
                await self.keeper.close(LAST_S)
                looks = [] if self._looks is None else [self._looks]
                if looks:
                    await asyncio.wait(looks, timeout=LAST_LOOK_S)
                for one in looks:
                    one.cancel()  # a log that does not answer must not hold up the end
                await asyncio.gather(beat, *looks, return_exceptions=True)
        self._journal.say("stopped", f"stopped; {self.keeper.kept} measurements went into the log")

    def stop(self) -> None:
        """Stop; what is being measured is kept as unfinished."""
        self._stopped = True
        self._wake.set()

    def reload(self) -> None:
        """Read the station file again and follow it; a broken one is told of, and changes nothing."""
        self._reload = True
        self._wake.set()

    def _unit_of(self, gauge: str) -> Unit:
        one = self.listening.listeners.get(gauge)
        return Unit.MM if one is None else one.setup.hub.unit  # a gauge that is just being stopped

    def _keep(self, outcome: Outcome) -> None:
        """A measurement is over: what it was for is asked now, as the next car may come at once."""
        self._errands.append((outcome, self._desk.errand(outcome.corner)))
        self.keeper.keep(outcome)

    def _order_of(self, outcome: Outcome) -> Order:
        errand = next((errand for one, errand in tuple(self._errands) if one is outcome), AS_FOUND)
        return order_of(outcome, self.keeper.path, self._plan.station.gauge_check_days, errand)

    def _tell_kept(self, measurement: Measurement) -> None:
        if self._announcer is not None:
            try:
                self._announcer.kept(measurement)  # and it tells the desk
            except Exception as error:  # noqa: BLE001 - it is in the log, and stays there
                self._announcing_failed(error)
        else:
            self._desk.kept(measurement)
        self._look_again()
        self._on_kept(measurement)

    async def _look_at_cards(self, station: Station) -> None:
        """Which car is on the station, by the job cards of the log."""
        if self._by_cards:
            here = f"{station.shop}/{station.station}"
            self._desk = self._cards = JobDesk(self.keeper, here, self._cards_changed)
            await self._refresh_cards()

    def _look_again(self) -> None:
        """Look at the job cards beside everything else, as the log may be slow to answer."""
        self._look_due = True
        if self._looks is None or self._looks.done():
            self._looks = asyncio.create_task(self._look_while_due(), name="looks at the job cards")

    async def _look_while_due(self) -> None:
        while self._look_due:
            self._look_due = False
            await self._refresh_cards()

    async def _refresh_cards(self) -> None:
        if self._cards is not None:
            try:
                await self._cards.refresh()
            except Exception as error:  # noqa: BLE001 - a card that cannot be read must not stop a measurement
                self._announcing_failed(error)

    def _cards_changed(self) -> None:
        if self._announcer is not None:
            self._announcer.publisher.status_changed()

    def _begin_telling(self, station: Station) -> None:
        """Take up the bus and the voice, where the station file asks for them."""
        if station.voice is not None:
            from cli.voice import voice_of  # noqa: PLC0415 - loaded only where it is wanted

            self._voice = voice_of(
                station.voice, lambda text: self._journal.say("voice", text, level="warning")
            )
        broker = station.broker or self._broker
        if broker is None:
            if self._voice is not None:
                from cli.announcing import Announcer, Nowhere  # noqa: PLC0415

                self._announcer = Announcer(self.listening, self._desk, hear=self._voice.hear)
                self._announcer.publisher = Nowhere()
            return
        from cli.on_the_bus import OnTheBus  # noqa: PLC0415 - MQTT is loaded only where it is wanted

        self._bus = OnTheBus(
            station=station,
            broker=broker,
            listening=self.listening,
            keeper=self.keeper,
            desk=self._desk,
            journal=self._journal,
            hear=self._hear,
        )
        self._announcer = self._bus.announcer
        self._bus.publisher.start()

    def _hear(self, cue: Cue) -> None:
        if self._voice is not None:
            self._voice.hear(cue)

    def _announcing_failed(self, error: Exception) -> None:
        """A mistake of the program is told of with its place, once for each."""
        where = traceback.format_exc()[-MOST_TRACEBACK:]
        if where not in self._faults:
            self._faults.add(where)
            text = f"a fault in the program, in telling what happened ({type(error).__name__}): {where}"
            self._journal.say("fault", text, level="error")

    def _loop_failed(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """What went wrong where nobody waits for it, in a library as a rule, is a line of the journal too."""
        error = context.get("exception")
        told = "" if error is None else "".join(traceback.format_exception(error))[-MOST_TRACEBACK:]
        text = f"a fault that the service goes on after: {context.get('message')}: {told}"
        self._journal.say("fault", text, level="warning")

    async def _end_telling(self) -> None:
        if self._bus is not None:  # the last measurements are told too
            await self.keeper.settle(SETTLE_S)
        self._announcer = None
        if self._voice is not None:
            voice, self._voice = self._voice, None
            await asyncio.get_running_loop().run_in_executor(None, voice.close)
        if self._bus is None:
            return
        bus, self._bus = self._bus, None
        await bus.publisher.close(GOODBYE_S)

    async def _until_stopped(self) -> None:
        while not self._stopped:
            over = asyncio.create_task(self.listening.over.wait(), name="waits for the end of all sources")
            wake = asyncio.create_task(self._wake.wait(), name="waits for a signal")
            try:
                await asyncio.wait([over, wake], return_when=asyncio.FIRST_COMPLETED)
            finally:
                over.cancel()
                wake.cancel()
                await asyncio.gather(over, wake, return_exceptions=True)
            self._wake.clear()
            if self._reload:
                self._reload = False
                await self._read_again()
            elif self.listening.over.is_set():
                return

    async def _read_again(self) -> None:
        self._notifier.reloading()
        try:
            plan = await asyncio.get_running_loop().run_in_executor(None, plan_of, self._path)
            if plan.log != self.keeper.path:
                await self.keeper.move_to(plan.log)
        except (StationFileError, LogError) as error:
            text = f"not reloaded, the old settings stay: {error}"
            self._journal.say("reload-failed", text, level="error")
        else:
            stopped, started = await self.listening.listen_to(plan.setups)
            for name in stopped:
                self._teller.forget(name)
            before, self._plan = self._plan.station, plan
            now = plan.station
            if _told_by(before) != _told_by(now):
                await self._end_telling()
                await self._look_at_cards(now)
                self._begin_telling(now)
            if self._bus is not None:
                self._bus.publisher.status_changed()
            text = f"{self._path}: {_named('stopped', stopped)}, {_named('started', started)}"
            self._journal.say("reloaded", text, stopped=stopped, started=started)
        self._notifier.status(self._status())
        self._notifier.ready()

    async def _beat(self) -> None:
        """Tell the service manager that the loop turns, and how the gauges are."""
        wanted = self._notifier.watchdog_s
        pause = STATUS_S if wanted is None else min(STATUS_S, wanted / 3)
        while True:
            self._notifier.alive()
            self._notifier.status(self._status())
            self._look_again()
            await asyncio.sleep(pause)

    def _status(self) -> str:
        states = [f"{count} {state}" for state, count in self.listening.states().items() if count]
        text = f"gauges: {', '.join(states) or 'none'}; {self.keeper.kept} measurements kept"
        if self._bus is None:
            return text
        return f"{text}; broker {'connected' if self._bus.publisher.connected else 'away'}"

    def _tell(self, gauge: str, event: ListenEvent) -> None:
        if type(event) is not Reading:  # by far the most, and nothing to tell of
            self._teller.tell(gauge, event)
        if self._announcer is not None:
            try:
                self._announcer.tell(gauge, event)
            except Exception as error:  # noqa: BLE001 - what is told must not harm what is measured
                self._announcing_failed(error)
        if self._on_event is not None:
            self._on_event(gauge, event)


def _told_by(station: Station) -> tuple[object, ...]:
    return station.broker, station.voice, station.shop, station.station


def _allow_open_files() -> None:
    """Take as many open files as the system allows: a serial port has five, and a shell usually has 1024."""
    try:
        import resource  # noqa: PLC0415 - not on Windows
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_OPEN_FILES if hard == resource.RLIM_INFINITY else min(hard, MOST_OPEN_FILES)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


class _Openers(ThreadPoolExecutor):
    """Threads that open and close links; the end of the loop does not wait for one that hangs."""

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more work."""
        del wait
        super().shutdown(wait=False, cancel_futures=cancel_futures)


class _Signals:
    """While it is entered, SIGTERM and SIGINT stop the service, and SIGHUP has it read its file again."""

    def __init__(
        self, loop: asyncio.AbstractEventLoop, stop: Callable[[], None], reload: Callable[[], None]
    ) -> None:
        self._loop = loop
        self._wanted = {"SIGTERM": stop, "SIGINT": stop, "SIGHUP": reload}
        self._set: list[int] = []

    def __enter__(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return  # elsewhere there are no signals to catch
        for name, act in self._wanted.items():
            number = getattr(signal, name, None)
            if number is None:
                continue
            try:
                self._loop.add_signal_handler(number, act)
            except NotImplementedError:  # on Windows Ctrl-C ends the loop by itself
                continue
            self._set.append(number)

    def __exit__(self, *_: object) -> None:
        for number in self._set:
            self._loop.remove_signal_handler(number)


def _named(what: str, names: list[str]) -> str:
    return f"{what} {', '.join(names)}" if names else f"none {what}"
