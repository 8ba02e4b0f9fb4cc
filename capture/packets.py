r"""Frames that are no plain lines: cut by marks, by a length, or by an end of their own.

Every framer here gives the same frames however the bytes are cut into chunks, holds no more than about two
frames, and finds the stream again after garbage: a run of garbage is one bounded event.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from capture.checksums import Checksum
from capture.framing import MOST_FRAME_BYTES, MOST_KEPT_BYTES, BadFrame, Framer

WRONG_CHECKSUM = "its checksum is wrong"


class Cutter(Protocol):
    """Cuts a stream of bytes into frames, however the bytes come."""

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Take the next bytes and give the frames that they complete."""

    def resync(self) -> None:
        """Drop what is under way: some bytes in between were lost."""


class Framing(Protocol):
    """A description of how a gauge's bytes are cut into frames."""

    def framer(self) -> Cutter:
        """Give a new framer of this kind."""


class CheckedFramer:
    """Holds lines to their checksum and cuts it off.

    Args:
        lines: Cuts the lines.
        checksum: Its positions are counted in the line without its end.
    """

    def __init__(self, lines: Cutter, checksum: Checksum) -> None:
        self._lines = lines
        self._checksum = checksum

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Take the next bytes and give the lines that they complete, without checksum."""
        return [
            frame if isinstance(frame, BadFrame) else self._checked(frame) for frame in self._lines.feed(data)
        ]

    def resync(self) -> None:
        """Drop the line under way."""
        self._lines.resync()

    def _checked(self, frame: bytes) -> bytes | BadFrame:
        if self._checksum.good(frame):
            return frame[: self._checksum.place(len(frame))]
        return BadFrame(frame[:MOST_KEPT_BYTES], WRONG_CHECKSUM)


class EndFramer:
    """Cuts bytes at an end mark of its own, such as a semicolon; empty frames are nothing.

    Args:
        end: The mark, 1 byte or more.
        most_bytes: Longest frame without its end.
    """

    def __init__(self, end: bytes, most_bytes: int) -> None:
        self._end = end
        self._most = most_bytes
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Take the next bytes and give the frames that they complete, without their ends."""
        frames: list[bytes | BadFrame] = []
        *whole, rest = (self._rest + data).split(self._end)
        for frame in whole:
            if self._skipping:
                self._skipping = False
            elif len(frame) > self._most:
                frames.append(self._too_long(frame))
            elif frame:
                frames.append(frame)
        part = len(self._end) - 1  # of an end that is under way
        if self._skipping:
            rest = rest[len(rest) - part :] if part else b""
        elif len(rest) > self._most + part:
            frames.append(self._too_long(rest))
            self._skipping = True
            rest = rest[len(rest) - part :] if part else b""
        self._rest = rest
        return frames

    def resync(self) -> None:
        """Drop the frame under way and the bytes up to the next end."""
        self._rest = b""
        self._skipping = True

    def _too_long(self, frame: bytes) -> BadFrame:
        return BadFrame(
            frame[: min(MOST_KEPT_BYTES, self._most + 1)], f"no end of frame within {self._most} bytes"
        )


@dataclass(frozen=True, slots=True)
class LineFraming:
    """Frames are lines ended by CR, LF or CRLF.

    Attributes:
        most_bytes: Longest frame, bytes, 1 or more.
        checksum: Of each line, its positions counted without the line's end; cut off before the line is read.
    """

    most_bytes: int = MOST_FRAME_BYTES
    checksum: Checksum | None = None

    def framer(self) -> Cutter:
        """Give a new framer of this kind."""
        lines = Framer(self.most_bytes)
        return lines if self.checksum is None else CheckedFramer(lines, self.checksum)


@dataclass(frozen=True, slots=True)
class Mark:
    """Bits of a frame that never change.

    Attributes:
        at: Which byte, from 0.
        mask: Which of its bits, 1 to 255.
        value: What they are, where they stand.
    """

    at: int
    mask: int
    value: int


@dataclass(frozen=True, slots=True)
class MarkedFraming:
    """Frames that begin and end with marks, or end with a mark of their own.

    What is read is what stands between the marks, without a checksum that stands there too.

    Attributes:
        end: The end mark, 1 byte or more.
        start: The start mark; empty where there is none.
        trailer: Bytes that follow the end mark, such as a checksum; only with a start mark.
        checksum: Its positions are counted in the whole frame, marks and trailer included; without a start
            mark in the frame without its end.
        most_bytes: Longest whole frame.
    """

    end: bytes
    start: bytes = b""
    trailer: int = 0
    checksum: Checksum | None = None
    most_bytes: int = MOST_FRAME_BYTES

    confirm = False

    def framer(self) -> Cutter:
        """Give a new framer of this kind."""
        if self.start:
            return PacketFramer(self)
        ended = EndFramer(self.end, self.most_bytes)
        return ended if self.checksum is None else CheckedFramer(ended, self.checksum)

    def size_at(self, data: bytes, at: int) -> int:
        """As ``SizedFraming.size_at``."""
        if not _begins(data, at, self.start):
            return -1
        found = data.find(self.end, at + len(self.start), at + self.most_bytes)
        again = data.find(self.start, at + 1, found if found >= 0 else len(data))
        if again >= 0:
            return -1
        if found < 0:
            return -1 if len(data) - at >= self.most_bytes else 0
        size = found + len(self.end) + self.trailer - at
        if size > self.most_bytes:
            return -1
        return size if at + size <= len(data) else 0

    def content(self, frame: bytes) -> bytes:
        """What of a whole frame is read."""
        stop = len(frame) - self.trailer - len(self.end)
        if self.checksum is not None:
            stop = min(stop, self.checksum.place(len(frame)))
        return frame[len(self.start) : max(stop, len(self.start))]


@dataclass(frozen=True, slots=True)
class SizedFraming:
    """Frames of a fixed length, or of a length that one of their bytes says; the whole frame is read.

    Attributes:
        start: Bytes that every frame begins with; may be empty where marks or a checksum find it.
        length: Bytes in a frame; 0 where a byte says it.
        length_at: Which byte says the length.
        length_add: What is added to it to give the length of the whole frame.
        marks: Bits that never change.
        checksum: Of the whole frame.
        confirm: Whether the first frame after garbage counts only when another follows it: a start mark may
            also occur in the middle of a frame.
        most_bytes: Longest frame.
    """

    start: bytes = b""
    length: int = 0
    length_at: int = 0
    length_add: int = 0
    marks: tuple[Mark, ...] = ()
    checksum: Checksum | None = None
    confirm: bool = False
    most_bytes: int = MOST_FRAME_BYTES

    def framer(self) -> Cutter:
        """Give a new framer of this kind."""
        return PacketFramer(self)

    def size_at(self, data: bytes, at: int) -> int:
        """How many bytes the frame at ``at`` has; 0 to wait for more bytes, -1 where no frame begins."""
        if not _begins(data, at, self.start):
            return -1
        size = self.length
        if not size:
            if at + self.length_at >= len(data):
                return 0
            size = data[at + self.length_at] + self.length_add
            if not max(len(self.start), self.length_at + 1) <= size <= self.most_bytes:
                return -1
        if at + size > len(data):
            return 0
        for mark in self.marks:
            if mark.at >= size or data[at + mark.at] & mark.mask != mark.value:
                return -1
        return size

    def content(self, frame: bytes) -> bytes:
        """What of a whole frame is read: all of it."""
        return frame


class PacketFramer:
    """Finds frames by their start, marks, length and checksum.

    Args:
        framing: How frames look.
    """

    def __init__(self, framing: MarkedFraming | SizedFraming) -> None:
        self._framing = framing
        self._rest = b""
        self._in_step = False
        self._kept = b""
        self._bad = 0
        self._why = ""
        self._flood = False

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Take the next bytes and give the frames that they complete."""
        framing, rest, at = self._framing, self._rest + data, 0
        frames: list[bytes | BadFrame] = []
        while at < len(rest):
            size = framing.size_at(rest, at)
            if size == 0:
                break
            good = size > 0 and self._good(rest[at : at + size])
            if good and framing.confirm and not self._in_step:
                after = framing.size_at(rest, at + size) if at + size < len(rest) else 0
                if after == 0:
                    break
                good = after > 0 and self._good(rest[at + size : at + size + after])
            if good:
                self._end_of_garbage(frames)
                frames.append(framing.content(rest[at : at + size]))
                self._in_step = True
                at += size
                continue
            nearest = _next_start(rest, at + 1, framing.start)
            self._garbage(rest[at:nearest], WRONG_CHECKSUM if size > 0 and self._in_step else "", frames)
            self._in_step = False
            at = nearest
        self._rest = rest[at:]
        return frames

    def resync(self) -> None:
        """Drop the frame under way."""
        self._rest = b""
        self._in_step = False

    def _good(self, frame: bytes) -> bool:
        return self._framing.checksum is None or self._framing.checksum.good(frame)

    def _garbage(self, data: bytes, why: str, frames: list[bytes | BadFrame]) -> None:
        if self._flood:
            return
        most = self._framing.most_bytes
        if not self._bad:
            self._why = why or "bytes that belong to no frame"
        self._bad += len(data)
        room = min(MOST_KEPT_BYTES, most + 1) - len(self._kept)
        self._kept += data[:room]
        if self._bad > most:
            frames.append(BadFrame(self._kept, f"no frame within {most} bytes"))
            self._flood = True

    def _end_of_garbage(self, frames: list[bytes | BadFrame]) -> None:
        if self._bad and not self._flood:
            frames.append(BadFrame(self._kept, self._why))
        self._kept, self._bad, self._flood = b"", 0, False


def finish_of(framing: Framing) -> bytes:
    """What completes a frame that is written without its end, as examples are."""
    if isinstance(framing, LineFraming):
        return b"\r\n"
    return framing.end if isinstance(framing, MarkedFraming) and not framing.start else b""


def one_alone(framing: Framing) -> Framing:
    """The same framing for a frame that no other follows."""
    return replace(framing, confirm=False) if isinstance(framing, SizedFraming) else framing


def may_lack_beginning(framing: Framing) -> bool:
    """Whether a stream joined in mid frame may give the end of a frame as if it were whole."""
    unchecked = isinstance(framing, LineFraming | MarkedFraming) and framing.checksum is None
    return unchecked and not (isinstance(framing, MarkedFraming) and framing.start)


def _begins(data: bytes, at: int, start: bytes) -> bool:
    """Whether the bytes at ``at``, as far as they have come, are those of the start mark."""
    return start.startswith(data[at : at + len(start)])


def _next_start(data: bytes, at: int, start: bytes) -> int:
    """Where the next frame may begin, at ``at`` or later; a start mark may be under way at the end."""
    if not start:
        return at
    found = data.find(start, at)
    if found >= 0:
        return found
    for place in range(max(at, len(data) - len(start) + 1), len(data)):
        if start.startswith(data[place:]):
            return place
    return len(data)
