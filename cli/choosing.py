"""Measurements that a command is to work on: by their ids, or by what is known of them; else all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.errors import CliError, MisuseError

if TYPE_CHECKING:
    from joblog.reader import Wanted


def chosen_ids(log: Path, ids: list[str], wanted: Wanted, latest: int | None) -> list[str] | None:
    """The whole ids of what was asked for; None if nothing was asked, which means everything.

    Args:
        log: The log.
        ids: Ids, or enough of the beginning of each.
        wanted: What the options say.
        latest: Only so many of the last ones.

    Raises:
        CliError: If nothing is as wanted.
        MisuseError: If there are ids and options.
        LogError: If an id is unknown, or the log cannot be read.
    """
    from joblog.reader import ANY, full_id, ids_of, reading  # noqa: PLC0415

    if not ids and wanted == ANY and latest is None:
        return None
    if ids and (wanted != ANY or latest is not None):
        raise MisuseError(ids[0], "give ids, or options that choose, but not both")
    if not ids:
        found = ids_of(log, wanted, latest)
    else:
        with reading(log) as opened:
            found = [] if opened is None else [full_id(opened, one) for one in ids]
    if not found:
        raise CliError("no measurement in the log is as wanted: see `shimwright trace list`")
    return found
