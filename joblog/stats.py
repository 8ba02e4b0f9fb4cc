"""What a log holds, counted."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from joblog.selection import current_log

_MOST_REASONS = 5

_GAUGES = """
    WITH used AS (
        SELECT gauge_name AS name, profile, count(*) AS measurements,
            CASE instr(link, '?') WHEN 0 THEN link ELSE substr(link, 1, instr(link, '?') - 1) END AS place
        FROM measurement GROUP BY name, CASE WHEN gauge_name IS NULL THEN place END,
            CASE WHEN gauge_name IS NULL THEN profile END
    )
    SELECT u.name, u.place, u.profile, u.measurements, c.at, c.outcome
    FROM used u LEFT JOIN gauge_check c ON c.seq = (
        SELECT max(seq) FROM gauge_check k WHERE CASE WHEN u.name IS NULL
            THEN k.place = u.place AND k.profile = u.profile ELSE k.gauge_name = u.name END
    ) ORDER BY u.measurements DESC, u.name, u.place, u.profile
"""


class GaugeUse(NamedTuple):
    """A gauge that measured.

    Attributes:
        name: What the shop calls it; None if it is known by its place.
        place: Its link without options; of a named gauge, one of those that it was at.
        profile: Name of its profile; likewise.
        measurements: How many it made.
        checked_at: When it was last checked, UTC; None if never.
        outcome: What came of that: pass, fail or undecided; None without one.
    """

    name: str | None
    place: str
    profile: str
    measurements: int
    checked_at: str | None
    outcome: str | None


class Reason(NamedTuple):
    """Why measurements were refused.

    Attributes:
        code: The reason's code.
        measurements: How many have it as their main reason.
    """

    code: str
    measurements: int


class Stats(NamedTuple):
    """What a log holds.

    Attributes:
        measurements: How many.
        simulated: How many of them measured no real hub.
        by_corner: How many, by corner; likewise by stage, state and verdict, each only where there are any.
        by_stage: See ``by_corner``.
        by_state: See ``by_corner``.
        by_verdict: See ``by_corner``.
        refused_share: Share of the refused among the measured and the refused, 0 to 1; None without any.
        reasons: The commonest main reasons of refusal, the commonest first.
        oldest: When the first measurement ended, UTC; None without one.
        newest: When the last one ended.
        gauges: Those that measured, the most used first.
        gauge_checks: How many checks of gauges.
        jobs: How many job cards; likewise reviews, studies, moves of stock.
        reviews: See ``jobs``.
        studies: See ``jobs``.
        stock_moves: See ``jobs``.
        unsent: How many measurements wait to be published.
        size: Bytes of the file and of what stands beside it.
        trace_bytes: How many of them are traces.
        readings: How many readings the traces have.
    """

    measurements: int
    simulated: int
    by_corner: dict[str, int]
    by_stage: dict[str, int]
    by_state: dict[str, int]
    by_verdict: dict[str, int]
    refused_share: float | None
    reasons: tuple[Reason, ...]
    oldest: str | None
    newest: str | None
    gauges: tuple[GaugeUse, ...]
    gauge_checks: int
    jobs: int
    reviews: int
    studies: int
    stock_moves: int
    unsent: int
    size: int
    trace_bytes: int
    readings: int


def stats_of(path: Path) -> Stats:
    """Count what a log holds; it is only read.

    Raises:
        LogFileError: If it cannot be read.
    """
    with current_log(path) as log:
        number = _numbers(log)
        states = _by(log, "state")
        decided = states.get("measured", 0) + states.get("refused", 0)
        oldest, newest = log.execute("SELECT min(at), max(at) FROM measurement").fetchone()
        return Stats(
            measurements=number("measurement"),
            simulated=number("measurement WHERE simulated"),
            by_corner=_by(log, "corner"),
            by_stage=_by(log, "stage"),
            by_state=states,
            by_verdict=_by(log, "verdict"),
            refused_share=states.get("refused", 0) / decided if decided else None,
            reasons=tuple(_reasons(log)),
            oldest=oldest,
            newest=newest,
            gauges=tuple(GaugeUse(*row) for row in log.execute(_GAUGES)),
            gauge_checks=number("gauge_check"),
            jobs=number("job"),
            reviews=number("review"),
            studies=number("study"),
            stock_moves=number("stock_move"),
            unsent=number("outbox WHERE sent_at IS NULL"),
            size=_size(path),
            trace_bytes=number("trace", "coalesce(sum(length(data)), 0)"),
            readings=number("trace", "coalesce(sum(readings), 0)"),
        )


def _numbers(log: sqlite3.Connection) -> Callable[..., int]:
    def number(rows: str, what: str = "count(*)") -> int:
        return int(log.execute(f"SELECT {what} FROM {rows}").fetchone()[0])  # noqa: S608  (our text)

    return number


def _by(log: sqlite3.Connection, column: str) -> dict[str, int]:
    query = (
        f"SELECT {column}, count(*) FROM measurement WHERE {column} IS NOT NULL GROUP BY 1 ORDER BY 2 DESC, 1"  # noqa: S608
    )
    return dict(log.execute(query).fetchall())


def _reasons(log: sqlite3.Connection) -> list[Reason]:
    rows = log.execute(
        "SELECT json_extract(analysis, '$.reasons[0].code') AS code, count(*) FROM measurement "
        "WHERE state = 'refused' AND code IS NOT NULL GROUP BY code ORDER BY 2 DESC, code LIMIT ?",
        (_MOST_REASONS,),
    )
    return [Reason(*row) for row in rows]


def _size(path: Path) -> int:
    beside = (path.with_name(path.name + ending) for ending in ("", "-wal"))
    return sum(file.stat().st_size for file in beside if file.exists())
