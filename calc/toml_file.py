"""A file that people write in TOML: read whole, or refused with every mistake named."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from calc.errors import CalcError
from calc.toml_table import Problem


class TomlFileError(CalcError):
    """A file cannot be used; each kind of file has a subclass.

    Attributes:
        path: The file's name.
        problems: Every mistake in it.
    """

    def __init__(self, path: str, problems: Iterable[Problem]) -> None:
        self.path = path
        self.problems = tuple(problems)
        super().__init__(f"{path}: {'; '.join(str(p) for p in self.problems)}")


def read_text(path: str | os.PathLike[str], kind: str, most_bytes: int, error: type[TomlFileError]) -> str:
    """The text of such a file.

    Args:
        path: The file, UTF-8.
        kind: What it should be, such as "hub file", for the message.
        most_bytes: A longer file is none of that kind.
        error: What to raise.

    Raises:
        TomlFileError: As ``error``, if it cannot be read, is too long, or is no UTF-8 text.
    """
    name = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(most_bytes + 1)
    except (OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or str(err)
        raise error(name, [Problem("", None, f"cannot be read: {reason}")]) from err
    if len(data) > most_bytes:
        raise error(name, [Problem("", None, f"is longer than {most_bytes} bytes: this is no {kind}")])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = data.count(b"\n", 0, err.start) + 1
        raise error(name, [Problem("", line, "is not UTF-8 text: save it as UTF-8")]) from err
