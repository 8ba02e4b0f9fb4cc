"""SQLite's own errors, said in ours."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from joblog.errors import (
    LogDamaged,
    LogFailed,
    LogFileError,
    LogFolderMissing,
    LogFull,
    LogIsFolder,
    LogLocked,
    LogMissing,
    LogNotPermitted,
    LogReadOnly,
    NotALog,
)

_HARDLY_ANY = 64 * 1024
"""Bytes free below which a failed write is taken for a full disk."""

_PLAIN: dict[int, Callable[[Path], LogFileError]] = {
    sqlite3.SQLITE_READONLY: LogReadOnly,
    sqlite3.SQLITE_PERM: LogReadOnly,
    sqlite3.SQLITE_FULL: LogFull,
    sqlite3.SQLITE_BUSY: LogLocked,
    sqlite3.SQLITE_LOCKED: LogLocked,
    sqlite3.SQLITE_PROTOCOL: LogLocked,
}
_TOLD: dict[int, tuple[Callable[[Path, str], LogFileError], str]] = {
    sqlite3.SQLITE_NOTADB: (NotALog, "no SQLite file"),
    sqlite3.SQLITE_CORRUPT: (LogDamaged, "its pages do not hold together"),
}

_EFFECTIVE = os.access in os.supports_effective_ids


def check_place(path: Path, *, must_exist: bool) -> None:
    """See whether a log can stand at this path, before SQLite is asked.

    Raises:
        LogIsFolder: If the path is a folder.
        LogFolderMissing: If there is no such folder to write in.
        LogMissing: If there is no file and ``must_exist``.
        NotALog: If it is somebody's file of a single byte.
        LogNotPermitted: If looking is not allowed.
        LogFailed: If the path itself is impossible.
    """
    try:
        if path.is_dir():
            raise LogIsFolder(path)
        if must_exist and not path.exists():
            raise LogMissing(path)
        if not path.parent.is_dir():
            raise LogFolderMissing(path)
        if path.exists() and path.stat().st_size == 1:
            raise NotALog(path, "no SQLite file")  # SQLite would take it for an empty one
    except PermissionError as error:
        raise LogNotPermitted(path) from error
    except OSError as error:
        raise LogFailed(path, error.strerror or str(error)) from error


@contextmanager
def speaking_of(path: Path) -> Iterator[None]:
    """Turn SQLite's errors inside the block into errors about the log at ``path``.

    A ``sqlite3.ProgrammingError`` (wrong thread, closed log) is a mistake in the program and passes through.
    """
    try:
        yield
    except sqlite3.ProgrammingError:
        raise
    except sqlite3.Error as error:
        raise _explain(path, error) from error


def _explain(path: Path, error: sqlite3.Error) -> LogFileError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the low byte is the situation, the rest its flavour
    if code == sqlite3.SQLITE_IOERR and _no_space(path):
        return LogFull(path)
    if code == sqlite3.SQLITE_CANTOPEN:
        return _cannot_open(path)
    if code in _PLAIN:
        return _PLAIN[code](path)
    if code in _TOLD:
        kind, what = _TOLD[code]
        return kind(path, what)
    return LogFailed(path, f"{error}, {getattr(error, 'sqlite_errorname', 'no code')}")


def _cannot_open(path: Path) -> LogFileError:
    if not path.exists():
        return LogReadOnly(path)  # a new file may not be made there
    if not os.access(path, os.R_OK, effective_ids=_EFFECTIVE):
        return LogNotPermitted(path)
    if not os.access(path.parent, os.W_OK, effective_ids=_EFFECTIVE):
        return LogReadOnly(path)  # the file that readers and writers share may not be made
    return LogFailed(path, "SQLite cannot open it")


def _no_space(path: Path) -> bool:
    import shutil  # noqa: PLC0415  (slow to load, and seldom needed)

    try:
        return shutil.disk_usage(path.parent).free < _HARDLY_ANY
    except OSError:
        return False
