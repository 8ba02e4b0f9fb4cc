"""Gauge profiles: how a frame becomes a number, and the table of those built in.

A profile joins three things: the settings of its line, its framing, and its format. A format turns one frame
into a number or says why it cannot; text formats stand in ``line.py`` and ``text_format.py``, packed ones in
``packed_format.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from calc.units import Unit
from capture.flags import Flag, ReadFlags
from capture.framing import MOST_KEPT_BYTES, BadFrame
from capture.line import Number, parse_line
from capture.packets import Framing, LineFraming, finish_of, one_alone
from capture.readings import Garbled, Gauge, Reading, UnitMissing

__all__ = [
    "BUILT_IN",
    "LINE",
    "Example",
    "Framing",
    "LineFraming",
    "Parse",
    "Profile",
    "SerialSettings",
    "shown",
]

Parse = Callable[[bytes], Number | str]
"""Reads one frame: the number and, where the frame says it, its unit; or why it is garbled."""


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """Settings of a serial line; those in a link's URL come before a profile's.

    Attributes:
        baud: Bits per second.
        bytesize: Data bits, 5 to 8.
        parity: none, even, odd, mark or space.
        stopbits: 1, 1.5 or 2.
        rtscts: Hardware handshake by RTS and CTS.
        xonxoff: Software handshake.
        dsrdtr: Hardware handshake by DSR and DTR.
        dtr: Level of DTR; None leaves it to the driver. Some adapters take power from it (common practice).
        rts: Level of RTS; None leaves it to the driver.
        request: What is sent to a gauge that answers when asked; empty where it need not be.
        period_s: How often it is sent, seconds, 0.01 to 60.
    """

    baud: int = 9600
    bytesize: int = 8
    parity: str = "none"
    stopbits: float = 1
    rtscts: bool = False
    xonxoff: bool = False
    dsrdtr: bool = False
    dtr: bool | None = None
    rts: bool | None = None
    request: bytes = b""
    period_s: float = 0.1


@dataclass(frozen=True, slots=True)
class Example:
    """One frame and what it means; the tests and the reader of profile files hold a profile to its examples.

    Attributes:
        frame: The bytes as the gauge sends them, marks and checksum included; of a line, or a frame that has
            an end mark alone, without its end.
        value: The number in the frame's unit; None when the frame is garbled.
        unit: The unit that the frame itself says; None when it says none.
        flags: The flags that it carries.
    """

    frame: bytes
    value: Decimal | None
    unit: Unit | None = None
    flags: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class Profile:
    """How one kind of gauge speaks.

    Attributes:
        name: What ``--profile`` calls it.
        parse: Reads one frame.
        gauge: What is known of the gauge.
        settings: Its serial line.
        framing: How its bytes are cut into frames.
        examples: Frames with their meaning.
        title: One line for a person.
        sends: When the gauge sends: all the time, when it is asked, or when its button is pressed.
        read_flags: Reads the flags of a good frame; None where the format has none.
        source: The file's text; empty for a profile that is code.
    """

    name: str
    parse: Parse
    gauge: Gauge = field(default_factory=Gauge)
    settings: SerialSettings = field(default_factory=SerialSettings)
    framing: Framing = field(default_factory=LineFraming)
    examples: tuple[Example, ...] = field(default=(), repr=False)
    title: str = ""
    sends: Literal["stream", "asked", "button"] = "stream"
    read_flags: ReadFlags | None = None
    source: str = field(default="", repr=False, compare=False)

    def decode(self, frame: bytes, default_unit: Unit | None, at: float) -> Reading | Garbled | UnitMissing:
        """Read one frame.

        Args:
            frame: The bytes as the framing gives them.
            default_unit: Unit of a number that does not say its own; None to use the gauge's.
            at: Arrival time, monotonic seconds.
        """
        number = self.parse(frame)
        if isinstance(number, str):
            return Garbled(frame[:MOST_KEPT_BYTES], number, at)
        value, said = number
        unit = said or default_unit or self.gauge.unit
        if unit is None:
            return UnitMissing(shown(frame), at)
        return Reading(value, unit, at)

    def broken_example(self) -> str | None:
        """Say which example the profile does not read as it should; None when it reads them all."""
        for example in self.examples:
            number, flags = self._read_example(example)
            if isinstance(number, str):
                if example.value is not None:
                    return f'"{shown(example.frame)}" should give {example.value} but is garbled: {number}'
            elif number != (example.value, example.unit):
                value, unit = number
                said = f"{value} {unit or 'without a unit'}"
                return f'"{shown(example.frame)}" gives {said}, not {_meaning(example)}'
            elif flags != example.flags:
                said, meant = (", ".join(sorted(some)) or "no flag" for some in (flags, example.flags))
                return f'"{shown(example.frame)}" gives {said}, not {meant}'
        return None

    def _read_example(self, example: Example) -> tuple[Number | str, frozenset[Flag]]:
        framer, sent = one_alone(self.framing).framer(), example.frame + finish_of(self.framing)
        frames = framer.feed(sent)
        if len(frames) > 1:
            return f"it is cut into {len(frames)} frames", frozenset()
        if not frames:
            return "it is no whole frame", frozenset()
        frame = frames[0]
        if isinstance(frame, BadFrame):
            return frame.why, frozenset()
        if framer.feed(sent) != [frame]:
            return "bytes are left over at its end", frozenset()
        number = self.parse(frame)
        return number, frozenset() if self.read_flags is None else self.read_flags(frame)


def shown(frame: bytes) -> str:
    r"""Give the frame's first 64 bytes as text for a person, unprintable ones as ``\x00``."""
    text = frame[:MOST_KEPT_BYTES].decode("ascii", "backslashreplace")
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def _meaning(example: Example) -> str:
    return "garbled" if example.value is None else f"{example.value} {example.unit or 'without a unit'}"


def _is(frame: bytes, value: str, unit: Unit | None = None) -> Example:
    return Example(frame, Decimal(value), unit)


def _garbled(*frames: bytes) -> tuple[Example, ...]:
    return tuple(Example(frame, None) for frame in frames)


LINE = Profile(
    name="line",
    title="one decimal number a line, sign and unit optional",
    parse=parse_line,
    examples=(
        _is(b"+0.123", "0.123"),
        _is(b"-00.5", "-0.5"),
        _is(b"0,310 mm", "0.310", Unit.MM),
        _is(b"12.34in", "12.34", Unit.INCH),
        _is(b'0.0125"', "0.0125", Unit.INCH),
        _is(b"-0.0125\xe2\x80\xb3", "-0.0125", Unit.INCH),
        _is(b"0.5 INCH", "0.5", Unit.INCH),
        _is(b"  1.000\tMM  ", "1.000", Unit.MM),
        _is(b"-   0.12", "-0.12"),
        _is(b"+  1,5 mm", "1.5", Unit.MM),
        _is(b".5", "0.5"),
        _is(b"5.", "5"),
        _is(b"7", "7"),
        _is(b"D1 +0.123", "0.123"),
        _is(b"1 -0.123", "-0.123"),
        _is(b"CH1: 0.123 mm", "0.123", Unit.MM),
        _is(b"A=12in", "12", Unit.INCH),
        _is(b"02 +123.456", "123.456"),
        _is(b"10000", "10000"),
        _is(b"000000000.123456789", "0.123456789"),
        *_garbled(b"ERR", b"----", b"", b" ", b"+", b".", b"mm", b"NaN", b"-inf"),
        *_garbled(
            b"1.2.3",
            b"1,234.5",
            b"1.234,5",
            b"0x12",
            b"1e-3",
            b"1_000",
            b"--1",
            b"+-1",
            b"1-",
            b"A- 0.5",
            b"D1 - -0.5",
        ),
        *_garbled(b"01A+00123.45", b"0.100 0.200", b"0.123 mm 1", b"0.5 um", b"0.5mm in"),
        *_garbled(b"ERR 5", b"1 234.567", b"D1 - 0.123"),
        *_garbled(b"10000.1", b"-123456.7", b"0.1234567891", b"\x00+0.123", b"+0.1\xb23", b"\x02+0.123\x03"),
    ),
)

BUILT_IN: dict[str, Profile] = {profile.name: profile for profile in (LINE,)}
"""Every profile that is always there, by name."""
