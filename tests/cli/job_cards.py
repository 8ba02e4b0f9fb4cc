"""Job cards for the tests of sheets and histories: real entries and simulated measurements in a real log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from calc.hub import parse_hub
from capture.readings import Gauge
from joblog.jobs import EntryKind, JobEntry, add_entries, open_job
from joblog.records import Measurement, new_id, utc_text
from joblog.store import Store
from tests.cli.conftest import HERON_REAR
from tests.cli.looking_back import simulated

INCH_REAR = """\
title = "Heron GT rear hub, pressed spindle (inch shims)"
unit = "in"
[end_play]
least = 0.001
most = 0.008
[shim]
effect = "opens"
sizes = { from = 0.094, to = 0.148, step = 0.002 }
aim = "tightest"
[nut]
torque = "100 lb·ft"
line_up = "tighten"
"""

_SEEDS = count(1)


@dataclass
class Writer:
    """Writes a job, entry by entry, one minute apart.

    Attributes:
        store: The open log.
        at: When the next entry is written.
        who: Who writes.
    """

    store: Store
    at: datetime
    who: str | None = "Ada Larkfield"
    job_id: str = ""
    vehicle: str = ""

    def open(
        self,
        corners: Sequence[str] = ("LR", "RR"),
        *,
        vehicle: str = "Heron GT",
        registration: str | None = "LG 1234",
        odometer: float | None = 123_456,
        unit: str = "km",
        hub_text: str = HERON_REAR,
    ) -> str:
        """Open a job; its id."""
        self.job_id, self.vehicle = new_id(), vehicle
        car = {"vehicle": vehicle, "registration": registration, "odometer": odometer, "odometer_unit": unit}
        entries = [self.entry(EntryKind.CAR, None, {k: v for k, v in car.items() if v is not None})]
        title = parse_hub(hub_text, "hub.toml").title
        for corner in corners:
            hub = {"hub_title": title, "hub_text": hub_text, "hub_path": "hub.toml", "variant": None}
            entries.append(self.entry(EntryKind.CORNER, corner, hub))
        open_job(self.store, "0.1.0", entries)
        self.hub_text = hub_text
        return self.job_id

    def entry(self, kind: EntryKind, corner: str | None, data: dict[str, Any], **more: Any) -> JobEntry:
        """A new entry, not written yet."""
        self.at += timedelta(minutes=1)
        return JobEntry(new_id(), self.job_id, utc_text(self.at), self.who, kind, corner, data, **more)

    def add(
        self, kind: EntryKind, corner: str | None, data: dict[str, Any] | None = None, **more: Any
    ) -> JobEntry:
        """Write an entry."""
        entry = self.entry(kind, corner, data or {}, **more)
        add_entries(self.store, [entry])
        return entry

    def measure(self, corner: str, stage: str, end_play_mm: float, **changes: Any) -> Measurement:
        """Record a simulated measurement and its entry."""
        self.at += timedelta(minutes=1)
        hub = parse_hub(self.hub_text, "hub.toml")
        m = simulated(end_play_mm, next(_SEEDS), Gauge(), **changes)
        verdict = str(hub.limits.verdict(m.analysis["end_play_mm"])) if m.verdict else None
        m = replace(
            m, id=new_id(), at=utc_text(self.at), corner=corner, stage=stage, job=self.job_id,
            vehicle=self.vehicle, hub_title=hub.title, hub_text=self.hub_text, unit=hub.unit,
            least_mm=hub.limits.least_mm, most_mm=hub.limits.most_mm, verdict=verdict,
        )  # fmt: skip
        self.store.add(m)
        self.add(EntryKind.MEASURED, corner, {"stage": stage}, measurement_id=m.id)
        return m

    def rework(
        self, corner: str, before_mm: float, after_mm: float, out_mm: float = 3.20, in_mm: float = 2.95
    ) -> None:
        """A whole corner: loose, taken apart, other shim, as left."""
        self.measure(corner, "as-found", before_mm)
        self.add(EntryKind.TORN_DOWN, corner)
        for name, action in (("outer bearing", "renewed"), ("outer seal", "renewed"), ("spacer", "kept")):
            finding = "pitted race" if name == "outer bearing" else ""
            self.add(EntryKind.PART, corner, {"name": name, "finding": finding, "action": action, "with": []})
        self.add(EntryKind.FITTED, corner, {"thicknesses_mm": [out_mm], "trial": False})
        chosen = {
            "thicknesses_mm": [in_mm],
            "zero_mm": out_mm - before_mm,
            "expected_mm": in_mm - out_mm + before_mm,
            "u_mm": 0.004,
            "p_within": 0.998,
            "why": "next size from the zero shim that leaves end play",
            "aim": "tightest",
        }
        self.add(EntryKind.CHOSEN, corner, chosen)
        done = {
            "thicknesses_mm": [in_mm], "torque_nm": 135.0, "torque_text": "135 N·m (100 lb·ft)",
            "lined_up": "tightened on by 12 degrees", "new_pin": True,
        }  # fmt: skip
        self.add(EntryKind.REASSEMBLED, corner, done)
        self.measure(corner, "as-left", after_mm)

    def close(self) -> None:
        """Close the job."""
        self.add(EntryKind.CLOSED, None, {})


def two_corners(path: Path, **opened: Any) -> str:
    """A finished job at both rear corners, with a correction and notes; its id."""
    with Store.open(path) as store:
        job = Writer(store, datetime.fromisoformat("2026-03-02T08:30:00+00:00"))
        job.open(**opened)
        job.rework("LR", 0.312, 0.062)
        wrong = job.add(EntryKind.NOTE, "LR", {"text": "Brake pipe rubs on the arm"})
        job.add(EntryKind.NOTE, "LR", {"text": "Brake hose rubs on the arm"}, corrects=wrong.id)
        job.rework("RR", 0.262, 0.112, 3.15, 3.00)
        job.close()
        return job.job_id
