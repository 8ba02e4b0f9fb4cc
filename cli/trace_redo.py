"""``shimwright trace redo``: a stored trace analysed again, as it was or otherwise; or a whole log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from cli.arguments import AsJson, LogFile, PermissibleError, Who
from cli.errors import ExitCode, MisuseError
from cli.selecting import (
    OnlyCorner,
    OnlyGauge,
    OnlyJob,
    OnlyRefused,
    OnlyStage,
    OnlyVehicle,
    OnlyVerdict,
    Since,
    Until,
    wanted_of,
)

if TYPE_CHECKING:
    from calc.units import Unit
    from cli.redoing import Redone, Settings
    from joblog.records import Measurement
    from joblog.reviews import Review

CHOSEN = (
    "Strike out a stroke for what was seen at the hub, never for its number: the uncertainty does not know "
    "that strokes were chosen."
)


class Keeping(NamedTuple):
    """How a new analysis is kept: whether it is accepted, why it was made, and by whom."""

    accepted: bool
    why: str | None
    who: str | None


def redo_command(  # noqa: PLR0917 - options are given by name
    measurement_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="A measurement's id, or its first characters.")
    ] = None,
    without: Annotated[
        str | None,
        typer.Option(metavar="N,N,...", help="Strike out these strokes, by their numbers in trace show."),
    ] = None,
    resolution: Annotated[
        str | None, typer.Option(metavar="L", help="Another step of the indicator, such as 0.01mm.")
    ] = None,
    permissible_error: PermissibleError = None,
    misalignment: Annotated[
        float | None,
        typer.Option(metavar="DEG", help="Largest angle by which the indicator may be off square."),
    ] = None,
    geometry: Annotated[
        str | None, typer.Option(metavar="plunger|lever|projected", help="Which way that angle acts.")
    ] = None,
    hub: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Hold it against this hub file's limits.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep what comes out in the log, as a review.")
    ] = False,
    accept: Annotated[
        bool, typer.Option("--accept", help="With --keep: take it in place of the measurement's own number.")
    ] = False,
    why: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="The reason; needed to keep one with strokes struck out."),
    ] = None,
    who: Who = None,
    everything: Annotated[
        bool,
        typer.Option("--all", help="All measurements of the log, or those that the filters below leave."),
    ] = False,
    jobs: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="With --all: processes. Default: one a core.")
    ] = None,
    vehicle: OnlyVehicle = None,
    corner: OnlyCorner = None,
    stage: OnlyStage = None,
    since: Since = None,
    until: Until = None,
    verdict: OnlyVerdict = None,
    refused: OnlyRefused = False,
    gauge: OnlyGauge = None,
    job: OnlyJob = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Analyse a stored trace again, and hold it against what was recorded.

    With the version that measured it the numbers are equal to the last digit. With other settings both stand
    side by side; --keep puts the new analysis into the log as a review, the measurement itself is never
    changed. With --all it says what this version would change in the whole log: run it before an upgrade is
    relied on. Exit code 3 if the trace gives no end play.
    """
    from joblog.paths import log_place  # noqa: PLC0415

    path = log_place(log).path
    filters = (vehicle, corner, stage, since, until, verdict, gauge, job)
    asked = (without, resolution, permissible_error, misalignment, geometry, hub, why, who)
    if everything:
        if measurement_id is not None:
            raise MisuseError("--all", f"means every measurement: leave {measurement_id} out")
        if keep or accept or any(one is not None for one in asked):
            raise MisuseError(
                "--all", "takes no other settings and keeps nothing: name one measurement for that"
            )
        from cli.redo_all import redo_all  # noqa: PLC0415

        wanted = wanted_of(
            corner=corner, stage=stage, vehicle=vehicle, job=job, verdict=verdict, refused=refused,
            gauge=gauge, since=since, until=until,
        )  # fmt: skip
        redo_all(path, wanted, jobs, as_json=as_json)
        return
    if measurement_id is None:
        raise MisuseError("ID", "name a measurement (see trace list), or give --all")
    if jobs is not None or refused or any(one is not None for one in filters):
        raise MisuseError("--all", "is missing: the filters and --jobs are for many measurements")
    if accept and not keep:
        raise MisuseError("--accept", "is for a review that is kept: add --keep")
    if why is not None and not why.strip():
        raise MisuseError("--why", "the reason is empty: say what was seen at the hub")
    settings = _settings(without, resolution, permissible_error, misalignment, geometry, hub)
    kept_as = Keeping(accept, why, who) if keep else None
    _redo_one(path, measurement_id, settings, as_json=as_json, keep=kept_as)


def _settings(  # noqa: PLR0917 - the same names as the options
    without: str | None,
    resolution: str | None,
    permissible_error: str | None,
    misalignment: float | None,
    geometry: str | None,
    hub: Path | None,
) -> Settings:
    """The settings that the options ask for.

    Raises:
        MisuseError: If one of them cannot be used.
        HubFileError: If the hub file cannot.
    """
    from calc.hub import load_hub  # noqa: PLC0415
    from capture.readings import Gauge  # noqa: PLC0415
    from cli.arguments import length_mm, standing  # noqa: PLC0415
    from cli.redoing import Settings, numbers_of  # noqa: PLC0415

    resolution_mm = None if resolution is None else length_mm("--resolution", resolution)
    if resolution_mm is not None and not 0 < resolution_mm <= 1:
        raise MisuseError("--resolution", f'"{resolution}" is no step of an indicator: above 0, at most 1 mm')
    error_mm = None if permissible_error is None else length_mm("--permissible-error", permissible_error)
    if error_mm is not None and not 0 <= error_mm <= 1:
        raise MisuseError("--permissible-error", f'"{permissible_error}" is outside 0 to 1 mm')
    stands = standing(Gauge(), misalignment, geometry or "plunger")
    return Settings(
        without=() if without is None else numbers_of(without),
        resolution_mm=resolution_mm,
        permissible_error_mm=error_mm,
        misalignment_deg=stands.misalignment_deg,
        geometry=None if geometry is None else type(stands.geometry)(geometry),
        hub=None if hub is None else load_hub(hub),
    )


def _redo_one(
    path: Path,
    measurement_id: str,
    settings: Settings,
    *,
    as_json: bool,
    keep: Keeping | None,
) -> None:
    from cli.outcome import outcome_lines  # noqa: PLC0415
    from cli.redoing import AS_RECORDED, comparison, redo, review_of  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415

    measurement = load_measurement(path, measurement_id)
    if settings.geometry is not None and settings.gauge(measurement.gauge).misalignment_deg is None:
        raise MisuseError("--geometry", "says which way an angle acts, and there is none: add --misalignment")
    again = redo(measurement, settings)
    kept = None
    if keep is not None:
        review = review_of(measurement.id, again, accepted=keep.accepted, why=keep.why, who=keep.who)
        kept = _keep(path, review)
    if settings == AS_RECORDED and kept is None:
        if as_json:
            put_json(again.analysis | {"measurement_id": measurement.id})
        else:
            put_report(
                [*outcome_lines(again.analysis, measurement.unit), comparison(measurement, again.analysis)]
            )
    elif as_json:
        put_json(_object(measurement, again) if kept is None else kept.review_object())
    else:
        put_report([*side_by_side(measurement, again), *_kept_lines(kept)])
    if not again.analysis["usable"]:
        raise typer.Exit(ExitCode.REFUSED)


def _keep(path: Path, review: Review) -> Review:
    from joblog.reviews import add_review  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    with Store.open(path) as store:
        add_review(store, review)
    return review


def _object(measurement: Measurement, again: Redone) -> dict[str, object]:
    """The same keys as a review that was kept, as far as there is one."""
    return again.analysis | {
        "measurement_id": measurement.id,
        "settings": again.settings_object(),
        "verdict": again.verdict,
        "p_within": again.p_within,
    }


def side_by_side(measurement: Measurement, again: Redone) -> list[str]:
    """What was recorded and what other settings give, in two columns, and what was set.

    Args:
        measurement: The record.
        again: The same trace analysed again.
    """
    from cli.outcome import budget_lines  # noqa: PLC0415
    from cli.redoing import words_of  # noqa: PLC0415
    from cli.words import SIMULATED  # noqa: PLC0415

    m = measurement
    was = _column(m.analysis, m.verdict, m.p_within, m.unit)
    now = _column(again.analysis, again.verdict, again.p_within, m.unit)
    rows = [("", "RECORDED", "REDONE"), *((name, was[name], now[name]) for name in was)]
    wide = [max(len(row[column]) for row in rows) for column in range(2)]
    told = "; ".join(words_of(again.settings_object(), m.unit)) or "nothing"
    lines = [SIMULATED] if m.simulated else []
    lines += [f"Measurement {m.id}. Set otherwise: {told}.", ""]
    lines += [f"{row[0]:{wide[0]}}  {row[1]:{wide[1]}}  {row[2]}".rstrip() for row in rows]
    lines.append("")
    if again.analysis["usable"]:
        lines += [
            f"Redone:{line.removeprefix(' ')}" for line in budget_lines(again.analysis["budget"], m.unit)
        ]
        lines += [f"  - {note}" for note in getattr(again.outcome, "notes", ())]
    else:
        lines += ["Redone, no end play:", *(f"  - {one['text']}" for one in again.analysis["reasons"])]
    if again.struck:
        lines.append(CHOSEN)
    return lines


def _column(
    analysis: dict[str, object], verdict: str | None, p_within: float | None, unit: Unit
) -> dict[str, str]:
    from calc.limits import percent  # noqa: PLC0415
    from cli.outcome import number_text  # noqa: PLC0415
    from cli.words import strokes  # noqa: PLC0415

    usable = bool(analysis["usable"])
    full, half = analysis["strokes"], analysis["half_strokes"]
    return {
        "end play": number_text(analysis, unit) if usable else "none",
        "strokes": strokes(full, half) if isinstance(full, int) and isinstance(half, int) else "-",
        "verdict": verdict or "-",
        "within limits": "-" if p_within is None else f"probability {percent(p_within)}",
    }


def _kept_lines(kept: Review | None) -> list[str]:
    if kept is None:
        return ["Nothing was kept: add --keep to put this into the log as a review."]
    accepted = ", accepted in place of the measurement's own number" if kept.accepted else ""
    return [f"Kept as review {kept.id}{accepted}. The measurement itself stays as it was recorded."]
