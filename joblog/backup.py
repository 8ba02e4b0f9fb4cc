"""Copy a log while others use it, and read the copy whole before it gets its name."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from joblog.errors import LogDamaged, LogEmpty, TargetNotWritable
from joblog.handing_on import new_file
from joblog.health import Fault, page_faults, record_faults
from joblog.reader import connect_to_read
from joblog.schema import is_current, steps_taken
from joblog.selection import upgraded_copy
from joblog.trouble import check_place, speaking_of
from joblog.upgrade import copy_log


class BackedUp(NamedTuple):
    """A copy that was made.

    Attributes:
        measurements: How many it holds.
        size: Bytes.
        faults: What is wrong with measurements in it; the log that it is a copy of has the same.
    """

    measurements: int
    size: int
    faults: tuple[Fault, ...]


def back_up(path: Path, target: Path, tick: Callable[[], None] | None = None) -> BackedUp:
    """Copy a log as it is after its last finished transaction, and read all of the copy.

    Args:
        path: The log; others may go on writing. It is copied as it is, also one of an older version.
        target: The copy; there must be no such file yet.
        tick: Called after each measurement that was read back.

    Raises:
        TargetExists: If there is such a file.
        TargetNotWritable: If it cannot be made.
        LogDamaged: If the pages of the log do not hold together; nothing is kept then.
        LogFileError: If the log cannot be read.
    """
    check_place(path, must_exist=True)
    with new_file(target) as part:
        with speaking_of(path):
            with closing(connect_to_read(path)) as log:
                taken = steps_taken(log, path)
            if not taken:
                raise LogEmpty(path)
            try:
                copy_log(path, part)
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL:
                    raise
                raise TargetNotWritable(target, "no space left") from error  # the log itself is only read
        with speaking_of(part):
            faults = _faults(part, current=is_current(taken), tick=tick)
        if faults and faults[0].where == "file":
            raise LogDamaged(path, faults[0].text)
        with closing(sqlite3.connect(f"{part.as_uri()}?mode=ro", uri=True)) as copy:
            count = int(copy.execute("SELECT count(*) FROM measurement").fetchone()[0])
        return BackedUp(count, part.stat().st_size, faults)


def _faults(part: Path, *, current: bool, tick: Callable[[], None] | None) -> tuple[Fault, ...]:
    """What is wrong with the copy; one of an older version is read in a copy of its own."""
    with closing(connect_to_read(part)) as copy:
        found = list(page_faults(copy))
        if current and not found:
            found = list(record_faults(copy, tick=tick))
        elif not found:
            working = part.with_name("upgraded")
            upgraded_copy(copy, working)
            with closing(connect_to_read(working)) as upgraded:
                found = list(record_faults(upgraded, tick=tick))
    return tuple(found)
