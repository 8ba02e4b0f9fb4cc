"""``shimwright gauge``: which gauge formats are known, what a profile says, and whether a file is right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import gauge_identify, gauge_scan, gauge_verify
from cli.arguments import AsJson, example
from cli.errors import ExitCode

if TYPE_CHECKING:
    from capture.errors import ProfileProblem
    from capture.profiles import Example, Profile

gauge = typer.Typer(help="Know, check and find out how gauges speak.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``; each further command of the group stands in a file of its own."""
    gauge_identify.add_to(gauge)
    gauge_scan.add_to(gauge)
    gauge_verify.add_to(gauge)
    app.add_typer(gauge, name="gauge")


@gauge.command("list", epilog=example("shimwright gauge list"))
def list_profiles(as_json: AsJson = False) -> None:
    """List the built-in gauge profiles."""
    from capture.profile_files import built_in, built_in_names  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    width = max(map(len, built_in_names()))
    lines = []
    for name in built_in_names():
        profile = built_in(name)
        if as_json:
            put_json({"name": name, "title": profile.title, "sends": profile.sends})
        else:
            lines.append(f"{name:{width}}  {profile.title}")
    put_report(lines)


@gauge.command(epilog=example("shimwright gauge show stx-etx-xor", "shimwright gauge show line --toml"))
def show(
    profile: Annotated[str, typer.Argument(metavar="NAME|FILE", help="A built-in profile, or a file.")],
    toml: Annotated[
        bool, typer.Option("--toml", help="Print it as a profile file, to copy and change.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show what a gauge profile says, in words, with the bytes of its examples."""
    from capture.profile_files import load_profile  # noqa: PLC0415
    from cli.errors import CliError  # noqa: PLC0415
    from cli.screen import put, put_json, put_report  # noqa: PLC0415

    found = load_profile(profile)
    if toml:
        if not found.source:
            raise CliError(f"{found.name} is no file: a profile without [text] and [packed] reads as it does")
        put(found.source.rstrip("\n"))
    elif as_json:
        put_json(profile_object(found))
    else:
        put_report(profile_lines(found))


@gauge.command(epilog=example("shimwright gauge check my-gauge.toml"))
def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Gauge profiles (TOML).")],
    as_json: AsJson = False,
) -> None:
    """Check gauge profiles; every mistake is named with its key and line, and every example is read.

    Exit code 2 if there is a mistake.
    """
    from capture.errors import ProfileError  # noqa: PLC0415
    from capture.profile_files import load_file  # noqa: PLC0415
    from cli.screen import message, put, put_json  # noqa: PLC0415

    wrong = False
    for file in files:
        problems: tuple[ProfileProblem, ...] = ()
        found: Profile | None = None
        try:
            found = load_file(file)
        except ProfileError as error:
            problems, wrong = error.problems, True
        if as_json:
            told = [{"key": one.key, "line": one.line, "text": one.text} for one in problems]
            name = None if found is None else found.name
            put_json({"file": str(file), "ok": not problems, "name": name, "problems": told})
            continue
        for problem in problems:
            message(f"{file}: {problem}")
        if found is not None:
            read = f"{len(found.examples)} examples read as they should" if found.examples else "no examples"
            put(f"{file}: no mistakes found ({found.name}; {read})")
    if wrong:
        raise typer.Exit(ExitCode.MISUSE)


def profile_object(found: Profile) -> dict[str, Any]:
    """A profile as JSON; lengths are millimetres, bytes hexadecimal."""
    gauge, settings = found.gauge, found.settings
    return {
        "name": found.name,
        "title": found.title,
        "sends": found.sends,
        "unit": gauge.unit,
        "resolution_mm": gauge.resolution_mm,
        "range_mm": gauge.range_mm,
        "permissible_error_mm": gauge.permissible_error_mm,
        "permissible_error_source": gauge.permissible_error_source,
        "baud": settings.baud,
        "bytesize": settings.bytesize,
        "parity": settings.parity,
        "stopbits": settings.stopbits,
        "request": settings.request.hex(),
        "period_s": settings.period_s if settings.request else None,
        "examples": [
            {
                "frame": one.frame.hex(),
                "value": None if one.value is None else str(one.value),
                "unit": one.unit,
                "flags": sorted(one.flags),
            }
            for one in found.examples
        ],
    }


def profile_lines(found: Profile) -> list[str]:
    """A profile in words, one line each."""
    from calc.units import Unit, format_length  # noqa: PLC0415
    from capture.profiles import shown  # noqa: PLC0415

    gauge, settings = found.gauge, found.settings
    unit = gauge.unit or Unit.MM
    when = {
        "stream": "It sends all the time.",
        "asked": f"It sends when it is asked: {shown(settings.request)} every {settings.period_s:g} s.",
        "button": "It sends when its button is pressed.",
    }
    lines = [
        f"{found.name}: {found.title}" if found.title else found.name,
        when[found.sends],
        (
            f"Line: {settings.baud} baud, {settings.bytesize} data bits, parity {settings.parity}, "
            f"{settings.stopbits:g} stop bits; a link's options come first."
        ),
        f"Unit: {gauge.unit or 'what the frame says, else --unit'}.",
    ]
    facts = (
        ("Resolution", gauge.resolution_mm, ""),
        ("Range", gauge.range_mm, ""),
        ("Permissible error", gauge.permissible_error_mm, gauge.permissible_error_source),
    )
    lines += [
        f"{what}: {format_length(length, unit)}" + (f" ({source})." if source else ".")
        for what, length, source in facts
        if length is not None
    ]
    if found.examples:
        lines.append("Examples:")
    return lines + [f"  {_example_line(one)}" for one in found.examples]


def _example_line(one: Example) -> str:
    from capture.profiles import shown  # noqa: PLC0415

    texty = all(32 <= byte < 127 for byte in one.frame)
    frame = f'"{shown(one.frame)}"' if texty else one.frame.hex(" ").upper()
    if one.value is None:
        return f"{frame}  garbled"
    told = [f"{one.value}", *([str(one.unit)] if one.unit else []), *sorted(one.flags)]
    return f"{frame}  {' '.join(told)}"
