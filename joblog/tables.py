"""The tables that can leave a log and come into another, in the order in which they need each other.

Names, types and references are asked of the log itself, so that nothing has to be said twice; what SQLite
cannot tell (that a text is JSON, that a number is yes or no) stands here, held against the schema by a test.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "time", "real", "whole", "flag", "object", "array", "bytes"]
"""``time`` is UTC as text, ``flag`` is 0 or 1, ``object`` and ``array`` are JSON as text."""

PORTABLE = (
    "job", "measurement", "trace", "job_entry", "gauge_check", "review", "study", "study_value", "stock_move",
)  # fmt: skip
"""What a row refers to stands in a table before it, or before it in its own. The outbox stays where it is."""

OBJECTS = frozenset({"shim", "gauge", "analysis", "found", "data", "settings", "plan"})
ARRAYS = frozenset({"notes"})
FLAGS = frozenset({"simulated", "accepted"})
TIMES = frozenset({"at", "opened_at"})
ORDER = "seq"
"""Order of recording in one log; it is made anew where a row arrives."""

_KINDS: dict[str, Kind] = {"TEXT": "text", "REAL": "real", "INTEGER": "whole", "BLOB": "bytes"}

MEANINGS = {
    "accepted": "1 if a person accepted it in place of the measurement's own number",
    "analysis": "the analysis, as shimwright analyse --json prints it",
    "at": "when it happened, UTC",
    "bin": "the kind of shim, as the hub file names it",
    "block_mm": "size of the block, millimetres",
    "block_u_mm": "standard uncertainty of the block's size, millimetres",
    "change": "how many came (above 0) or went (below 0)",
    "corner": "LF, RF, LR or RR",
    "corrects": "the row of the same table that this one stands in place of",
    "counted": "how many were found when they were counted",
    "data": "what belongs to this kind of entry",
    "end_play_mm": "end play, millimetres",
    "error_mm": "mean of what the gauge showed less the size of the block, millimetres",
    "expanded_mm": "half width of the 95 % interval, millimetres",
    "fitted_mm": "thickness of the shim that was in the hub, millimetres",
    "found": "the check, as shimwright gauge verify --json prints it",
    "gauge": "what was known of the gauge; the analysis depends on it",
    "gauge_name": "what the shop calls the gauge",
    "gauge_note": "what was known against the gauge when it measured",
    "hub_text": "the hub file as it was, whole",
    "hub_title": "title of the hub file",
    "id": "UUID",
    "job": "which job, free text",
    "job_entry_id": "the entry of a job that it belongs to",
    "job_id": "the job",
    "kind": "what was done",
    "least_mm": "lower limit of end play, millimetres",
    "link": "where the readings came from",
    "measurement_id": "the measurement",
    "most_mm": "upper limit of end play, millimetres",
    "note": "in words",
    "notes": "what else the analysis had to say",
    "opened_at": "when the job was opened, UTC",
    "origin": "where the trace was brought in from; empty where a gauge was read as it measured",
    "outcome": "pass, fail or undecided",
    "p_within": "probability of being within the limits, 0 to 1",
    "part": "of what: a corner, a gauge",
    "permissible_error_mm": "largest permissible error (plus or minus), millimetres",
    "person": "who measured",
    "place": "the link without its options",
    "plan": "who is to measure what, how often",
    "profile": "how the readings were decoded",
    "repeat": "which time, from 1",
    "repeatability_mm": "standard deviation of one repeat, millimetres",
    "repeats": "how many times the block was read",
    "settings": "what was set otherwise than in the measurement",
    "shim": "the shim worked out, as shimwright shim --json prints it",
    "simulated": "1 if no real hub was measured",
    "stage": "as-found, trial or as-left",
    "state": "measured, refused or unfinished",
    "study_id": "the study",
    "thickness_nm": "thickness, whole nanometres",
    "title": "what it is called",
    "u_mm": "standard uncertainty, millimetres",
    "unit": "unit that people saw: mm or in",
    "value_mm": "the reading, millimetres",
    "vehicle": "which vehicle, free text",
    "verdict": "within, loose or tight",
    "version": "version of the program that wrote it",
    "who": "who did it",
    "why": "the reason",
}  # fmt: skip
"""What a column holds, by its name: a name means the same in every table."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes:
        name: Its name.
        kind: What it holds.
        required: Whether it is never empty.
        refers: The table whose key it holds, if it does.
    """

    name: str
    kind: Kind
    required: bool
    refers: str | None


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    Attributes:
        name: Its name.
        key: The column that tells its rows apart, in every log of the world: a UUID.
        columns: All but the order of recording.
    """

    name: str
    key: str
    columns: tuple[Column, ...]

    def names(self) -> tuple[str, ...]:
        """The columns' names."""
        return tuple(column.name for column in self.columns)


def tables_of(log: sqlite3.Connection) -> tuple[Table, ...]:
    """The portable tables of a log of today's schema, in the order of ``PORTABLE``."""
    return tuple(_table(log, name) for name in PORTABLE)


def _table(log: sqlite3.Connection, name: str) -> Table:
    refers = {row[3]: row[2] for row in log.execute(f"PRAGMA foreign_key_list({name})")}
    rows = [row for row in log.execute(f"PRAGMA table_info({name})") if row[1] != ORDER]
    columns = tuple(Column(row[1], _kind(row[1], row[2]), bool(row[3]), refers.get(row[1])) for row in rows)
    return Table(name, "measurement_id" if name == "trace" else "id", columns)


def _kind(name: str, declared: str) -> Kind:
    if declared == "TEXT" and name in OBJECTS:
        return "object"
    if declared == "TEXT" and name in ARRAYS:
        return "array"
    if declared == "TEXT" and name in TIMES:
        return "time"
    return "flag" if name in FLAGS else _KINDS[declared]
