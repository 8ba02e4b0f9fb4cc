"""One measurement from the open link to the log: what ``measure`` does, and ``demo`` as well.

The record is in the log before anybody is told of it. Whatever ends a measurement early, the readings so far
are kept.
"""

from __future__ import annotations

import asyncio
import signal
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from calc.hub import Hub
from calc.units import Unit
from capture.decoder import Decoder
from capture.described import Described
from capture.end_play import EndPlay, analysis_object
from capture.errors import LinkLost
from capture.links import open_link
from capture.links.base import Link
from capture.profiles import BUILT_IN, Profile
from capture.readings import UnitMissing
from capture.service import measure as listen
from capture.session import Ended, Event, Goal, Session
from capture.traces import write_csv
from cli.errors import (
    CliError,
    ExitCode,
    GaugeLostError,
    InterruptedMeasurementError,
    MeasurementRefusedError,
    MisuseError,
)
from cli.finding import finding_of
from cli.interrupts import Interrupts
from cli.live import Live
from cli.version import version
from joblog.errors import LogError
from joblog.jobs import rows_beside
from joblog.records import Measurement, new_id, utc_now
from joblog.store import Store

HOPE_S = 3.0
"""How long bytes may come without a number among them once that was said, seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be measured, and how.

    Attributes:
        hub: The hub file.
        corner: LF, RF, LR or RR.
        stage: as-found, trial or as-left.
        link: URL that the readings come over.
        profile: How the gauge speaks.
        unit: Unit of readings that do not say theirs; None to take the profile's.
        fitted_mm: Thickness of the shim in the hub, millimetres, above 0; None if not given.
        timeout_s: When to give up, seconds, above 0; None to wait for ever.
        vehicle: Which vehicle, free text.
        job: Which job, free text.
        gauge_name: What the shop calls the gauge; None when not given.
        gauge_note: What is known against the gauge, for a person; None if nothing.
        simulated: Whether the readings are made up although the link does not know it.
        on_hand_mm: Shim sizes in stock, millimetres; None where no stock is kept.
    """

    hub: Hub
    corner: str
    stage: str
    link: str
    profile: Profile
    unit: Unit | None = None
    fitted_mm: float | None = None
    timeout_s: float | None = None
    vehicle: str | None = None
    job: str | None = None
    gauge_name: str | None = None
    gauge_note: str | None = None
    simulated: bool = False
    on_hand_mm: frozenset[float] | None = None


@dataclass(frozen=True, slots=True)
class Finished:
    """A measurement that is over and put away.

    Attributes:
        measurement: Its record.
        logged: Whether it is in the log.
        error: What to tell at the end, with its exit code; None when all went well.
    """

    measurement: Measurement
    logged: bool
    error: CliError | None


def carry_out(order: Order, store: Store, live: Live) -> Finished:
    """Measure, work out, and record.

    Args:
        order: What is to be measured.
        store: The open log.
        live: Shows the running measurement.

    Raises:
        LinkError: If the link cannot be opened; nothing was recorded.
        MisuseError: If the readings lack their unit; nothing was recorded.
        MeasurementRefusedError: If bytes came but no number among them; nothing was recorded.
        InterruptedMeasurementError: If it was stopped before anything was read.
        GaugeLostError: If the link broke before anything was read.
    """
    link = open_link(order.link, profile_settings=order.profile.settings)
    watch = _Watch(order, link, live)
    with Interrupts() as interrupts:
        fault = _listen(link, watch, interrupts)
        live.close()
        ended = watch.ended
        if ended is None or (fault is not None and not len(ended.trace)):
            raise (fault or CliError("the measurement did not end")).saying("nothing had been read yet")
        if watch.told is not None:
            order = replace(order, profile=replace(watch.told, gauge=order.profile.gauge))
        measurement, complaint = record_of(order, ended, link.simulated, unfinished=fault is not None)
        lost = _keep(measurement, store)
    live.ring()
    return Finished(measurement, lost is None, _error(measurement, fault, complaint, lost))


class _Watch:
    """Hears the events of one session, and knows how it ended."""

    def __init__(self, order: Order, link: Link, live: Live) -> None:
        profile = (
            order.profile if link.profile is None else BUILT_IN[link.profile]
        )  # a replayed trace is lines
        decoder = Decoder(profile, order.unit, joined_midway=link.joined_midway)
        goal = Goal(limits=order.hub.limits, timeout_s=order.timeout_s, unit=order.hub.unit)
        self.session = Session(decoder, goal, order.profile.gauge)
        self.ended: Ended | None = None
        self.told: Profile | None = None  # what the gauge said of how to read it
        self.hopeless = ""
        self._live = live

    def see(self, event: Event) -> None:
        """Take one event."""
        match event:
            case Ended():
                self.ended = event
            case UnitMissing(text=text):
                why = f'the reading "{text}" does not say its unit: add --unit mm or --unit in'
                raise MisuseError("--unit", why)
            case Described(profile=told):
                self.told = told
                self._live.note(str(event))
            case _:
                self._live.see(event)

    def trouble(self, text: str) -> None:
        """Bytes come and no number is among them: say so, and end if it stays so."""
        self._live.warn(text)
        task = asyncio.current_task()

        def give_up() -> None:
            if not self.session.decoder.good and task is not None:
                self.hopeless = text
                task.cancel()

        asyncio.get_running_loop().call_later(HOPE_S, give_up)


def _listen(link: Link, watch: _Watch, interrupts: Interrupts) -> CliError | None:
    """Listen until the session ends; what ended it early otherwise."""

    async def until_it_ends() -> None:
        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        if task is not None:
            interrupts.on_interrupt = lambda: loop.call_soon_threadsafe(task.cancel)
            if interrupts.number is not None:  # it came while the loop was being made
                task.cancel()
        try:
            await listen(link, watch.session, watch.see, watch.trouble)
        finally:
            interrupts.on_interrupt = None

    try:
        asyncio.run(until_it_ends())
    except LinkLost as error:
        return GaugeLostError(str(error))
    except asyncio.CancelledError:
        if interrupts.number == signal.SIGINT:
            return InterruptedMeasurementError("stopped with Ctrl-C")
        if interrupts.number is not None:
            return InterruptedMeasurementError("told to end", ExitCode.TERMINATED)
        if watch.hopeless:
            raise MeasurementRefusedError(watch.hopeless) from None
        raise
    return None


def record_of(
    order: Order, ended: Ended, simulated: bool, *, unfinished: bool
) -> tuple[Measurement, CliError | None]:
    """Make the record of a session that has ended.

    Args:
        order: What was measured.
        ended: What came out.
        simulated: Whether its link made the readings up.
        unfinished: Whether something ended it early.

    Returns:
        The record, and what was wrong with the fitted shim, if anything.
    """
    outcome, hub = ended.outcome, order.hub
    found, complaint = finding_of(outcome, hub, order.fitted_mm, order.on_hand_mm)
    if unfinished:
        found, complaint = {"state": "unfinished"}, None
    measurement = Measurement(
        id=new_id(),
        at=utc_now(),
        corner=order.corner,
        stage=order.stage,
        analysis=analysis_object(outcome),
        hub_title=hub.title,
        hub_text=hub.text,
        unit=hub.unit,
        least_mm=hub.limits.least_mm,
        most_mm=hub.limits.most_mm,
        fitted_mm=order.fitted_mm,
        vehicle=order.vehicle,
        job=order.job,
        gauge_name=order.gauge_name,
        gauge_note=order.gauge_note,
        link=order.link,
        profile=order.profile.name,
        gauge=order.profile.gauge,
        simulated=order.simulated or simulated,
        version=version(),
        notes=outcome.notes if isinstance(outcome, EndPlay) else (),
        trace=ended.trace,
        **found,
    )
    return measurement, complaint


def _keep(measurement: Measurement, store: Store) -> CliError | None:
    """Put a measurement into the log; where that fails, its trace into a file, and say where."""
    try:
        store.add(measurement, *rows_beside(store.path, measurement))
    except LogError as error:
        file = keep_trace(measurement, store.path.parent)
        where = "its trace could not be saved either" if file is None else f"its trace is in {file}"
        return CliError(f"{error}; this measurement is NOT in the log, {where}")
    return None


def keep_trace(measurement: Measurement, folder: Path) -> Path | None:
    """Save a trace as a CSV file in ``folder``, else in the temporary folder.

    Returns:
        The file; None if it could be written nowhere.
    """
    for place in (folder, Path(tempfile.gettempdir())):
        file = place / f"shimwright-{measurement.corner}-{measurement.id[:8]}.csv"
        try:
            with file.open("x", encoding="utf-8", newline="") as out:
                write_csv(measurement.trace, out)
        except OSError:
            file.unlink(missing_ok=True)
        else:
            return file
    return None


def _error(
    measurement: Measurement, fault: CliError | None, complaint: CliError | None, lost: CliError | None
) -> CliError | None:
    """What to tell at the end: a lost record before all else."""
    if lost is not None:
        return lost if fault is None else CliError(f"{fault}; {lost}")
    short = measurement.id[:8]
    if fault is not None:
        readings = len(measurement.trace)
        return fault.saying(f"the trace so far ({readings} readings) is in the log, unfinished, as {short}")
    if measurement.state == "refused":
        reasons = "; ".join(str(reason["text"]) for reason in measurement.analysis["reasons"])
        return MeasurementRefusedError(f"measurement refused: {reasons} (its trace is in the log as {short})")
    return complaint
