"""``shimwright job sheet``: a job on one or two pages, to be signed and kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, LogFile, example
from cli.errors import CliError, MisuseError

if TYPE_CHECKING:
    from cli.sheet_content import Source
    from joblog.jobs import Job

ENDINGS = (".pdf", ".html")
"""What the sheet's file may end in, and then is."""


def add_to(group: typer.Typer) -> None:
    """Put the command into the group ``shimwright job``."""
    group.command(epilog=example("shimwright job sheet 4f3a --out left-and-right-rear.pdf"))(sheet)


def sheet(
    job_id: Annotated[
        str | None,
        typer.Argument(
            metavar="[ID]",
            help="A job's id, or its first characters. Default: the newest open job, else the newest.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where to; it ends in .pdf or .html. Default: job-ID.pdf, here.",
            show_default=False,
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Write the job sheet: each corner as found and as left with its pictures, and all that was done.

    One or two pages for two corners, in millimetres and inches, good in black and white, with a place to
    sign. An unfinished job has one too; it says so.
    """
    from cli.screen import put, put_json  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    if out is not None:
        check_file(out, force=force)
    path = log_place(log).path
    job = job_of(path, job_id)
    file = out if out is not None else Path(f"job-{job.short_id}.pdf")
    if out is None:
        check_file(file, force=force)
    source = source_of(path, job)
    write(source, file, force=force)
    simulated = any(m.simulated for m in source.measurements.values())
    if as_json:
        put_json({"job_id": job.id, "file": str(file), "closed": not job.is_open, "simulated": simulated})
        return
    state = "" if not job.is_open else ", NOT FINISHED: the sheet says what is left"
    put(f"Job sheet of {job.vehicle} ({job.short_id}) in {file}{state}{', SIMULATED' if simulated else ''}.")


def check_file(file: Path, *, force: bool) -> None:
    """See whether a sheet can go into this file, before anything is made.

    Raises:
        MisuseError: If its ending is neither, its folder is missing, or it is there already.
    """
    if file.suffix.lower() not in ENDINGS:
        named = f'"{file.suffix}"' if file.suffix else "no ending"
        raise MisuseError("--out", f"{file} has {named}: end it in .pdf or .html")
    if not file.parent.is_dir():
        raise MisuseError("--out", f"there is no folder {file.parent}: make it, or name another")
    if file.is_dir():
        raise MisuseError("--out", f"{file} is a folder: name a file")
    if file.exists() and not force:
        raise MisuseError("--out", f"{file} exists and stays as it is: name a new file, or add --force")


def job_of(path: Path, job_id: str | None) -> Job:
    """The job asked for; without an id the newest open one, else the newest.

    Raises:
        CliError: If there is no job at all.
        LogError: If the id is unknown, or the log cannot be read.
    """
    from joblog.jobs import list_jobs, load_job  # noqa: PLC0415

    if job_id is not None:
        return load_job(path, job_id)
    jobs = list_jobs(path, open_only=True) or list_jobs(path)
    if not jobs:
        raise CliError(f"{path} holds no job: open one with shimwright job open")
    return jobs[-1]


def source_of(path: Path, job: Job) -> Source:
    """All that a job's sheet is made from.

    Raises:
        LogError: If a measurement cannot be read.
    """
    from cli.sheet_content import Source  # noqa: PLC0415
    from cli.version import version  # noqa: PLC0415
    from joblog.checks import list_checks  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415

    ids = [one.id for card in job.corners.values() for one in card.measurements]
    measurements = {one: load_measurement(path, one) for one in ids}
    return Source(job, measurements, list_checks(path), version())


def write(source: Source, file: Path, *, force: bool) -> None:
    """Make the sheet and write it; its ending says what it is.

    Raises:
        OSError: If it cannot be written.
    """
    from cli.sheet_content import content_of  # noqa: PLC0415
    from cli.sheet_html import html_sheet  # noqa: PLC0415
    from cli.sheet_pdf import pdf_sheet  # noqa: PLC0415

    content = content_of(source)
    made = html_sheet(content).encode() if file.suffix.lower() == ".html" else pdf_sheet(content)
    with file.open("wb" if force else "xb") as opened:
        opened.write(made)
