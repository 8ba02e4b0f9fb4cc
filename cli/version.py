"""Which version of the program this is."""

from __future__ import annotations


def version() -> str:
    """The installed version, or ``not installed`` where the program runs from a bare source tree."""
    from importlib import metadata  # noqa: PLC0415 - it takes its time

    try:
        return metadata.version("shimwright")
    except metadata.PackageNotFoundError:
        return "not installed"
