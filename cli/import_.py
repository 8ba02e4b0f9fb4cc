"""``shimwright import``: what was exported here or elsewhere, into the log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, LogFile, example
from cli.errors import ExitCode
from cli.parts import PARTS, parts

if TYPE_CHECKING:
    from joblog.importing import Imported
    from joblog.merge import Differing

SHORT_ID = 8
"""Characters of an id that a person sees and types."""

FORMS = {"sqlite": "a log", "jsonl": "JSON lines", "package": "a data package"}


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "import",
        epilog=example(
            "shimwright import march.zip", "shimwright import /media/stick/bay-2.sqlite --dry-run"
        ),
    )(import_)


def import_(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="What shimwright export made, or another station's log."),
    ],
    publish: Annotated[
        bool,
        typer.Option(
            "--publish", help="Also put what is new into the outbox, to be published; else it is not."
        ),
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Change nothing; only say what would be done.")
    ] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Add to the log what it lacks of each file: all that is new in it, or nothing.

    What is there already is passed over, by its UUID. What is there under the same UUID and differs stays as
    it is, and is told. Exit code 2 if anything differs or a file cannot be used; the other files are still
    taken. The files are only read.
    """
    from cli.screen import message, put, put_json  # noqa: PLC0415
    from joblog.errors import HandOnError  # noqa: PLC0415
    from joblog.importing import import_file  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    target = log_place(log).ready()
    wrong = False
    for file in files:
        imported, error = None, None
        try:
            imported = import_file(file, target, publish=publish, dry_run=dry_run)
        except HandOnError as problem:
            error = str(problem)
        except OSError as problem:
            error = f"{file}: {problem.strerror or problem}"
        wrong = wrong or imported is None or bool(imported.merged.differing)
        if as_json:
            put_json(_object(file, imported, error))
        elif imported is None:
            message(f"shimwright: {error}")
        else:
            for one in imported.merged.differing:
                message(f"{file}: {_differing(one)}")
            put(f"{file} ({FORMS[imported.form]}): {_sentence(imported, publish=publish, dry_run=dry_run)}")
    if wrong:
        raise typer.Exit(ExitCode.MISUSE)


def _sentence(imported: Imported, *, publish: bool, dry_run: bool) -> str:
    merged = imported.merged
    said = [f"{parts(merged.added)} {'would be added' if dry_run else 'added'}"]
    if merged.added.get("measurement") and not dry_run:
        said.append("queued to be published" if publish else "not queued to be published")
    if merged.known:
        said.append(f"known already: {parts(merged.known)}")
    if merged.differing:
        said.append(f"{len(merged.differing)} differing from what the log has, left as they are")
    if merged.held_back:
        said.append(f"{merged.held_back} that belong to those not taken")
    return "; ".join(said)


def _differing(one: Differing) -> str:
    return (
        f"{PARTS[one.table][0]} {one.id[:SHORT_ID]} is in the log and differs in {', '.join(one.columns)}; "
        "what the log has stays"
    )


def _object(file: Path, imported: Imported | None, error: str | None) -> dict[str, Any]:
    merged = None if imported is None else imported.merged
    return {
        "file": str(file),
        "form": None if imported is None else imported.form,
        "added": None if merged is None else {name: merged.added.get(name, 0) for name in PARTS},
        "known": None if merged is None else {name: merged.known.get(name, 0) for name in PARTS},
        "differing": []
        if merged is None
        else [{"table": one.table, "id": one.id, "columns": list(one.columns)} for one in merged.differing],
        "held_back": 0 if merged is None else merged.held_back,
        "error": error,
    }
