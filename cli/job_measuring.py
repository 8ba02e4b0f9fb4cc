"""What a measurement is for, from the job card: hub, stage, vehicle and the shim in the hub."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from cli.errors import MisuseError

if TYPE_CHECKING:
    from pathlib import Path

    from calc.hub import Hub
    from cli.measuring import Order
    from joblog.jobs import CornerCard, Job

_JOB_ID = re.compile(r"[0-9a-f]{4,8}|[0-9a-f]{8}-[0-9a-f-]{0,27}")
_DEFAULT = re.compile(r"(?m)^default_variant\s*=.*$")


class Card(NamedTuple):
    """A corner on a job card that is to be measured.

    Attributes:
        job: The job.
        card: The corner.
        hub: Its hub, as the variant it is.
        stage: Which stage comes now; None where the hub is apart.
    """

    job: Job
    card: CornerCard
    hub: Hub
    stage: str | None


def card_for(log: Path, text: str | None, corner: str | None) -> Card | None:
    """The corner on the job card that ``--job`` names; None if it is no job's id but some other text.

    Args:
        log: The log.
        text: ``--job``.
        corner: ``--corner``, LF, RF, LR or RR; None if not given.

    Raises:
        MisuseError: If the job has not that corner, or is closed.
        LogError: If the log cannot be read.
    """
    from cli.job_card import open_one, the_corner  # noqa: PLC0415
    from joblog.errors import LogEmpty, LogMissing  # noqa: PLC0415
    from joblog.jobs import NoSuchJob  # noqa: PLC0415

    if text is None or not _JOB_ID.fullmatch(text.strip().lower()):
        return None
    try:
        job = open_one(log, text)
    except (NoSuchJob, LogMissing, LogEmpty):
        return None
    return _card(job, the_corner(job, corner))


def by_job_card(order: Order, log: Path) -> Order:
    """What a service measured, by the job card that its station worked on.

    Args:
        order: What is known without it; its job is the one that is meant.
        log: The log.

    Returns:
        The same without a job, or where the log cannot be read just now; without its job where that has been
        closed meanwhile, or has not this corner to do.
    """
    from joblog.errors import LogError  # noqa: PLC0415
    from joblog.jobs import load_job  # noqa: PLC0415

    if order.job is None:
        return order
    try:
        job = load_job(log, order.job)
    except LogError:
        return order
    if not job.is_open or order.corner not in job.corners:
        return replace(order, job=None)
    card = _card(job, job.corners[order.corner])
    return replace(
        order,
        hub=card.hub,
        stage=stage_on(card.card),
        fitted_mm=card.card.fitted_mm,
        vehicle=job.vehicle,
        job=job.id,
    )


def stage_on(card: CornerCard) -> str:
    """The stage of what a service measures at a corner: the one due, else what comes nearest to it."""
    return card.standing.stage or ("as-left" if card.standing.together else "as-found")


def _card(job: Job, card: CornerCard) -> Card:
    return Card(job, card, replace(card.hub, text=text_of_variant(card.hub)), card.standing.stage)


def text_of_variant(hub: Hub) -> str:
    """The hub file's text, with the variant that holds as its default: read again, it holds too."""
    if hub.variant is None:
        return hub.text
    line = f"default_variant = {json.dumps(hub.variant, ensure_ascii=False)}"
    if _DEFAULT.search(hub.text):
        return _DEFAULT.sub(lambda _: line, hub.text, count=1)
    return f"{line}\n{hub.text}"


def stage_for(card: Card, asked: str | None) -> tuple[str, list[str]]:
    """The stage to measure: the card's, unless one was asked for.

    Args:
        card: The corner.
        asked: ``--stage``; None if not given.

    Returns:
        The stage, and notes for the person where the two differ.

    Raises:
        MisuseError: If the hub is apart by the card, and no stage was asked for.
    """
    from cli.job_words import where_it_stands  # noqa: PLC0415

    if card.stage is None:
        where = where_it_stands(card.job, card.card)
        if asked is None:
            raise MisuseError("--job", f"nothing is to be measured now: {where}")
        return asked, [f"kept as {asked}, but it moves nothing on: {where}"]
    if asked is None or asked == card.stage:
        return card.stage, []
    return asked, [f"kept as {asked}, but by the job card {card.stage} is due: it moves nothing on"]
