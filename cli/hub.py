"""``shimwright hub``: whether a hub file is right, and what it says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import hub_new
from cli.arguments import AsJson, example
from cli.errors import ExitCode

if TYPE_CHECKING:
    from calc.hub import Hub
    from calc.toml_table import Problem

HubFile = Annotated[Path, typer.Argument(metavar="FILE", help="Hub file (TOML).")]

VariantName = Annotated[
    str | None,
    typer.Option(
        "--variant", metavar="NAME", help="Variant of the hub. Default: the one that the hub file names."
    ),
]

hub = typer.Typer(help="Write, check and show hub files.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    hub_new.add_to(hub)
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


@hub.command(epilog=example("shimwright hub show heron-rear.toml --variant late"))
def show(file: HubFile, variant: VariantName = None, as_json: AsJson = False) -> None:
    """Show what a hub file says, in words, each rule at the step of the work it belongs to."""
    from calc.hub import load_hub  # noqa: PLC0415
    from cli.hub_words import hub_lines  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    found = load_hub(file)
    if variant is not None:
        found = found.as_variant(variant)
    if as_json:
        put_json(hub_object(found))
    else:
        put_report(hub_lines(found))


def hub_object(found: Hub) -> dict[str, Any]:
    """A hub file as JSON; lengths are millimetres, torque newton metres."""
    from calc.hub_rules import Step  # noqa: PLC0415

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
            "tolerance_nm": None if nut.tolerance is None else nut.tolerance.nm,
            "most_nm": None if nut.most is None else nut.most.nm,
            "thread_pitch_mm": nut.thread_pitch_mm,
            "washer": nut.washer,
        },
        "cautions": list(found.cautions),
        "most_in_pack": found.most_in_pack,
        "shim_bin": found.shim_bin,
        "seals": {"outer": found.seals.outer, "inner": found.seals.inner},
        "lubricant": found.lubricant,
        "fit": found.fit,
        "parts": [
            {
                "name": part.name,
                "look_for": part.look_for,
                "renew": part.renew,
                "with": list(part.with_),
                "together": list(found.together(part.name)),
                "becomes": part.becomes,
                "trial": part.trial,
            }
            for part in found.parts
        ],
        "steps": {
            step: {"do": list(found.rules(step).do), "cautions": list(found.rules(step).cautions)}
            for step in Step
        },
        "variant": found.variant,
        "variants": [
            {"name": one.name, "title": one.title, "tell_by": one.tell_by} for one in found.variants
        ],
    }


def _told(problem: Problem) -> dict[str, str | int | None]:
    return {"key": problem.key, "line": problem.line, "text": problem.text}
