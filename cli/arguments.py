"""Options that several commands share, and how their text is read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.units import Unit
    from capture.profiles import Profile
    from capture.readings import Gauge

CORNERS = ("LF", "RF", "LR", "RR")
"""Left front, right front, left rear, right rear."""

STAGES = ("as-found", "trial", "as-left")
"""Before anything is taken apart; with a trial shim; after the work."""

AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object a line on standard output, nothing else.")
]
LogFile = Annotated[
    Path | None,
    typer.Option(
        "--log",
        metavar="FILE",
        help="The log. Default: SHIMWRIGHT_LOG, else one under your data folder.",
        show_default=False,
    ),
]

MeasurementId = Annotated[
    str, typer.Argument(metavar="ID", help="A measurement's id, or its first characters.")
]
Who = Annotated[str | None, typer.Option("--who", metavar="NAME", help="Who does it; kept in the log.")]

Misalignment = Annotated[
    float | None,
    typer.Option(
        metavar="DEG",
        help="Largest angle by which the indicator may stand off square; has a row in the budget.",
    ),
]
GeometryName = Annotated[
    str,
    typer.Option(
        "--geometry",
        metavar="plunger|lever|projected",
        help="Which way it acts: a tilted plunger, a lever at an angle, or travel seen at an angle.",
    ),
]

PermissibleError = Annotated[
    str | None,
    typer.Option(
        "--permissible-error",
        metavar="L",
        help="Largest permissible error (plus or minus), such as 0.003mm. Default: the profile's, if any.",
    ),
]
Presses = Annotated[
    bool,
    typer.Option(
        "--spots",
        help="The gauge sends only when its button or a pedal is pressed: each reading is a press, at rest.",
    ),
]
GaugeName = Annotated[
    str | None,
    typer.Option(
        "--gauge",
        metavar="NAME",
        help="What the shop calls this gauge, such as its serial number. Default: known by link and profile.",
    ),
]


def example(*lines: str) -> str:
    """The end of a command's help: an example, its lines as they are, to be copied."""
    return "\b\nExample:\n" + "\n".join(f"  {line}" for line in lines)


def length_mm(option: str, text: str) -> float:
    """Read a length with its unit.

    Args:
        option: The option it came with, for the message.
        text: Such as ``0.31mm`` or ``0.012in``.

    Returns:
        Millimetres.

    Raises:
        MisuseError: If it is no length.
    """
    from calc.units import UnitsError, parse_length  # noqa: PLC0415

    try:
        return float(parse_length(text))
    except UnitsError as error:
        raise MisuseError(option, str(error)) from None


def thickness_mm(option: str, text: str) -> float:
    """Read a shim's thickness, millimetres, above 0.

    Raises:
        MisuseError: If it is none.
    """
    thickness = length_mm(option, text)
    if thickness <= 0:
        raise MisuseError(option, f'"{text}" is no thickness: it must be above 0')
    return thickness


def uncertainty_mm(option: str, text: str) -> float:
    """Read a standard uncertainty, millimetres, at least 0.

    Raises:
        MisuseError: If it is none.
    """
    u_mm = length_mm(option, text)
    if u_mm < 0:
        raise MisuseError(option, f'"{text}" is no uncertainty: it cannot be below 0')
    return u_mm


def lengths_mm(option: str, text: str) -> list[float]:
    """Read lengths with commas between them; a unit may stand at the last one only.

    >>> lengths_mm("--sizes", "2.90mm,2.95mm"), lengths_mm("--sizes", "0.114,0.118in")
    ([2.9, 2.95], [2.8956, 2.9972])

    Args:
        option: The option it came with, for the message.
        text: The lengths; the decimal sign is a point here, because the comma stands between them.

    Raises:
        MisuseError: If one of them is no length.
    """
    parts = [part.strip() for part in text.split(",")]
    if any(not part for part in parts):
        raise MisuseError(option, f'"{text}" has an empty size: write sizes such as 2.90mm,2.95mm')
    unit = parts[-1].lstrip("+-0123456789. ")
    return [length_mm(option, part if part[-1:] not in "0123456789." else part + unit) for part in parts]


def corner_of(text: str) -> str:
    """Read a corner: LF, RF, LR or RR, in either case.

    Raises:
        MisuseError: If it is none of them.
    """
    return one_of("--corner", text.upper(), CORNERS, "left or right, front or rear")


def stage_of(text: str) -> str:
    """Read a stage: as-found, trial or as-left.

    Raises:
        MisuseError: If it is none of them.
    """
    return one_of("--stage", text.lower(), STAGES, "before, with a trial shim, after the work")


def unit_of(option: str, text: str) -> Unit:
    """Read a unit: mm or in.

    Raises:
        MisuseError: If it is neither.
    """
    from calc.units import Unit  # noqa: PLC0415

    names = {"inch": "in", '"': "in"}
    return Unit(one_of(option, names.get(text.lower(), text.lower()), tuple(Unit), "millimetres or inches"))


def unit_typed(text: str) -> Unit:
    """The unit that a person thinks in, from a length as typed."""
    from calc.units import Unit  # noqa: PLC0415

    return Unit.INCH if any(word in text.lower() for word in ("in", "thou", '"', "''", "″", "”")) else Unit.MM


def one_of(option: str, text: str, known: tuple[str, ...], meaning: str) -> str:
    """Hold ``text`` to the words ``known``, whose meaning is told where it is none of them.

    Raises:
        MisuseError: If it is none of them.
    """
    if text not in known:
        *some, last = known
        raise MisuseError(option, f'"{text}" is not known: use {", ".join(some)} or {last} ({meaning})')
    return text


def seconds_of(option: str, seconds: float | None) -> float | None:
    """Hold a time to what can be waited for: above 0 and finite, or None for ever.

    Raises:
        MisuseError: If it is no time.
    """
    if seconds is not None and not 0 < seconds < float("inf"):
        raise MisuseError(option, f"{seconds:g} is no time: give seconds above 0")
    return seconds


def days_of(option: str, days: float | None) -> float | None:
    """Hold an age in days to above 0 and finite, or None for any.

    Raises:
        MisuseError: If it is no age.
    """
    if days is not None and not 0 < days < float("inf"):
        raise MisuseError(option, f"{days:g} is no age: give days above 0")
    return days


def with_presses(profile: Profile, *, pressed: bool) -> Profile:
    """The profile, with its gauge sending by the press of a button if ``pressed`` says so."""
    from dataclasses import replace  # noqa: PLC0415

    if not pressed:
        return profile
    return replace(profile, sends="button", gauge=replace(profile.gauge, single=True))


def standing(gauge: Gauge, misalignment_deg: float | None, geometry: str) -> Gauge:
    """The gauge with how it stands on the hub.

    Args:
        gauge: What its profile says.
        misalignment_deg: ``--misalignment``, degrees; None if not given.
        geometry: ``--geometry``.

    Raises:
        MisuseError: If the angle is outside what a cosine can tell, or the geometry is unknown.
    """
    from dataclasses import replace  # noqa: PLC0415

    from calc.alignment import MOST_TILT_DEG, Geometry  # noqa: PLC0415

    if geometry not in tuple(Geometry):
        raise MisuseError("--geometry", f'"{geometry}" is unknown: give one of {", ".join(Geometry)}')
    if misalignment_deg is None:
        return gauge
    if not 0 <= misalignment_deg <= MOST_TILT_DEG:
        raise MisuseError("--misalignment", f"{misalignment_deg:g} is outside 0 to {MOST_TILT_DEG:g} degrees")
    return replace(gauge, misalignment_deg=misalignment_deg, geometry=Geometry(geometry))
