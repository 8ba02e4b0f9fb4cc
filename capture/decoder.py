"""From chunks to readings: one decoder for each gauge, pure, the same events however the bytes are cut."""

from __future__ import annotations

import re

from calc.units import Unit
from capture.described import Described
from capture.flags import Flag
from capture.framing import MOST_KEPT_BYTES, BadFrame
from capture.packets import may_lack_beginning
from capture.profiles import Profile, shown
from capture.readings import (
    Chunk,
    Garbled,
    Hold,
    LowBattery,
    Overrun,
    Reading,
    UnitChanged,
    UnitMissing,
)

Decoded = Reading | Garbled | UnitMissing | UnitChanged | Hold | LowBattery | Overrun | Described

LEAST_BYTES = 64
"""With this many bytes and no number among them, something is set wrong."""

LEAST_SECONDS = 2.0
"""So is it when bytes have been coming for this long without a number."""

_SAMPLE_BYTES = 512

_BAUDS = "4800, 9600, 19200, 38400, 57600 or 115200"

_DIGIT = re.compile(r"[0-9]")


class Decoder:
    r"""Turns chunks into readings and into named events for everything that is no reading.

    >>> from calc.units import Unit
    >>> from capture.profiles import LINE
    >>> [event.value for event in Decoder(LINE, Unit.MM).feed(Chunk(b"+0.123\r\n+0.124\r\n", at=1.0))]
    [Decimal('0.123'), Decimal('0.124')]

    Attributes:
        good: How many readings came.
        garbled: How many frames were garbled.
        unit_missing: How many numbers could not be used for want of a unit; only the first makes an event.
        held: How many numbers were marked as held; they are no readings, and only a change makes an event.

    Args:
        profile: How the gauge speaks.
        default_unit: Unit of numbers that do not say theirs; None to use the profile's, if it has one.
        joined_midway: The link may have been joined in the middle of a line, as every live one is. The first
            line is then held until the second has come, and is garbled if it looks like the second with its
            beginning cut off.
    """

    def __init__(
        self, profile: Profile, default_unit: Unit | None = None, *, joined_midway: bool = False
    ) -> None:
        self.good = 0
        self.garbled = 0
        self.unit_missing = 0
        self.held = 0
        self.profile = profile
        self.default_unit = default_unit or profile.gauge.unit
        self._framer = profile.framing.framer()
        self._joining = (
            joined_midway and profile.sends == "stream" and may_lack_beginning(profile.framing)
        )  # what is sent when asked, or by a button, comes whole
        self._flags: frozenset[Flag] = frozenset()
        self._held: tuple[bytes, float] | None = None
        self._unit: Unit | None = None
        self._said_unit = default_unit
        self._in_packets = False
        self._bytes = 0
        self._sample = b""
        self._first_at = 0.0
        self._last_at = 0.0

    def feed(self, chunk: Chunk | Overrun | Described) -> list[Decoded]:
        """Take what came off the link and give the events it completes, in order.

        Args:
            chunk: Bytes; or an overrun, after which the line under way is dropped, as a part may be missing;
                or what the gauge says of itself, after which its bytes are read as it says.
        """
        if isinstance(chunk, Described):
            self._in_packets = True
            if chunk.profile is not None:
                self._follow(chunk.profile)
            return [chunk]
        if isinstance(chunk, Overrun):
            self._framer.resync()
            return [chunk]
        if len(self._sample) < _SAMPLE_BYTES:
            self._keep_sample(chunk)
        self._bytes += len(chunk.data)
        self._last_at = chunk.at
        frames = self._framer.feed(chunk.data)
        if self._joining and frames:
            return self._join(frames, chunk.at)
        return self._decode(frames, chunk.at)

    def _follow(self, profile: Profile) -> None:
        """Read what comes from now on by another profile."""
        self.profile = profile
        self.default_unit = self._said_unit or profile.gauge.unit
        self._framer = profile.framing.framer()
        self._joining, self._held = False, None

    def looks_wrong(self, at: float | None = None) -> str | None:
        """Say what seems to be set wrong when bytes come but no number; None while all may be well.

        Args:
            at: Monotonic seconds now; None for the last arrival.
        """
        if self.good or self.unit_missing or self.held or not self._bytes or self._held is not None:
            return None
        seconds = (self._last_at if at is None else at) - self._first_at
        if self._bytes < LEAST_BYTES and seconds < LEAST_SECONDS:
            return None
        return f"{self._bytes} bytes came but no number: {self._suspicion()}"

    def _decode(self, frames: list[bytes | BadFrame], at: float) -> list[Decoded]:
        parse, default_unit, last_unit = self.profile.parse, self.default_unit, self._unit
        read_flags = self.profile.read_flags
        events: list[Decoded] = []
        for frame in frames:
            if isinstance(frame, BadFrame):
                self.garbled += 1
                events.append(Garbled(frame.data, frame.why, at))
                continue
            number = parse(frame)
            if isinstance(number, str):
                self.garbled += 1
                events.append(Garbled(frame[:MOST_KEPT_BYTES], number, at))
                continue
            if read_flags is not None:
                held = self._flagged(read_flags(frame), at, events)
                if held:
                    self.held += 1
                    continue
            value, said = number
            unit = said or default_unit
            if unit is None:
                self.unit_missing += 1
                if self.unit_missing == 1:
                    events.append(UnitMissing(shown(frame), at))
                continue
            if unit is not last_unit:
                if last_unit is not None:
                    events.append(UnitChanged(last_unit, unit, at))
                self._unit = last_unit = unit
            self.good += 1
            events.append(Reading(value, unit, at))
        return events

    def _flagged(self, flags: frozenset[Flag], at: float, events: list[Decoded]) -> bool:
        """Tell of flags that changed; whether the number is a held one."""
        changed, held = flags ^ self._flags, Flag.HOLD in flags
        if Flag.HOLD in changed:
            events.append(Hold(held, at))
        if Flag.LOW_BATTERY in changed - self._flags:
            events.append(LowBattery(at))
        self._flags = flags | (self._flags & {Flag.LOW_BATTERY})  # a battery is told of once
        return held

    def _join(self, frames: list[bytes | BadFrame], at: float) -> list[Decoded]:
        events: list[Decoded] = []
        if self._held is None and not isinstance(frames[0], BadFrame):
            self._held = (frames[0], at)
            frames = frames[1:]
            if not frames:
                return []
        self._joining = False
        if self._held is not None:
            first, first_at = self._held
            self._held = None
            second = frames[0]
            if isinstance(second, bytes) and _is_tail(first, second):
                self.garbled += 1
                events.append(Garbled(first[:MOST_KEPT_BYTES], "its beginning is cut off", first_at))
            else:
                events += self._decode([first], first_at)
        return events + self._decode(frames, at)

    def _keep_sample(self, chunk: Chunk) -> None:
        if not self._bytes:
            self._first_at = chunk.at
        self._sample = (self._sample + chunk.data)[:_SAMPLE_BYTES]

    def _suspicion(self) -> str:
        sample = self._sample
        if _is_text(sample):
            line = next((piece for piece in sample.splitlines() if piece.strip()), b"")
            return (
                f'the gauge sends text such as "{shown(line)}", which the profile "{self.profile.name}" does '
                "not read. Try another --profile, or write a profile file (docs/gauges.md)"
            )
        if self._in_packets:
            return (
                f'the profile "{self.profile.name}" does not read its packets. Try another --profile, '
                "another ?characteristic= in the link, or ?presentation=off if it describes itself wrongly"
            )
        seven_bits = bytes(byte & 0x7F for byte in sample).splitlines()[:-1]
        if any(not isinstance(self.profile.parse(line), str) for line in seven_bits):
            return (
                "with 7 data bits and parity they would be numbers. "
                "Try ?bytesize=7&parity=even (or odd) in the link"
            )
        return f"wrong baud rate? Try ?baud={_BAUDS} in the link, as the gauge is set"


def _is_tail(first: bytes, second: bytes) -> bool:
    """Tell whether ``first`` has the shape of ``second`` with its beginning missing."""
    return len(first) < len(second) and _shape(second).endswith(_shape(first))


def _shape(frame: bytes) -> str:
    return _DIGIT.sub("0", frame.decode("latin-1"))


def _is_text(sample: bytes) -> bool:
    """Tell whether nearly all of it is printable ASCII, line ends or tabs, and has a digit."""
    good = sum(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in sample)
    return good >= 0.95 * len(sample) and any(byte in b"0123456789" for byte in sample)
