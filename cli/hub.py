"""``shimwright hub``: whether a hub file is right, and what it says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, example
from cli.errors import ExitCode

if TYPE_CHECKING:
    from calc.hub import Hub
    from calc.toml_table import Problem

HubFile = Annotated[Path, typer.Argument(metavar="FILE", help="Hub file (TOML).")]

hub = typer.Typer(help="Check and show hub files.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(hub, name="hub")


@hub.command(epilog=example("shimwright hub check heron-rear.toml heron-front.toml"))
def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Hub files (TOML).")],
    as_json: AsJson = False,
) -> None:
    """Check hub files; every mistake is named with its key and line. Exit code 2 if there is one."""
    from calc.hub import HubFileError, load_hub  # noqa: PLC0415
    from cli.screen import message, put, put_json  # noqa: PLC0415

    wrong = False
    for file in files:
        title = None
        problems: tuple[Problem, ...] = ()
        warnings: tuple[Problem, ...] = ()
        try:
            found = load_hub(file)
            title, warnings = found.title, found.warnings
        except HubFileError as error:
            problems, wrong = error.problems, True
        if as_json:
            told = {"problems": list(map(_told, problems)), "warnings": list(map(_told, warnings))}
            put_json({"file": str(file), "ok": not problems, "title": title} | told)
            continue
        for problem in problems:
            message(f"{file}: {problem}")
        for warning in warnings:
            message(f"{file}: {warning} (allowed)")
        if not problems:
            put(f"{file}: no mistakes found ({title})")
    if wrong:
        raise typer.Exit(ExitCode.MISUSE)


@hub.command(epilog=example("shimwright hub show heron-rear.toml"))
def show(file: HubFile, as_json: AsJson = False) -> None:
    """Show what a hub file says, in words."""
    from calc.hub import load_hub  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    found = load_hub(file)
    if as_json:
        put_json(hub_object(found))
    else:
        put_report(hub_lines(found))


def hub_object(found: Hub) -> dict[str, Any]:
    """A hub file as JSON; lengths are millimetres, torque newton metres."""
    nut = found.nut
    return {
        "title": found.title,
        "unit": found.unit,
        "least_mm": found.limits.least_mm,
        "most_mm": found.limits.most_mm,
        "decision": found.decision,
        "effect": found.effect,
        "sizes_mm": list(found.sizes_mm),
        "trial_mm": found.trial_mm,
        "aim": found.aim if found.sizes_mm else None,
        "shim_u_mm": found.shim_u_mm,
        "reassembly_u_mm": found.reassembly_u_mm,
        "nut": None
        if nut is None
        else {
            "torque_nm": nut.torque.nm,
            "slots": nut.slots,
            "pin_holes": nut.pin_holes,
            "line_up": nut.line_up,
        },
        "cautions": list(found.cautions),
    }


def hub_lines(found: Hub) -> list[str]:
    """A hub file in words, one line each."""
    from calc.units import Unit  # noqa: PLC0415
    from cli.words import MAKERS, nut_words  # noqa: PLC0415

    other = Unit.INCH if found.unit is Unit.MM else Unit.MM
    lines = [
        found.title,
        f"End play: {found.limits.text(found.unit)} ({found.limits.text(other)}).",
        *_shim_lines(found),
    ]
    if found.decision != "simple":
        lines.append(
            f"Decision at a limit: {found.decision}, one expanded uncertainty inside the limits passes."
        )
    if found.nut is not None:
        lines += nut_words(found.nut)
        if found.nut.slots is not None:
            holes = "" if found.nut.pin_holes is None else f", {found.nut.pin_holes} pin holes in the spindle"
            lines.append(f"Nut with {found.nut.slots} slots{holes}.")
    return [*lines, *found.cautions, MAKERS]


def _shim_lines(found: Hub) -> list[str]:
    from calc.units import format_size  # noqa: PLC0415

    if not found.sizes_mm:
        return ["No shim: the nut sets the end play."]
    sizes = [format_size(size, found.unit) for size in found.sizes_mm]
    more = "more" if found.effect == "opens" else "less"
    aims = {
        "tightest": "the tightest that is still within limits",
        "middle": "the one nearest the middle of the limits",
        "surest": "the one most surely within limits",
    }
    lines = [f"Shims: {_range(sizes)}; a thicker one gives {more} end play.", f"Choice: {aims[found.aim]}."]
    if found.trial_mm is not None:
        trial = format_size(found.trial_mm, found.unit)
        lines.append(f"Trial shim with new bearings or a new spindle: {trial}.")
    return lines


def _range(sizes: list[str]) -> str:
    return sizes[0] if len(sizes) == 1 else f"{len(sizes)} sizes, {sizes[0]} to {sizes[-1]}"


def _told(problem: Problem) -> dict[str, str | int | None]:
    return {"key": problem.key, "line": problem.line, "text": problem.text}
