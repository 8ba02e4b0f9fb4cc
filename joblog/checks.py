"""Checks of gauges against a block of known size: what the log keeps of them, and how a gauge stands by them.

Only the standard library and ``calc`` are needed here, so that a listing comes at once.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from calc.units import Unit, format_length
from joblog.errors import LogMissing, RecordError
from joblog.reader import reading

Outcome = Literal["pass", "fail", "undecided"]

_AS_THEY_ARE = (
    "id", "at", "block_mm", "block_u_mm", "repeats", "error_mm", "u_mm", "expanded_mm", "repeatability_mm",
    "permissible_error_mm", "outcome", "p_within", "version",
)  # fmt: skip

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class GaugeIdentity:
    """Which gauge it is: by the shop's own name for it, else by the place where it is plugged in.

    Attributes:
        link: URL that its readings come over.
        profile: Name of its profile.
        name: What the shop calls it, such as its serial number. With a name it is the same gauge on any port.
    """

    link: str
    profile: str
    name: str | None = None

    @property
    def place(self) -> str:
        """The link without its options: another baud rate is no other gauge.

        >>> GaugeIdentity("serial:/dev/ttyUSB0?baud=9600", "line").place
        'serial:/dev/ttyUSB0'
        """
        return self.link.partition("?")[0]

    def __str__(self) -> str:
        return self.name or f"{self.place}, profile {self.profile}"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeCheck:
    """One check of a gauge against a block. It is written once and never changed.

    Attributes:
        id: UUID.
        at: When it ended, UTC, ISO 8601, as ``records.utc_now`` writes it.
        gauge: Which gauge.
        unit: Unit that people saw.
        block_mm: Size of the block, millimetres.
        block_u_mm: Its standard uncertainty, millimetres; None when not stated.
        repeats: How many times the block was read.
        error_mm: Mean of what the gauge showed less the block's size, millimetres.
        u_mm: Standard uncertainty of that mean, millimetres.
        expanded_mm: Half width of its 95 % interval, millimetres.
        repeatability_mm: Standard deviation of one repeat, millimetres.
        permissible_error_mm: What the error was held against (plus or minus), millimetres; None without one.
        outcome: pass, fail or undecided (too near to tell); None without a permissible error.
        p_within: Probability that the error is permissible, 0 to 1; None without a permissible error.
        simulated: True if the readings were made up.
        version: Version of the program that checked.
        found: The whole result as ``shimwright gauge verify --json`` prints it: rests, errors, budget.
    """

    id: str
    at: str
    gauge: GaugeIdentity
    unit: Unit
    block_mm: float
    block_u_mm: float | None
    repeats: int
    error_mm: float
    u_mm: float
    expanded_mm: float
    repeatability_mm: float
    permissible_error_mm: float | None
    outcome: Outcome | None
    p_within: float | None
    simulated: bool
    version: str
    found: dict[str, Any]


def check_row(check: GaugeCheck) -> dict[str, str | int | float | None]:
    """The check as a row of the table ``gauge_check``.

    Raises:
        RecordError: If what was found cannot be written as JSON.
    """
    try:
        found = json.dumps(check.found, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise RecordError("found", f"cannot be stored as JSON ({error})") from error
    return {name: getattr(check, name) for name in _AS_THEY_ARE} | {
        "place": check.gauge.place,
        "link": check.gauge.link,
        "profile": check.gauge.profile,
        "gauge_name": check.gauge.name,
        "unit": check.unit.value,
        "simulated": int(check.simulated),
        "found": found,
    }


def list_checks(path: Path, gauge: GaugeIdentity | None = None) -> list[GaugeCheck]:
    """The checks in the log, oldest first.

    Args:
        path: The log.
        gauge: Only of this gauge.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    which, values = _which(gauge)
    with reading(path) as log:
        if log is None:
            return []
        cursor = log.execute(f"SELECT * FROM gauge_check WHERE {which} ORDER BY seq", values)  # noqa: S608  (ours)
        names = [column[0] for column in cursor.description]
        return [_from_row(dict(zip(names, row, strict=True))) for row in cursor]


def standing_of(path: Path, gauge: GaugeIdentity, now: datetime, days: float | None = None) -> str | None:
    """What a person should know of a gauge before its readings are relied on; None if nothing.

    Args:
        path: The log; it need not exist.
        gauge: Which gauge.
        now: With its time zone.
        days: How old its last check may be, days, above 0; None for any age, and for none at all.

    Raises:
        LogFileError: If there is a log and it cannot be read.
    """
    try:
        checks = list_checks(path, gauge)
    except LogMissing:
        checks = []
    if not checks:
        if days is None:
            return None
        return (
            f"this gauge ({gauge}) was never checked, and a check every {days:g} days is asked for: "
            "see shimwright gauge verify"
        )
    last = checks[-1]
    told = []
    if last.outcome == "fail":
        told.append(f"this gauge ({gauge}) failed its last check, {last.at[:10]}: {_result(last)}")
    elif last.outcome == "undecided":
        told.append(
            f"the last check of this gauge ({gauge}), {last.at[:10]}, was too near to tell: {_result(last)}"
        )
    age = (now - datetime.fromisoformat(last.at)).total_seconds() / _DAY_S
    if days is not None and age > days:
        told.append(
            f"this gauge ({gauge}) was last checked {age:.0f} days ago, {last.at[:10]}; {days:g} days are "
            "allowed: check it with shimwright gauge verify"
        )
    return "; ".join(told) or None


def _result(check: GaugeCheck) -> str:
    fine_mm = 1e-4 if check.unit is Unit.MM else 25.4e-5
    error = format_length(check.error_mm, check.unit, fine_mm)
    sign = "" if error.startswith("-") else "+"
    allowed = format_length(check.permissible_error_mm or 0.0, check.unit, fine_mm)
    block = format_length(check.block_mm, check.unit)
    return f"error {sign}{error} on a block of {block}, ± {allowed} permissible"


def _which(gauge: GaugeIdentity | None) -> tuple[str, tuple[str, ...]]:
    if gauge is None:
        return "TRUE", ()
    if gauge.name is not None:
        return "gauge_name = ?", (gauge.name,)
    return "place = ? AND profile = ?", (gauge.place, gauge.profile)


def _from_row(row: dict[str, Any]) -> GaugeCheck:
    return GaugeCheck(
        **{name: row[name] for name in _AS_THEY_ARE},
        gauge=GaugeIdentity(row["link"], row["profile"], row["gauge_name"]),
        unit=Unit(row["unit"]),
        simulated=bool(row["simulated"]),
        found=json.loads(row["found"]),
    )
