"""Repeatability studies: the plan, whose turn it is, and the values, which are added and never changed."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from calc.study import Value
from joblog.errors import LogError, RecordError
from joblog.reader import ids_like, reading

if TYPE_CHECKING:
    from joblog.store import Store


class NoSuchStudy(LogError):  # noqa: N818 - as the others of the log
    """No study has that id."""

    def __init__(self, study_id: str) -> None:
        super().__init__(f"no study {study_id!r} in the log: see `shimwright study list` for those it holds")
        self.study_id = study_id


class AmbiguousStudy(LogError):  # noqa: N818
    """Several studies have ids that begin like that."""

    def __init__(self, prefix: str) -> None:
        super().__init__(f"{prefix!r} fits several studies: give more of the id")
        self.prefix = prefix


class Order(StrEnum):
    """In which order the turns come. A round is one repeat of everybody on everything."""

    RANDOM = "random"
    BY_PERSON = "by-person"
    WRITTEN = "written"


class Turn(NamedTuple):
    """Who is to measure what, the how manyeth time from 1."""

    person: str
    part: str
    repeat: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be measured.

    Attributes:
        people: Who takes part.
        parts: What is measured.
        turns: Every turn, in the order in which they are to be taken.
        seed: What the order was drawn with; None for one that was not drawn.
        hub_text: The hub file, whole; None without one.
        unit: ``mm`` or ``in``: what people see.
        corner: Corner that parts which are none are measured as; None if not given.
    """

    people: tuple[str, ...]
    parts: tuple[str, ...]
    turns: tuple[Turn, ...]
    seed: int | None
    hub_text: str | None
    unit: str
    corner: str | None

    @property
    def repeats(self) -> int:
        """How often each person measures each part."""
        return max(turn.repeat for turn in self.turns)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyValue:
    """One value of a study. It is written once; a correction is a new one that names it.

    Attributes:
        id: UUID.
        at: When, UTC, ISO 8601.
        turn: Whose, of what.
        value_mm: The value, millimetres.
        measurement_id: Its measurement in the log; None if it was typed.
        corrects: Id of the value that this one stands in place of; None for a first one.
        simulated: Whether its measurement was simulated.
    """

    id: str
    at: str
    turn: Turn
    value_mm: float
    measurement_id: str | None = None
    corrects: str | None = None
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study with its values so far.

    Attributes:
        id: UUID.
        at: When it was planned, UTC, ISO 8601.
        title: What people call it.
        version: Version of the program that planned it.
        plan: What is to be measured.
        values: Every value ever put down, in that order.
    """

    id: str
    at: str
    title: str
    version: str
    plan: Plan
    values: tuple[StudyValue, ...] = ()

    @property
    def current(self) -> dict[Turn, StudyValue]:
        """The value that counts for each turn that has one: the newest that none corrects.

        Newest by its time, so that it does not depend on which of two logs was merged into the other.
        """
        corrected = {value.corrects for value in self.values}
        open_ones = [value for value in self.values if value.id not in corrected]
        return {value.turn: value for value in sorted(open_ones, key=lambda value: (value.at, value.id))}

    @property
    def missing(self) -> tuple[Turn, ...]:
        """The turns without a value, in their order."""
        done = self.current
        return tuple(turn for turn in self.plan.turns if turn not in done)

    def study_values(self) -> list[Value]:
        """The values that count, for the analysis: by part and person as planned, and by repeat."""
        plan, current = self.plan, self.current
        turns = (
            Turn(person, part, repeat)
            for part in plan.parts
            for person in plan.people
            for repeat in range(1, plan.repeats + 1)
        )
        return [Value(*turn, current[turn].value_mm) for turn in turns if turn in current]

    def job_of(self, turn: Turn) -> str:
        """What a measurement of this turn has as its job in the log: it is found again by that."""
        return f"study {self.id[:8]}: {turn.person}, {turn.part}, {turn.repeat}"


def turns_of(
    people: Sequence[str], parts: Sequence[str], repeats: int, order: Order, seed: int
) -> tuple[Turn, ...]:
    """Every turn, round by round, so that a study that is stopped early is still nearly balanced.

    >>> turns_of(["A"], ["LF", "RF"], 2, Order.WRITTEN, 0)[1:3]
    (Turn(person='A', part='RF', repeat=1), Turn(person='A', part='LF', repeat=2))

    Args:
        people: Who takes part.
        parts: What is measured.
        repeats: How often, at least 1.
        order: ``random`` mixes all turns of a round; ``by-person`` mixes people, and parts for each of them.
        seed: What the order is drawn with; the same gives the same.
    """
    rng = random.Random(seed)
    turns: list[Turn] = []
    for repeat in range(1, repeats + 1):
        who = list(people)
        if order is Order.BY_PERSON:
            rng.shuffle(who)
        of_round = []
        for person in who:
            what = list(parts)
            if order is Order.BY_PERSON:
                rng.shuffle(what)
            of_round += [Turn(person, part, repeat) for part in what]
        if order is Order.RANDOM:
            rng.shuffle(of_round)
        turns += of_round
    return tuple(turns)


def add_study(store: Store, study: Study) -> None:
    """Put a plan into the log; when this returns it is on the disk.

    Raises:
        RecordError: If it cannot be stored.
        LogFileError: If the log cannot be written.
    """
    plan = study.plan
    text = json.dumps(
        {
            "people": list(plan.people),
            "parts": list(plan.parts),
            "turns": [list(turn) for turn in plan.turns],
            "seed": plan.seed,
            "hub_text": plan.hub_text,
            "unit": plan.unit,
            "corner": plan.corner,
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    row = {"id": study.id, "at": study.at, "title": study.title, "plan": text, "version": study.version}
    store.add_rows("study", ("study", row))


def add_value(store: Store, study_id: str, value: StudyValue) -> None:
    """Put a value into the log; when this returns it is on the disk.

    Raises:
        RecordError: If it cannot be stored, or names a study, measurement or value that is not there.
        LogFileError: If the log cannot be written.
    """
    row: dict[str, str | int | float | None] = {
        "id": value.id,
        "study_id": study_id,
        "at": value.at,
        "person": value.turn.person,
        "part": value.turn.part,
        "repeat": value.turn.repeat,
        "value_mm": value.value_mm,
        "measurement_id": value.measurement_id,
        "corrects": value.corrects,
    }
    store.add_rows("value of a study", ("study_value", row))


def list_studies(path: Path) -> list[Study]:
    """The studies in the log, oldest first, with their values.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    with reading(path) as log:
        return [] if log is None else _studies(log, "TRUE", ())


def load_study(path: Path, prefix: str) -> Study:
    """One study, whole.

    Args:
        path: The log.
        prefix: Its id, or enough of the beginning to tell it from others.

    Raises:
        NoSuchStudy: If there is none.
        AmbiguousStudy: If several ids begin like that.
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    with reading(path) as log:
        found = [] if log is None else _studies(log, "id >= ? AND id < ?", ids_like(prefix))
    if not found:
        raise NoSuchStudy(prefix)
    if len(found) > 1:
        raise AmbiguousStudy(prefix)
    return found[0]


def left_behind(path: Path, study: Study) -> list[tuple[Turn, str, float]]:
    """Good measurements of missing turns that are in the log but not in the study: it was stopped in between.

    Args:
        path: The log.
        study: The study.

    Returns:
        The turn, the measurement's id and its end play in millimetres, the first one of each turn.

    Raises:
        LogFileError: If the log cannot be read.
    """
    query = (
        "SELECT id, end_play_mm FROM measurement WHERE job = ? AND at >= ? AND state = 'measured' "
        "AND NOT EXISTS (SELECT 1 FROM study_value v WHERE v.measurement_id = measurement.id) "
        "ORDER BY seq LIMIT 1"
    )
    found = []
    with reading(path) as log:
        if log is None:
            return []
        for turn in study.missing:
            row = log.execute(query, (study.job_of(turn), study.at)).fetchone()
            if row is not None:
                found.append((turn, str(row[0]), float(row[1])))
    return found


def _studies(log: sqlite3.Connection, which: str, values: Iterable[str]) -> list[Study]:
    query = f"SELECT id, at, title, version, plan FROM study WHERE {which} ORDER BY seq"  # noqa: S608  (ours)
    of_study = (
        "SELECT v.id, v.at, v.person, v.part, v.repeat, v.value_mm, v.measurement_id, v.corrects, "
        "m.simulated FROM study_value v LEFT JOIN measurement m ON m.id = v.measurement_id "
        "WHERE v.study_id = ? ORDER BY v.seq"
    )
    return [
        Study(
            id=study_id,
            at=at,
            title=title,
            version=version,
            plan=_plan(json.loads(plan)),
            values=tuple(map(_value, log.execute(of_study, (study_id,)))),
        )
        for study_id, at, title, version, plan in log.execute(query, tuple(values)).fetchall()
    ]


def _plan(plan: dict[str, Any]) -> Plan:
    try:
        return Plan(
            people=tuple(plan["people"]),
            parts=tuple(plan["parts"]),
            turns=tuple(Turn(*turn) for turn in plan["turns"]),
            seed=plan["seed"],
            hub_text=plan["hub_text"],
            unit=plan["unit"],
            corner=plan["corner"],
        )
    except (KeyError, TypeError) as error:
        raise RecordError("plan", f"a study's plan in the log cannot be read ({error})") from error


def _value(row: tuple[Any, ...]) -> StudyValue:
    value_id, at, person, part, repeat, value_mm, measurement_id, corrects, simulated = row
    return StudyValue(
        id=value_id,
        at=at,
        turn=Turn(person, part, repeat),
        value_mm=value_mm,
        measurement_id=measurement_id,
        corrects=corrects,
        simulated=bool(simulated),
    )
