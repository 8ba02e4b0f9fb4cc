"""Cuts a stream of bytes into lines; what is no line becomes one bounded event, and the stream goes on."""

from __future__ import annotations

from dataclasses import dataclass

MOST_FRAME_BYTES = 128
"""A longer line is garbled: indicators send lines of 6 to 40 bytes (common practice)."""

MOST_KEPT_BYTES = 64
"""How much of a garbled frame is kept to be shown."""

_ENDS = (b"\r", b"\n")


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes that are no frame.

    Attributes:
        data: The first bytes, at most 64.
        why: What is wrong, for a person.
    """

    data: bytes
    why: str


class Framer:
    r"""Cuts bytes into lines ended by CR, LF or CRLF, mixed as they come; empty lines are nothing.

    The same bytes give the same frames however they are cut into chunks.

    >>> framer = Framer()
    >>> framer.feed(b"+0.12")
    []
    >>> framer.feed(b"3\r"), framer.feed(b"\n+0.124\r\n")
    ([b'+0.123'], [b'+0.124'])

    Args:
        most_bytes: Longest frame, 1 or more; a longer one gives one BadFrame as soon as it is too long, and
            the rest of it, up to the next line end, is dropped.
    """

    def __init__(self, most_bytes: int = MOST_FRAME_BYTES) -> None:
        if most_bytes < 1:
            raise ValueError(f"a frame of at most {most_bytes} bytes holds nothing; 1 or more is needed")
        self._most = most_bytes
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | BadFrame]:
        """Take the next bytes and give the frames that they complete, without their line ends.

        Args:
            data: Any number of bytes.
        """
        if not data:
            return []
        whole = self._rest + data
        lines = whole.splitlines()
        rest = b"" if whole.endswith(_ENDS) else lines.pop()
        if self._skipping:
            if not lines:
                return []
            del lines[0]
            self._skipping = False
        frames: list[bytes | BadFrame] = [
            line if len(line) <= self._most else self._too_long(line) for line in lines if line
        ]
        if len(rest) > self._most:
            frames.append(self._too_long(rest))
            self._skipping = True
            rest = b""
        self._rest = rest
        return frames

    def resync(self) -> None:
        """Drop the line under way and the bytes up to the next line end: some in between were lost."""
        self._rest = b""
        self._skipping = True

    def _too_long(self, line: bytes) -> BadFrame:
        return BadFrame(line[:MOST_KEPT_BYTES], f"no end of line within {self._most} bytes")
