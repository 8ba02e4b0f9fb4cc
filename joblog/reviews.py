"""Reviews: a stored trace that was analysed again, perhaps otherwise, and kept beside its measurement.

The measurement is never changed. A review names its settings, the version that made it and who did it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from joblog.errors import RecordError
from joblog.reader import reading

if TYPE_CHECKING:
    from joblog.store import Store

_AS_THEY_ARE = ("id", "measurement_id", "at", "who", "version", "verdict", "p_within", "why")


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One review of one measurement. It is written once and never changed.

    Attributes:
        id: UUID.
        measurement_id: The measurement's, whole.
        at: When it was made, UTC, ISO 8601, as ``records.utc_now`` writes it.
        version: Version of the program that made it.
        settings: What was set otherwise than in the measurement; empty if nothing was. See
            ``docs/contracts.md``.
        analysis: What came out, as ``shimwright analyse --json`` prints it.
        verdict: within, loose or tight; None if no end play came out.
        p_within: Probability that the end play is within limits, 0 to 1; None if none came out.
        accepted: Whether a person takes it in place of the measurement's own number.
        who: Who made it; None when not said.
        why: The reason, in words; None when not said.
    """

    id: str
    measurement_id: str
    at: str
    version: str
    settings: dict[str, Any]
    analysis: dict[str, Any]
    verdict: str | None = None
    p_within: float | None = None
    accepted: bool = False
    who: str | None = None
    why: str | None = None

    def review_object(self) -> dict[str, Any]:
        """The review as other programs see it: the keys of its analysis, then its own."""
        return self.analysis | {
            "measurement_id": self.measurement_id,
            "settings": self.settings,
            "verdict": self.verdict,
            "p_within": self.p_within,
            "review_id": self.id,
            "at": self.at,
            "who": self.who,
            "version": self.version,
            "accepted": self.accepted,
            "why": self.why,
        }


def add_review(store: Store, review: Review) -> None:
    """Put a review into the log; when this returns it is on the disk.

    Args:
        store: The open log.
        review: The review.

    Raises:
        RecordError: If a part of it cannot be stored, its id is in the log, or its measurement is not.
        LogFileError: If the log cannot be written.
    """
    row = {name: getattr(review, name) for name in _AS_THEY_ARE} | {
        "settings": _json("settings", review.settings),
        "analysis": _json("analysis", review.analysis),
        "end_play_mm": review.analysis.get("end_play_mm"),
        "u_mm": review.analysis.get("u_mm"),
        "expanded_mm": review.analysis.get("expanded_mm"),
        "accepted": int(review.accepted),
    }
    store.add_rows("review", ("review", row))


def list_reviews(path: Path, measurement_id: str | None = None) -> list[Review]:
    """The reviews in the log, oldest first.

    Args:
        path: The log.
        measurement_id: Only of this measurement; its whole id.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    which = "TRUE" if measurement_id is None else "measurement_id = :id"
    with reading(path) as log:
        if log is None:
            return []
        cursor = log.execute(f"SELECT * FROM review WHERE {which} ORDER BY seq", {"id": measurement_id})  # noqa: S608
        names = [column[0] for column in cursor.description]
        return [_from_row(dict(zip(names, row, strict=True))) for row in cursor]


def _from_row(row: dict[str, Any]) -> Review:
    return Review(
        **{name: row[name] for name in _AS_THEY_ARE},
        settings=json.loads(row["settings"]),
        analysis=json.loads(row["analysis"]),
        accepted=bool(row["accepted"]),
    )


def _json(field: str, value: dict[str, Any]) -> str:
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise RecordError(field, f"cannot be stored as JSON ({error})") from error
