"""Where the log is: as asked for, else as the environment says, else in the user's data folder."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from joblog.errors import LogNotPermitted

ENVIRONMENT = "SHIMWRIGHT_LOG"
FILE_NAME = "log.sqlite"


class LogPlace(NamedTuple):
    """Where the log is, and who said so.

    Attributes:
        path: The file.
        ours: True for the default place, whose folder is made when it is needed; a folder that somebody named
            and that does not exist is more likely a slip of the keyboard.
    """

    path: Path
    ours: bool

    def ready(self) -> Path:
        """The file's path, its folder made if it is ours to make. Call it before writing, not before reading.

        Raises:
            LogNotPermitted: If it cannot be made.
        """
        if self.ours:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise LogNotPermitted(self.path) from error
        return self.path


def log_place(option: Path | None = None, environment: Mapping[str, str] | None = None) -> LogPlace:
    """Find out where the log is.

    Args:
        option: What ``--log`` said, if anything.
        environment: Where ``SHIMWRIGHT_LOG`` is looked up; the process's own unless given. Empty means
            not set.
    """
    named = option or (os.environ if environment is None else environment).get(ENVIRONMENT)
    if named:
        return LogPlace(Path(named).expanduser(), ours=False)
    import platformdirs  # noqa: PLC0415  (seldom needed, and it takes its time)

    return LogPlace(platformdirs.user_data_path("shimwright", appauthor=False) / FILE_NAME, ours=True)
