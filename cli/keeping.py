"""Puts measurements into the log while others go on being made: one thread owns the log, and nothing is lost.

What the log does not take (its disk is full, another program keeps it locked) is saved as a CSV file beside
it, said, and tried again until the log takes it; then the file goes away.
"""

from __future__ import annotations

import asyncio
import contextlib
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from capture.listening import MOST_TRACEBACK, Outcome
from capture.traces import write_csv
from cli.journal import Journal
from cli.measuring import Order, keep_trace, record_of
from cli.outcome import number_text
from joblog.errors import AlreadyLogged, LogError, LogFull, LogLocked
from joblog.jobs import rows_beside
from joblog.records import Measurement, new_id
from joblog.store import Store

MOST_QUEUED = 256
"""Measurements that may wait for the log's thread."""

MOST_WAITING = 200
"""Measurements that the log did not take and that are tried again."""

BUSY_S = 0.5
"""How long the log's thread waits for another program each time, seconds; it tries again later."""

FIRST_PAUSE_S = 1.0
MOST_PAUSE_S = 30.0
"""Pause before the log is tried again, seconds, doubled each time up to the second."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Waiting:
    """A measurement that the log did not take yet.

    Attributes:
        measurement: Its record.
        file: Where its trace was saved; None if nowhere.
    """

    measurement: Measurement
    file: Path | None


class Keeper:
    """Owns the log of a service.

    Attributes:
        path: Where the log is.
        kept: How many measurements it put into the log.

    Args:
        path: The log, its folder ready.
        journal: Is told what became of each measurement.
        order_of: Says what was measured, for the record.
        on_kept: Called in the loop with each measurement that is in the log by then.
    """

    def __init__(
        self,
        path: Path,
        journal: Journal,
        order_of: Callable[[Outcome], Order],
        on_kept: Callable[[Measurement], None],
    ) -> None:
        self.path = path
        self.kept = 0
        self._journal = journal
        self._order_of = order_of
        self._on_kept = on_kept
        self._executor = ThreadPoolExecutor(1, "log")
        self._queue: asyncio.Queue[Outcome | None] = asyncio.Queue()
        self._waiting: list[Waiting] = []
        self._pause_s = FIRST_PAUSE_S
        self._store: Store | None = None
        self._task: asyncio.Task[None] | None = None
        self._at_work: Outcome | None = None
        self._idle = asyncio.Event()

    async def open(self) -> None:
        """Open the log and begin.

        Raises:
            LogError: If it cannot be used.
        """
        try:
            self._store = await self._in_thread(lambda: Store.open(self.path, busy_s=BUSY_S))
        except BaseException:
            self._executor.shutdown(wait=False)
            raise
        self._task = asyncio.create_task(self._run(), name="keeps the log")

    def keep(self, outcome: Outcome) -> None:
        """Take a measurement that is over; returns at once."""
        if self._queue.qsize() < MOST_QUEUED:
            self._idle.clear()
            self._queue.put_nowait(outcome)
            return
        text = f"the log is behind by {MOST_QUEUED} measurements: {_save(outcome, self.path.parent)}"
        self._journal.say("log-overflow", text, level="error", gauge=outcome.setup.name)

    async def with_store(self, work: Callable[[Store], _T]) -> _T:
        """Do something with the open log in its own thread.

        Raises:
            LogError: What ``work`` raises.
        """
        store = self._store
        if store is None:
            raise RuntimeError("the log is not open")
        return await self._in_thread(lambda: work(store))

    async def move_to(self, path: Path) -> None:
        """Go on in another log.

        Raises:
            LogError: If that one cannot be used; the old one then stays.
        """
        opened = await self._in_thread(lambda: Store.open(path, busy_s=BUSY_S))
        old, self._store, self.path = self._store, opened, path
        if old is not None:
            await self._in_thread(old.close)

    async def settle(self, patience_s: float) -> None:
        """Wait until all that was kept is in the log, or tried.

        Args:
            patience_s: For no longer than this, seconds.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                await self._idle.wait()

    async def close(self, patience_s: float) -> None:
        """Put away what is left and close the log; what does not get there in time is saved as files.

        Args:
            patience_s: How long that may take, seconds.
        """
        task, self._task = self._task, None
        if task is None:
            return
        self._queue.put_nowait(None)
        _, unfinished = await asyncio.wait([task], timeout=patience_s)
        if unfinished:  # the log's thread hangs
            task.cancel()
            left = [] if self._at_work is None else [self._at_work]
            while not self._queue.empty():
                outcome = self._queue.get_nowait()
                left += [] if outcome is None else [outcome]
            for outcome in left:
                self._journal.say("not-logged", _save(outcome, self.path.parent), level="error")
            await asyncio.gather(task, return_exceptions=True)
        self._executor.shutdown(wait=False, cancel_futures=True)

    async def _run(self) -> None:
        while True:
            if self._queue.empty():
                self._idle.set()
            try:
                async with asyncio.timeout(self._pause_s if self._waiting else None):
                    outcome = await self._queue.get()
            except TimeoutError:
                await self._try_again()
                continue
            if outcome is None:
                break
            try:
                await self._put_away(outcome)
            except Exception:  # noqa: BLE001 - whatever went wrong with one, the next are to be kept
                why = traceback.format_exc()[-MOST_TRACEBACK:]
                saved = await self._in_thread(partial(_save, outcome, self.path.parent))
                text = f"a fault in the program: {saved}: {why}"
                self._journal.say("fault", text, level="error", gauge=outcome.setup.name)
        for one in self._waiting:
            self._journal.say("not-logged", _saved(one.measurement, one.file), level="error")
        if self._store is not None:
            await self._in_thread(self._store.close)

    async def _put_away(self, outcome: Outcome) -> None:
        gauge = outcome.setup.name
        self._at_work = outcome
        measurement, complaint = await self._in_thread(partial(self._record, outcome))
        try:
            await self.with_store(partial(_add, measurement=measurement))
        except LogError as error:
            file = await self._in_thread(lambda: keep_trace(measurement, self.path.parent))
            self._wait_with(Waiting(measurement, file))
            text = f"{error}; {_saved(measurement, file)}; it is tried again"
            self._journal.say(
                "log-failed", text, level="error", gauge=gauge, file=str(file) if file else None
            )
            self._at_work = None
            return
        self._at_work = None
        if complaint is not None:
            self._journal.say("fitted-shim", str(complaint), level="warning", gauge=gauge)
        self._tell_kept(measurement, gauge)
        if self._waiting:  # the log takes them again
            await self._try_again()

    def _record(self, outcome: Outcome) -> tuple[Measurement, Exception | None]:
        order = self._order_of(outcome)
        return record_of(order, outcome.ended, outcome.simulated, unfinished=outcome.unfinished)

    def _wait_with(self, one: Waiting) -> None:
        self._waiting.append(one)
        if len(self._waiting) > MOST_WAITING:
            oldest = self._waiting.pop(0)
            saved = _saved(oldest.measurement, oldest.file)
            text = f"more than {MOST_WAITING} measurements wait for the log: {saved}"
            self._journal.say("log-overflow", text, level="error")

    async def _try_again(self) -> None:
        """Try the measurements that wait, oldest first, until the log fails again."""
        self._pause_s = min(MOST_PAUSE_S, 2 * self._pause_s)
        while self._waiting:
            one = self._waiting[0]
            try:
                await self.with_store(partial(_add_once, measurement=one.measurement))
            except LogError as error:
                if not isinstance(error, LogFull | LogLocked):
                    await self._open_again()
                return
            del self._waiting[0]
            if one.file is not None:
                await self._in_thread(partial(one.file.unlink, missing_ok=True))
            self._tell_kept(one.measurement, None)
        self._pause_s = FIRST_PAUSE_S

    async def _open_again(self) -> None:
        """The log's file may have been put back in its place: take it anew."""
        try:
            await self.move_to(self.path)
        except LogError:
            return

    def _tell_kept(self, measurement: Measurement, gauge: str | None) -> None:
        self.kept += 1
        analysis, short = measurement.analysis, measurement.id[:8]
        if measurement.state == "measured":
            number = number_text(analysis, measurement.unit)
            text = f"{measurement.corner} end play {number}, {measurement.verdict}; in the log as {short}"
        else:
            reasons = "; ".join(str(reason["text"]) for reason in analysis["reasons"])
            text = f"{measurement.corner} {measurement.state}: {reasons}; in the log as {short}"
        self._journal.say(
            measurement.state,
            text,
            gauge=gauge,
            measurement_id=measurement.id,
            corner=measurement.corner,
            stage=measurement.stage,
            verdict=measurement.verdict,
            end_play_mm=analysis["end_play_mm"],
            expanded_mm=analysis["expanded_mm"],
        )
        self._on_kept(measurement)

    async def _in_thread(self, work: Callable[[], _T]) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._executor, work)


def _add(store: Store, measurement: Measurement) -> None:
    """With its entry on the job card that it belongs to, if it does."""
    store.add(measurement, *rows_beside(store.path, measurement))


def _add_once(store: Store, measurement: Measurement) -> None:
    try:
        _add(store, measurement)
    except AlreadyLogged:
        return  # it had got there after all


def _save(outcome: Outcome, folder: Path) -> str:
    """Save the trace of what no record was made of, and say so."""
    what = f"a measurement of {outcome.corner} with {outcome.setup.name}"
    file = folder / f"shimwright-{outcome.corner}-{new_id()[:8]}.csv"
    try:
        with file.open("x", encoding="utf-8", newline="") as out:
            write_csv(outcome.ended.trace, out)
    except OSError:
        return _where(what, None)
    return _where(what, file)


def _saved(measurement: Measurement, file: Path | None) -> str:
    return _where(f"measurement {measurement.id[:8]} ({measurement.corner})", file)


def _where(what: str, file: Path | None) -> str:
    where = "its trace could not be saved either" if file is None else f"its trace is in {file}"
    return f"{what} is NOT in the log, {where}"
