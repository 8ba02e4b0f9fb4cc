"""``shimwright thickness``: how thick a shim is, from a digital micrometer on the same wire."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import (
    AsJson,
    PermissibleError,
    Presses,
    example,
    seconds_of,
    thickness_mm,
    unit_of,
    with_presses,
)
from cli.errors import MeasurementRefusedError

if TYPE_CHECKING:
    from calc.units import Unit
    from capture.readings import Reading
    from capture.thickness import Thickness, ThicknessFinder


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "thickness",
        epilog=example(
            "shimwright thickness --link serial:/dev/ttyUSB1 --unit mm --permissible-error 0.002mm"
        ),
    )(thickness)


def thickness(  # noqa: PLR0917 - options are given by name
    link: Annotated[
        str, typer.Option(metavar="URL", help="Where the micrometer's readings come from, as for measure.")
    ],
    profile: Annotated[str, typer.Option(metavar="NAME|FILE", help="How the micrometer speaks.")] = "line",
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit of readings that do not say theirs.")
    ] = None,
    permissible_error: PermissibleError = None,
    spots: Presses = False,
    timeout: Annotated[
        float | None, typer.Option(metavar="S", help="Give up after so many seconds. Default: wait.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Read a shim's thickness from a digital micrometer, once its reading has settled.

    Clean the shim and the faces, check zero, and close the micrometer on the shim. Settled is a reading that
    kept within two steps for a second, or three presses of its button that agree. Exit code 3 if it never
    settles. The number printed can be given to measure as --fitted.
    """
    gauge_unit = None if unit is None else unit_of("--unit", unit)
    timeout_s = seconds_of("--timeout", timeout)
    from capture.profile_files import load_profile  # noqa: PLC0415
    from capture.thickness import ThicknessFinder, thickness_object  # noqa: PLC0415
    from cli.hearing import hear  # noqa: PLC0415
    from cli.screen import message, put_json, put_report  # noqa: PLC0415

    speech = with_presses(load_profile(profile), pressed=spots)
    gauge = speech.gauge
    if permissible_error is not None:
        gauge = replace(gauge, permissible_error_mm=thickness_mm("--permissible-error", permissible_error))
    finder = ThicknessFinder(gauge)
    settled: list[tuple[Thickness, Unit]] = []

    def take(reading: Reading) -> bool:
        found = finder.feed(reading)
        if found is not None:
            settled.append((found, reading.unit))
        return found is not None

    if not as_json:
        message("close the micrometer on the shim and let it be still")
    heard = hear(link, speech, gauge_unit, take, timeout_s)
    if not settled:
        raise MeasurementRefusedError(_why(finder))
    found, shown = settled[0]
    if as_json:
        put_json({**thickness_object(found), "unit": str(shown), "simulated": heard.simulated})
    else:
        put_report(thickness_lines(found, shown, simulated=heard.simulated))


def thickness_lines(found: Thickness, unit: Unit, *, simulated: bool) -> list[str]:
    """The thickness with its uncertainty and where that comes from.

    Args:
        found: The thickness.
        unit: Unit to write it in.
        simulated: Whether the readings were made up.
    """
    from calc.presented import number_with_uncertainty  # noqa: PLC0415
    from calc.units import format_length  # noqa: PLC0415
    from cli.outcome import budget_lines  # noqa: PLC0415
    from cli.words import SIMULATED  # noqa: PLC0415

    step_mm = found.resolution_mm
    number = number_with_uncertainty(found.thickness_mm, found.budget.expanded_mm, unit, step_mm)
    plain = format_length(found.thickness_mm, unit, step_mm).replace(" ", "")
    return [
        *([SIMULATED] if simulated else []),
        f"Thickness {number}, from {found.readings} settled readings.",
        *budget_lines(found.budget.rows(), unit),
        f"  For measure: --fitted {plain}",
    ]


def _why(finder: ThicknessFinder) -> str:
    """Why there is no thickness."""
    if not finder.readings:
        return "no reading came: check that the micrometer sends, and its cable"
    if finder.empty:
        return "the micrometer settled on nothing, closed: close it on the shim and begin again"
    return (
        f"{finder.readings} readings came, but they never settled: clean the faces, close the micrometer by "
        "its ratchet and hold it still"
    )
