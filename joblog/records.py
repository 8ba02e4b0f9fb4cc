"""A measurement as it is kept: what was asked, what came out, and everything needed to work it out again."""

from __future__ import annotations

import json
import uuid
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any, Literal, get_args

from calc.alignment import Geometry
from calc.units import Unit
from capture.readings import Gauge, Trace
from joblog.errors import RecordError

Corner = Literal["LF", "RF", "LR", "RR"]
Stage = Literal["as-found", "trial", "as-left"]
State = Literal["measured", "refused", "unfinished"]

CORNERS: tuple[Corner, ...] = get_args(Corner)
STAGES: tuple[Stage, ...] = get_args(Stage)
STATES: tuple[State, ...] = get_args(State)

_AS_THEY_ARE = (
    "id", "at", "corner", "stage", "state", "verdict", "p_within", "hub_title", "hub_text", "least_mm",
    "most_mm", "fitted_mm", "vehicle", "job", "link", "profile", "version", "gauge_name", "gauge_note",
    "origin",
)  # fmt: skip

Row = dict[str, str | int | float | None]


def new_id() -> str:
    """A fresh measurement id, a random UUID."""
    return str(uuid.uuid4())


def utc_text(moment: datetime) -> str:
    """A moment as the log writes it: ISO 8601, UTC, to the millisecond.

    Args:
        moment: With its time zone.

    Raises:
        RecordError: If it has no time zone.

    >>> from datetime import timedelta, timezone
    >>> utc_text(datetime(2026, 3, 2, 9, 30, 5, 250_000, tzinfo=timezone(timedelta(hours=1))))
    '2026-03-02T08:30:05.250Z'
    """
    if moment.utcoffset() is None:
        raise RecordError(
            "at", f"{moment.isoformat()} has no time zone: give it in UTC, for example datetime.now(UTC)"
        )
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def utc_now() -> str:
    """The time now, as the log writes it."""
    return utc_text(datetime.now(UTC))


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measurement at one corner. It is written once and never changed.

    Attributes:
        id: UUID, lower case.
        at: When it ended, ISO 8601; any offset is accepted and kept as UTC to the millisecond.
        corner: LF, RF, LR or RR.
        stage: as-found, trial or as-left.
        state: measured; refused, with the reasons in ``analysis``; or unfinished (link lost, stopped).
        analysis: What the analysis of the trace gave, as ``shimwright analyse --json`` prints it.
        verdict: within, loose or tight; None unless measured.
        p_within: Probability that the end play is within limits, 0 to 1; None unless measured.
        hub_title: Title of the hub file.
        hub_text: The hub file as it was, whole.
        unit: The hub file's unit, in which people see the lengths.
        least_mm: Lower limit of end play, millimetres.
        most_mm: Upper limit, millimetres.
        fitted_mm: Thickness of the shim that was in the hub, millimetres; None when not given.
        shim: The shim worked out, as ``shimwright shim --json`` prints it; None without one.
        vehicle: Which vehicle, free text.
        job: Which job, free text.
        gauge_name: What the shop calls the gauge, such as its serial number; None when not given.
        gauge_note: What was known against the gauge when it measured (its last check failed, or is too old);
            None when nothing was.
        notes: What else the analysis had to say, one sentence each (a slip taken out, a coarse resolution).
        origin: None where the readings came from a gauge as they were made; else where the trace was brought
            from, such as the name of a file.
        link: URL that the readings came over.
        profile: Name of the gauge profile.
        gauge: What was known of the gauge; the analysis depends on it.
        simulated: True if no real hub was measured.
        version: Version of the program that measured.
        trace: Every reading, exactly; may be empty if unfinished.

    Raises:
        RecordError: If a part is not as said above.
    """

    id: str
    at: str
    corner: str
    stage: str
    state: str
    analysis: dict[str, Any]
    hub_title: str
    hub_text: str
    unit: Unit
    least_mm: float
    most_mm: float
    link: str
    profile: str
    gauge: Gauge
    simulated: bool
    version: str
    trace: Trace
    verdict: str | None = None
    p_within: float | None = None
    fitted_mm: float | None = None
    shim: dict[str, Any] | None = None
    vehicle: str | None = None
    job: str | None = None
    gauge_name: str | None = None
    gauge_note: str | None = None
    notes: tuple[str, ...] = ()
    origin: str | None = None

    def __post_init__(self) -> None:
        _one_of("corner", self.corner, CORNERS)
        _one_of("stage", self.stage, STAGES)
        _one_of("state", self.state, STATES)
        try:
            regular = str(uuid.UUID(self.id)) == self.id
        except ValueError:
            regular = False
        if not regular:
            raise RecordError("id", f"{self.id!r} is not a UUID in its usual form: make one with new_id()")
        try:
            moment = datetime.fromisoformat(self.at)
        except ValueError:
            raise RecordError("at", f"{self.at!r} is not an ISO 8601 time: make one with utc_now()") from None
        object.__setattr__(self, "at", utc_text(moment))

    def measure_object(self) -> dict[str, Any]:
        """The measurement as ``shimwright measure --json`` prints it and as it is published.

        Keys and order: those of the analysis, then the measurement's own; ``shim``, ``gauge_note``, ``notes``
        and ``origin`` only when there is one, and ``simulated`` only when it is true.
        """
        own: dict[str, Any] = {
            "measurement_id": self.id,
            "at": self.at,
            "corner": self.corner,
            "stage": self.stage,
            "verdict": self.verdict,
            "p_within": self.p_within,
        }
        if self.shim is not None:
            own["shim"] = self.shim
        if self.gauge_note is not None:
            own["gauge_note"] = self.gauge_note
        if self.notes:
            own["notes"] = list(self.notes)
        if self.origin is not None:
            own["origin"] = self.origin
        if self.simulated:
            own["simulated"] = True
        return self.analysis | own


def to_row(measurement: Measurement) -> Row:
    """The measurement as a row of the table ``measurement``; the trace is kept apart from it.

    Raises:
        RecordError: If the analysis or the shim holds something that JSON cannot (also not-a-number).
    """
    m = measurement
    return {
        "id": m.id,
        "at": m.at,
        "corner": m.corner,
        "stage": m.stage,
        "state": m.state,
        "verdict": m.verdict,
        "p_within": m.p_within,
        "end_play_mm": m.analysis.get("end_play_mm"),
        "u_mm": m.analysis.get("u_mm"),
        "expanded_mm": m.analysis.get("expanded_mm"),
        "hub_title": m.hub_title,
        "hub_text": m.hub_text,
        "unit": m.unit.value,
        "least_mm": m.least_mm,
        "most_mm": m.most_mm,
        "fitted_mm": m.fitted_mm,
        "shim": None if m.shim is None else _json("shim", m.shim),
        "vehicle": m.vehicle,
        "job": m.job,
        "link": m.link,
        "profile": m.profile,
        "gauge": _json("gauge", asdict(m.gauge)),
        "simulated": int(m.simulated),
        "version": m.version,
        "gauge_name": m.gauge_name,
        "gauge_note": m.gauge_note,
        "notes": _json("notes", list(m.notes)) if m.notes else None,
        "origin": m.origin,
        "analysis": _json("analysis", m.analysis),
    }


def from_row(row: dict[str, Any], trace: Trace) -> Measurement:
    """The measurement that ``to_row`` made a row of.

    Args:
        row: Column names and values; columns that are no part of a measurement are passed over.
        trace: Its trace.
    """
    gauge = json.loads(row["gauge"])
    if gauge.get("unit") is not None:
        gauge["unit"] = Unit(gauge["unit"])
    if "geometry" in gauge:
        gauge["geometry"] = Geometry(gauge["geometry"])
    return Measurement(
        **{name: row[name] for name in _AS_THEY_ARE},
        unit=Unit(row["unit"]),
        analysis=json.loads(row["analysis"]),
        shim=None if row["shim"] is None else json.loads(row["shim"]),
        gauge=Gauge(**gauge),
        simulated=bool(row["simulated"]),
        notes=() if row["notes"] is None else tuple(json.loads(row["notes"])),
        trace=trace,
    )


def _json(field: str, value: dict[str, Any] | list[str]) -> str:
    """Compact JSON; floats are written so that they come back to the last digit."""
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise RecordError(field, f"cannot be stored as JSON ({error})") from error


def _one_of(field: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise RecordError(field, f"{value!r} is not known: use one of {', '.join(allowed)}")
