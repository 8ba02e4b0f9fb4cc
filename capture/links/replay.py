"""``replay:FILE?speed=1``: a trace file, as if its gauge were there."""

from __future__ import annotations

from pathlib import Path

from capture.errors import LinkMissing, LinkUsage, TraceFileError
from capture.links.paced import PacedLink
from capture.links.urls import LinkUrl
from capture.readings import Trace
from capture.traces import read_csv


class ReplayLink(PacedLink):
    """Gives a trace file's readings again.

    Args:
        url: ``replay:FILE``, with ``speed``: 1 (the default) for real time, more for faster, ``max`` or 0
            for as fast as possible.

    Raises:
        LinkUsage: If there is no file in it or an option is wrong.
    """

    def __init__(self, url: LinkUrl) -> None:
        url.refuse_unknown(["speed"])
        if not url.place:
            raise LinkUsage(url.text, "names no file; write replay:FILE")
        super().__init__(url.text, url.speed())
        self._path = Path(url.place)

    def _make_trace(self) -> Trace:
        if not self._path.exists():
            raise LinkMissing(self.url, f"there is no file {self._path}")
        try:
            return read_csv(self._path)
        except TraceFileError as error:
            raise LinkUsage(self.url, str(error)) from error
