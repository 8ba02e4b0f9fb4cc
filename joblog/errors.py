"""What can go wrong with the log: one class for each situation that is handled differently.

Every text is one line that names the file or value and says what to do next.
"""

# ruff: noqa: N818  (a situation is named as a mechanic says it: LogReadOnly, NotALog)

from __future__ import annotations

from pathlib import Path


class LogError(Exception):
    """Base of every error of this package."""


class LogFileError(LogError):
    """Something is wrong with the log's file.

    Attributes:
        path: The file.
    """

    def __init__(self, path: Path, text: str) -> None:
        super().__init__(text)
        self.path = path


class LogMissing(LogFileError):
    """There is no log yet, and only reading was asked for."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path,
            f"there is no log at {path} yet: measure first or open a job, or name another log with --log",
        )


class LogEmpty(LogFileError):
    """The file is there and holds no tables yet: nothing was ever recorded."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, f"the log {path} holds nothing yet: measure first, or name another with --log")


class LogFolderMissing(LogFileError):
    """The folder that the log should stand in does not exist."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, f"the folder {path.parent} for the log does not exist: make it, or name another with --log"
        )


class LogIsFolder(LogFileError):
    """The log's path is a folder."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, f"{path} is a folder: name a file in it, for example --log {path / 'log.sqlite'}"
        )


class NotALog(LogFileError):
    """The file is something else: no SQLite file, or another program's."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(
            path, f"{path} is not a measurement log ({what}); it was left as it is: name another with --log"
        )
        self.what = what


class LogReadOnly(LogFileError):
    """The file or its folder cannot be written."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path,
            f"the log {path} is read-only: allow writing to it and to its folder, or name another with --log",
        )


class LogNotPermitted(LogFileError):
    """This user may not open the file, or may not make it."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, f"no permission to open the log {path}: change who may use it, or name another with --log"
        )


class LogFull(LogFileError):
    """The disk is full; nothing of the record was kept, and what the log held before is whole."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, f"no space left for the log {path}: free some space on its disk, then try again"
        )


class LogLocked(LogFileError):
    """Another program held the log for longer than we wait."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, f"another program keeps the log {path} locked: close that program, then try again"
        )


class LogTooNew(LogFileError):
    """The log was written by a newer version of this program.

    Attributes:
        unknown: The steps of its schema that this version does not know.
    """

    def __init__(self, path: Path, unknown: tuple[str, ...]) -> None:
        super().__init__(
            path,
            f"the log {path} was written by a newer version (schema step {', '.join(unknown)} is unknown): "
            "update shimwright, or name another log with --log",
        )
        self.unknown = unknown


class LogDamaged(LogFileError):
    """The file is a log but does not hold together."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(path, f"the log {path} is damaged ({what}): put a backup copy in its place")
        self.what = what


class LogFailed(LogFileError):
    """The disk or SQLite gave an error that is none of the others."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(path, f"the log {path} could not be used ({what}): check its disk, then try again")
        self.what = what


class NoSuchMeasurement(LogError):
    """No measurement has that id.

    Attributes:
        measurement_id: What was asked for.
    """

    def __init__(self, measurement_id: str) -> None:
        super().__init__(
            f"no measurement {measurement_id!r} in the log: see `shimwright trace list` for those it holds"
        )
        self.measurement_id = measurement_id


class AmbiguousId(LogError):
    """Several measurements have ids that begin like that.

    Attributes:
        prefix: What was asked for.
        matches: The first few ids that begin with it.
    """

    def __init__(self, prefix: str, matches: tuple[str, ...]) -> None:
        super().__init__(f"{prefix!r} fits several measurements ({', '.join(matches)}): give more of the id")
        self.prefix = prefix
        self.matches = matches


class AlreadyLogged(LogError):
    """A measurement with this id is in the log; records are never overwritten.

    Attributes:
        measurement_id: The id.
    """

    def __init__(self, measurement_id: str) -> None:
        super().__init__(
            f"measurement {measurement_id} is in the log already and stays as it is: record a new one instead"
        )
        self.measurement_id = measurement_id


class RecordError(LogError):
    """A record cannot be stored as it is.

    Attributes:
        field: Which part of it.
    """

    def __init__(self, field: str, text: str) -> None:
        super().__init__(f"{field}: {text}")
        self.field = field


class TraceDamaged(LogError):
    """A stored trace cannot be read back."""

    def __init__(self, what: str) -> None:
        super().__init__(f"the stored trace is damaged ({what}): put a backup copy of the log in its place")
        self.what = what


class TraceTooNew(LogError):
    """A stored trace is in a format that only a newer version knows.

    Attributes:
        version: The format's number.
    """

    def __init__(self, version: int) -> None:
        super().__init__(f"the stored trace has format {version}, which is not known here: update shimwright")
        self.version = version


class HandOnError(LogError):
    """Something is wrong with a file that was handed on, or is to be.

    Attributes:
        path: The file or folder.
    """

    def __init__(self, path: Path, text: str) -> None:
        super().__init__(text)
        self.path = path


class NotAnExport(HandOnError):
    """The file is nothing that can be imported."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(
            path,
            f"{path} cannot be imported ({what}); nothing was changed: "
            "name a file that shimwright export wrote",
        )
        self.what = what


class ExportDamaged(HandOnError):
    """An export that is no longer what was written, or that does not hold together."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(path, f"{path} is damaged ({what}); nothing was changed: have it sent again")
        self.what = what


class ExportTooNew(HandOnError):
    """The file was written by a newer version of this program."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(
            path,
            f"{path} was written by a newer version ({what} is unknown); nothing was changed: "
            "update shimwright",
        )
        self.what = what


class TargetExists(HandOnError):
    """A file of this name is there; what is handed on never overwrites one."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, f"{path} exists and stays as it is: name a new file")


class TargetNotWritable(HandOnError):
    """The file or folder cannot be made; what there is of it is removed again."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(path, f"{path} cannot be written ({why}): name another place")
        self.why = why


class PackageMissing(HandOnError):
    """A format needs a package that is not installed."""

    def __init__(self, path: Path, package: str, extra: str) -> None:
        super().__init__(
            path,
            f'{path}: this format needs {package}, which is not installed: pip install "shimwright[{extra}]"',
        )
        self.package = package
