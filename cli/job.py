"""``shimwright job``: job cards, from the car on its stands to the last corner done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import job_car, job_steps, sheet
from cli.arguments import AsJson, LogFile, Who, corner_of, example
from cli.errors import CliError, MisuseError
from cli.job_arguments import Corner, Instead, JobId, Mechanic, OdometerShown, Registration
from cli.job_car import odometer_of

if TYPE_CHECKING:
    from calc.hub import Hub
    from joblog.jobs import Job

job = typer.Typer(help="Job cards: the whole job at a car, corner by corner.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(job, name="job")


@job.command(
    "open",
    epilog=example(
        "shimwright job open --vehicle 'Heron GT' --odometer '82500 km' \\",
        "    --corner LR=heron-rear.toml:early --corner RR=heron-rear.toml:late",
    ),
)
def open_(  # noqa: PLR0917 - options are given by name
    vehicle: Annotated[str, typer.Option(metavar="TEXT", help="Which vehicle.")],
    corner: Annotated[
        list[str],
        typer.Option(
            metavar="LR=FILE[:VARIANT]",
            help="A corner to do with its hub file, and its variant; once for each corner.",
        ),
    ],
    registration: Registration = None,
    odometer: OdometerShown = None,
    mechanic: Mechanic = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Open a job card. The hub files are kept in it whole, as they are now."""
    from cli.job_show import job_object  # noqa: PLC0415
    from cli.job_words import most_sensible, next_words  # noqa: PLC0415
    from cli.screen import put, put_json, put_report  # noqa: PLC0415
    from cli.version import version  # noqa: PLC0415
    from joblog.jobs import EntryKind, load_job, new_entry, open_job  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.records import new_id  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    if not vehicle.strip():
        raise MisuseError("--vehicle", "is empty: say which vehicle it is")
    car: dict[str, Any] = {"vehicle": vehicle.strip(), "registration": registration, "mechanic": mechanic}
    if odometer is not None:
        car |= odometer_of(odometer)
    hubs = _hubs(corner)
    job_id = new_id()
    entries = [new_entry(job_id, EntryKind.CAR, None, car, mechanic)]
    for name, hub in hubs.items():
        data = {"hub_title": hub.title, "hub_text": hub.text, "hub_path": hub.path, "variant": hub.variant}
        entries.append(new_entry(job_id, EntryKind.CORNER, name, data, mechanic))
    with Store.open(log_place(log).ready()) as store:
        open_job(store, version(), entries)
        opened = load_job(store.path, job_id)
    if as_json:
        put_json(job_object(opened))
        return
    put(f"Job {opened.short_id}, {opened.vehicle}: {', '.join(opened.corners)}.")
    card = most_sensible(opened)
    if card is not None:
        put_report([*next_words(card)])


@job.command("list", epilog=example("shimwright job list --open"))
def list_(
    only_open: Annotated[bool, typer.Option("--open", help="Only those that are open.")] = False,
    vehicle: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Only where the vehicle or registration has this in it."),
    ] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """List the job cards, the oldest first, with where each corner stands."""
    from cli.job_show import job_object, list_line  # noqa: PLC0415
    from cli.screen import put, put_json, put_report  # noqa: PLC0415
    from joblog.jobs import list_jobs  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    found = list_jobs(log_place(log).path, open_only=only_open, vehicle=vehicle)
    if as_json:
        for one in found:
            put_json(job_object(one))
    elif found:
        put_report([list_line(one) for one in found])
    else:
        put("No such job in the log." if only_open or vehicle else "No job in the log.")


@job.command(epilog=example("shimwright job show 3f2a91c0"))
def show(job_id: JobId = None, log: LogFile = None, as_json: AsJson = False) -> None:
    """Show a job card: the course of each corner, with what was put right beside what it replaces."""
    from cli.job_card import the_job  # noqa: PLC0415
    from cli.job_show import show_lines, show_object  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    found = the_job(log_place(log).path, job_id)
    if as_json:
        put_json(show_object(found))
    else:
        put_report(show_lines(found))


@job.command("next", epilog=example("shimwright job next --corner LR"))
def next_(job_id: JobId = None, corner: Corner = None, log: LogFile = None, as_json: AsJson = False) -> None:
    """Say in two lines what to do now, with its number and its caution."""
    from cli.job_card import the_corner, the_job  # noqa: PLC0415
    from cli.job_words import most_sensible, next_object, next_words  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    found = the_job(log_place(log).path, job_id)
    card = most_sensible(found) if corner is None else the_corner(found, corner)
    if card is None:
        card = next(iter(found.corners.values()))
        if not as_json:
            state = f"Close it: shimwright job close {found.short_id}" if found.is_open else "It is closed."
            put_report([f"Job {found.short_id}: every corner is done.", state])
            return
    if as_json:
        put_json(next_object(found, card))
    else:
        put_report([*next_words(card)])


@job.command(epilog=example("shimwright job note 'left handbrake cable frayed' --corner LR"))
def note(
    words: Annotated[list[str], typer.Argument(metavar="[ID] TEXT", help="The job's id, and the note.")],
    corner: Corner = None,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Write something down on a job card."""
    from cli.job_card import entry_of, id_and, the_corner, the_job  # noqa: PLC0415
    from cli.screen import put  # noqa: PLC0415
    from joblog.jobs import EntryKind, add_entries, new_entry  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    job_id, text = id_and(words, "TEXT")
    if not (text or "").strip():
        raise MisuseError("TEXT", "is empty: say what is to be noted")
    path = log_place(log).path
    found = the_job(path, job_id)
    where = None if corner is None else the_corner(found, corner).corner
    before = None if instead is None else entry_of(found, instead, EntryKind.NOTE, None)
    if before is not None and corner is None:
        where = before.corner
    corrects = None if before is None else before.id
    entry = new_entry(found.id, EntryKind.NOTE, where, {"text": text}, who, corrects=corrects)
    with Store.open(path) as store:
        add_entries(store, [entry])
    put(f"Noted on job {found.short_id} as {entry.id[:8]}.")


@job.command(epilog=example("shimwright job close 3f2a91c0"))
def close(
    job_id: JobId = None,
    why: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Why it is closed although not every corner is done.")
    ] = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Close a job card, when every corner is done; or say why it is closed before."""
    from cli.job_card import open_one  # noqa: PLC0415
    from cli.screen import put  # noqa: PLC0415
    from joblog.jobs import EntryKind, Place, add_entries, new_entry  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    path = log_place(log).path
    found = open_one(path, job_id)
    left = [card for card in found.corners.values() if card.place is not Place.DONE]
    missing = "; ".join(f"{card.corner} stands at {card.place}" for card in left)
    if left and not (why or "").strip():
        raise CliError(f"job {found.short_id} is not done: {missing}; finish it, or say why with --why")
    data = {"why": why, "missing": [f"{card.corner}: {card.place}" for card in left]} if left else {}
    with Store.open(path) as store:
        add_entries(store, [new_entry(found.id, EntryKind.CLOSED, None, data, who)])
    put(f"Job {found.short_id} is closed" + (f", not done: {missing}." if left else ", every corner done."))


@job.command(epilog=example("shimwright job reopen 3f2a91c0"))
def reopen(
    job_id: Annotated[str, typer.Argument(metavar="ID", help="A job's id, or its first characters.")],
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Open a closed job card again."""
    from cli.screen import put  # noqa: PLC0415
    from joblog.jobs import EntryKind, add_entries, load_job, new_entry  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    path = log_place(log).path
    found: Job = load_job(path, job_id)
    if found.is_open:
        raise CliError(f"job {found.short_id} is open already")
    with Store.open(path) as store:
        add_entries(store, [new_entry(found.id, EntryKind.REOPENED, None, {}, who)])
    put(f"Job {found.short_id} is open again.")


job_car.add_to(job)
job_steps.add_to(job)
sheet.add_to(job)


def _hubs(corners: list[str]) -> dict[str, Hub]:
    """The hub of each corner, its variant chosen where it has any."""
    from calc.hub import load_hub  # noqa: PLC0415

    hubs: dict[str, Hub] = {}
    for text in corners:
        name, equals, rest = text.partition("=")
        if not equals or not rest:
            raise MisuseError(
                "--corner", f'"{text}": write the corner and its hub file, as LR=heron-rear.toml'
            )
        corner = corner_of(name.strip())
        if corner in hubs:
            raise MisuseError("--corner", f"{corner} comes twice")
        file, colon, variant = rest.rpartition(":")
        if not colon or Path(rest).exists():
            file, variant = rest, ""
        hub = load_hub(Path(file))
        hubs[corner] = hub.as_variant(variant) if variant else _asked(hub, corner)
    return hubs


def _asked(hub: Hub, corner: str) -> Hub:
    """A person at a terminal is asked which variant it is; else it must have been said."""
    import sys  # noqa: PLC0415

    if len(hub.variants) < 2:
        return hub.as_variant(hub.variants[0].name) if hub.variants else hub
    told = "; ".join(f"{one.name}: {one.tell_by or one.title}" for one in hub.variants)
    if not sys.stdin.isatty():
        first = hub.variants[0].name
        raise MisuseError(
            "--corner",
            f"{corner}: which variant? {told}; name it after the file, as {corner}={hub.path}:{first}",
        )
    return hub.as_variant(typer.prompt(f"{corner}: which variant? {told}", default=hub.variant))
