"""What a gauge says of itself when a link to it opens, as Bluetooth gauges do."""

from __future__ import annotations

from dataclasses import dataclass

from capture.profiles import Profile

LOW_BATTERY = 15
"""A battery at or below this is called low, percent."""


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """Who the gauge is; what it does not say is empty or None.

    Attributes:
        name: What it is called.
        maker: Who made it.
        model: Which model.
        serial_number: Its own number.
        firmware: Revision of its program.
        battery_percent: Charge, 0 to 100.
    """

    name: str = ""
    maker: str = ""
    model: str = ""
    serial_number: str = ""
    firmware: str = ""
    battery_percent: int | None = None

    def __str__(self) -> str:
        labelled = (
            ("", self.maker),
            ("model ", self.model),
            ("serial number ", self.serial_number),
            ("firmware ", self.firmware),
        )
        parts = [f"gauge {self.name}" if self.name else "gauge"]
        parts += [label + text for label, text in labelled if text]
        if self.battery_percent is not None:
            low = " (low: charge or change it soon)" if self.battery_percent <= LOW_BATTERY else ""
            parts.append(f"battery {self.battery_percent} %{low}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Described:
    """The gauge said what it is, and perhaps how its numbers are to be read.

    It comes once, ahead of the first bytes of a link.

    Attributes:
        facts: Who it is.
        profile: How to read what comes, whatever profile was chosen; None if the gauge leaves that open.
        at: Monotonic seconds.
    """

    facts: GaugeFacts
    profile: Profile | None
    at: float

    def __str__(self) -> str:
        if self.profile is None:
            return str(self.facts)
        return f"{self.facts}; it says itself how to read it: {self.profile.title}"
