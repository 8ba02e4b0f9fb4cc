"""Turn after turn of a study: whose it is, measured the ordinary way, put down, and on to the next."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from calc.units import Unit
from cli.arguments import CORNERS
from cli.errors import CliError, MeasurementRefusedError, MisuseError
from cli.live import Live
from cli.measuring import Order, carry_out
from cli.screen import message, put_json
from cli.study_object import turn_object
from cli.words import CORNER_NAMES
from joblog.records import new_id, utc_now
from joblog.studies import Study, StudyValue, Turn, add_value, left_behind, load_study

if TYPE_CHECKING:
    from capture.session import Event
    from joblog.store import Store


class Blind(Live):
    """Shows that it measures and what is still to do, but no length: nobody shall aim at the last value."""

    def see(self, event: Event) -> None:
        """Take in one event."""
        from capture.session import Progress, StrokeSeen  # noqa: PLC0415

        match event:
            case StrokeSeen():
                if not self._screen.tty:
                    self.note(f"{'stroke' if event.full else 'half stroke'} {event.number} {event.direction}")
            case Progress():
                super().see(replace(event, end_play_mm=None, expanded_mm=None))
            case _:
                super().see(event)

    def _in_words(self, value: Decimal, unit: Unit) -> str:
        super()._in_words(value, unit)  # it notes the step
        return ""


@dataclass(frozen=True, slots=True)
class Links:
    """Where the readings come from: one link for all parts, or one for each.

    Attributes:
        every: For parts that have none of their own; None if there is none.
        own: By part.
    """

    every: str | None
    own: dict[str, str]

    def of(self, part: str) -> str:
        """The link of one part.

        Raises:
            MisuseError: If it has none.
        """
        link = self.own.get(part, self.every)
        if link is None:
            raise MisuseError("--link", f"{part} has none: give --link URL for all, or --link {part}=URL")
        return link


def links_of(texts: Sequence[str], parts: Sequence[str]) -> Links:
    """Read ``--link URL`` and ``--link PART=URL``, as often as they come.

    Raises:
        MisuseError: If two are for all.
    """
    every, own = None, {}
    for text in texts:
        name, _, url = text.partition("=")
        if name in parts and url:
            own[name] = url
        elif every is not None:
            raise MisuseError(
                "--link", f"two for all parts: write --link PART=URL, PART one of {', '.join(parts)}"
            )
        else:
            every = text
    return Links(every, own)


def corner_for(study: Study, part: str) -> str:
    """The corner that a part is measured as.

    Raises:
        MisuseError: If it is none and the plan names none.
    """
    if part.upper() in CORNERS:
        return part.upper()
    if study.plan.corner is None:
        raise MisuseError(
            "ID",
            f'part "{part}" is no corner and the plan names none: plan it again with --corner, '
            "or type the values with shimwright study enter",
        )
    return study.plan.corner


def take_turns(  # noqa: PLR0917 - what to do, with what, how
    study: Study, order: Order, links: Links, store: Store, todo: Sequence[Turn], as_json: bool
) -> None:
    """Measure turn after turn until all are done or somebody stops; what is done is in the log.

    Args:
        study: The study.
        order: How to measure; corner, link and job are those of each turn.
        links: Where the readings come from.
        store: The open log.
        todo: The turns to take, in their order.
        as_json: Whether to print each value as an object.

    Raises:
        CliError: What ended it early; the turn stays open.
    """
    total, before = len(study.plan.turns), len(study.current)
    for number, turn in enumerate(todo, start=1):
        corner = corner_for(study, turn.part)
        where = CORNER_NAMES[corner] if turn.part.upper() == corner else f'"{turn.part}"'
        message(f"Value {before + number} of {total}: {turn.person} measures {where} ({turn.part}).")
        for _ in _asked():
            own = replace(order, corner=corner, link=links.of(turn.part), job=study.job_of(turn))
            finished = carry_out(own, store, Blind(order.hub.unit, quiet=as_json))
            if finished.measurement.state == "measured" and finished.logged:
                break
            told = finished.error or CliError("the measurement gave no value")
            if not isinstance(told, MeasurementRefusedError) or not sys.stdin.isatty():
                raise told.saying(f"the turn stays open: go on with shimwright study measure {study.id[:8]}")
            message(f"{told}; the same turn again")
        else:
            message(f"Stopped. Go on with: shimwright study measure {study.id[:8]}")
            return
        value = StudyValue(
            id=new_id(),
            at=utc_now(),
            turn=turn,
            value_mm=finished.measurement.analysis["end_play_mm"],
            measurement_id=finished.measurement.id,
        )
        add_value(store, study.id, value)
        message("Taken; it is not shown until the study is.")
        if as_json:
            put_json(turn_object(study, value))


def take_left_behind(study: Study, store: Store) -> Study:
    """Put down what was measured but not put down any more, when the last run was cut off in between."""
    found = left_behind(store.path, study)
    for turn, measurement_id, value_mm in found:
        add_value(
            store,
            study.id,
            StudyValue(
                id=new_id(), at=utc_now(), turn=turn, value_mm=value_mm, measurement_id=measurement_id
            ),
        )
        message(f"{turn.person}, {turn.part}, {turn.repeat} had been measured already and is taken.")
    return load_study(store.path, study.id) if found else study


def _asked() -> Iterator[None]:
    """Once for each try: at a terminal when a person says so, and until one stops; else at once."""
    if not sys.stdin.isatty():
        while True:
            yield
    while True:
        message("Set the gauge up, then press Enter; q and Enter to stop.")
        answer = sys.stdin.readline()
        if not answer or answer.strip().lower() in {"q", "quit"}:
            return
        yield
