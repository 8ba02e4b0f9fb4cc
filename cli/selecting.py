"""Which measurements of a log are meant: the options that every command over several of them shares."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import corner_of, one_of, stage_of
from cli.errors import MisuseError

if TYPE_CHECKING:
    from datetime import datetime

    from joblog.reader import Wanted

VERDICTS = ("within", "loose", "tight")

OnlyCorner = Annotated[str | None, typer.Option("--corner", metavar="LF|RF|LR|RR", help="Only this corner.")]
OnlyStage = Annotated[
    str | None, typer.Option("--stage", metavar="as-found|trial|as-left", help="Only this stage.")
]
OnlyVehicle = Annotated[
    str | None,
    typer.Option(
        "--vehicle", metavar="TEXT", help="Only vehicles with this text in their name, in capitals or not."
    ),
]
OnlyJob = Annotated[str | None, typer.Option("--job", metavar="TEXT", help="Only exactly this job.")]
OnlyVerdict = Annotated[
    str | None, typer.Option("--verdict", metavar="within|loose|tight", help="Only this verdict.")
]
OnlyRefused = Annotated[bool, typer.Option("--refused", help="Only measurements that were refused.")]
OnlyGauge = Annotated[
    str | None,
    typer.Option(
        "--gauge",
        metavar="TEXT",
        help="Only gauges with this text in their name or link, in capitals or not.",
    ),
]
Since = Annotated[
    str | None,
    typer.Option(
        "--since",
        metavar="DATE",
        help="Only from this local date on, such as 2026-03-02, 2026-03 or 2026-03-02T14:30.",
    ),
]
Until = Annotated[
    str | None,
    typer.Option(
        "--until", metavar="DATE", help="Only until the end of this local date (day, month or year)."
    ),
]


def wanted_of(
    *,
    corner: str | None = None,
    stage: str | None = None,
    vehicle: str | None = None,
    job: str | None = None,
    verdict: str | None = None,
    refused: bool = False,
    gauge: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Wanted:
    """What the options ask for.

    Raises:
        MisuseError: If one of them is not known, is no date, or they leave nothing.
    """
    from joblog.reader import Wanted  # noqa: PLC0415

    if refused and verdict is not None:
        raise MisuseError("--refused", "a refused measurement has no verdict: leave --verdict out")
    begin = None if since is None else _utc("--since", since, end=False)
    before = None if until is None else _utc("--until", until, end=True)
    if begin is not None and before is not None and begin >= before:
        raise MisuseError("--until", f'"{until}" is over before --since, "{since}", begins: exchange them')
    meaning = "within limits, too much, too little end play"
    return Wanted(
        corner=None if corner is None else corner_of(corner),
        stage=None if stage is None else stage_of(stage),
        state="refused" if refused else None,
        verdict=None if verdict is None else one_of("--verdict", verdict.lower(), VERDICTS, meaning),
        vehicle=vehicle,
        job=job,
        gauge=gauge,
        since=begin,
        until=before,
    )


def _utc(option: str, text: str, *, end: bool) -> str:
    """A local date as the UTC time at which it begins, or ends; a time of day is a moment."""
    try:
        return _moment(text.strip(), end=end)
    except (ValueError, OverflowError, OSError):
        raise MisuseError(
            option, f'"{text}" is no date: write 2026-03-02, 2026-03, 2026 or 2026-03-02T14:30'
        ) from None


def _moment(text: str, *, end: bool) -> str:
    import re  # noqa: PLC0415
    from datetime import UTC, datetime, timedelta  # noqa: PLC0415

    date = re.fullmatch(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?", text)
    if date is None:
        moment = datetime.fromisoformat(text)
    else:
        year, month, day = (None if part is None else int(part) for part in date.groups())
        moment = datetime(year or 0, 1 if month is None else month, 1 if day is None else day)  # noqa: DTZ001
        if end and day is not None:
            moment += timedelta(days=1)
        elif end:
            moment = _next_year(moment) if month is None else _next_month(moment)
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _next_month(moment: datetime) -> datetime:
    return moment.replace(year=moment.year + moment.month // 12, month=moment.month % 12 + 1)


def _next_year(moment: datetime) -> datetime:
    return moment.replace(year=moment.year + 1)


def local_time(at: str) -> str:
    """A UTC time of the log as people here read it: local, to the minute."""
    from datetime import datetime  # noqa: PLC0415

    return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M}"
