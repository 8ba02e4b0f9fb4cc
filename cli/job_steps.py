"""The steps of a job, one command each, in the words of the trade."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import LogFile, Who, example, one_of, thickness_mm
from cli.errors import CliError, MisuseError
from cli.job_arguments import Corner, Instead, JobId

if TYPE_CHECKING:
    from pathlib import Path

    from calc.hub import Hub, Part
    from cli.job_card import At
    from joblog.jobs import EntryKind, JobEntry
    from joblog.records import Row

SKIPPABLE = ("measure", "teardown", "parts", "fitted", "choose")
"""Steps that may be left out when it is said why; what is never left out is the reading as left."""


def add_to(job: typer.Typer) -> None:
    """Put the commands into the group ``job``."""
    job.command("torn-down", epilog=example("shimwright job torn-down --corner LR"))(torn_down)
    job.command("part", epilog=example("shimwright job part --corner LR --name spacer --kept"))(part)
    job.command("fitted", epilog=example("shimwright job fitted --corner LR 3.20mm"))(fitted)
    job.command("choose", epilog=example("shimwright job choose --corner LR"))(choose)
    job.command(
        "reassembled", epilog=example("shimwright job reassembled --corner LR --torque '135 N·m' --new-pin")
    )(reassembled)
    job.command("skip", epilog=example("shimwright job skip parts --corner LR --why 'renewed last month'"))(
        skip
    )


def torn_down(
    job_id: JobId = None,
    corner: Corner = None,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Enter that the hub is apart. Its reading as found is in the log by then."""
    from cli.job_card import step_at  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    with step_at(_place(log), job_id, corner, EntryKind.TORN_DOWN, Move.TORN_DOWN, instead) as at:
        _write(at, [_entry(at, EntryKind.TORN_DOWN, {}, who)])


def part(  # noqa: PLR0917 - options are given by name
    name: Annotated[str, typer.Option(metavar="NAME", help="Which part, as the hub file calls it.")],
    job_id: JobId = None,
    corner: Corner = None,
    found: Annotated[str | None, typer.Option(metavar="TEXT", help="What was found.")] = None,
    kept: Annotated[bool, typer.Option("--kept", help="It goes in again as it is.")] = False,
    cleaned: Annotated[bool, typer.Option("--cleaned", help="It goes in again, cleaned.")] = False,
    renewed: Annotated[
        bool, typer.Option("--renewed", help="A new one goes in, with what the hub file says goes with it.")
    ] = False,
    alone: Annotated[
        bool, typer.Option("--alone", help="Only this one was renewed, not what the hub file says with it.")
    ] = False,
    other: Annotated[bool, typer.Option("--other", help="A part that the hub file does not list.")] = False,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Enter a part that was looked at: what was found, and whether it was kept, cleaned or renewed."""
    from cli.job_card import step_at  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    actions = [word for word, said in (("kept", kept), ("cleaned", cleaned), ("renewed", renewed)) if said]
    if len(actions) != 1:
        raise MisuseError("--kept", "say what was done with it: one of --kept, --cleaned and --renewed")
    with step_at(_place(log), job_id, corner, EntryKind.PART, Move.PART, instead) as at:
        hub = at.card.hub
        known = _part_of(hub, name, other)
        called = name.strip() if known is None else known.name
        together = list(hub.together(called)) if renewed and not alone else []
        data: dict[str, Any] = {"name": called, "finding": found, "action": actions[0], "with": together}
        variant = _variant_after(at, known if renewed else None)
        if at.instead is not None and "variant_before" in at.instead.data:
            data["variant_before"] = at.instead.data["variant_before"]
        elif variant != hub.variant:
            data["variant_before"] = hub.variant
        entries = [_entry(at, EntryKind.PART, data, who)]
        if variant != hub.variant:
            entries.append(_entry(at, EntryKind.CORNER, {"variant": variant}, who, fresh=True))
            message(
                f"note: with it {at.card.corner} is now the variant {variant}: its own torque and washer hold"
            )
        if together:
            message(f"note: entered with it, as the hub file says: {', '.join(together)}")
        if renewed and alone and hub.together(called):
            message(f"note: the hub file says to renew with it: {', '.join(hub.together(called))}")
        if known is not None and known.renew == "always" and not renewed:
            message(f"note: the hub file says {called} is always renewed")
        _write(at, entries)


def fitted(
    words: Annotated[
        list[str],
        typer.Argument(metavar="[ID] SIZE", help="The job's id, and the size, as 3.20mm or 3.15mm+0.05mm."),
    ],
    corner: Corner = None,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Enter the shim that was in the hub, as measured; with new bearings, the trial shim put in."""
    from cli.job_card import id_and, step_at  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    job_id, size = id_and(words, "SIZE")
    sizes = _sizes(size or "")
    with step_at(_place(log), job_id, corner, EntryKind.FITTED, Move.FITTED, instead) as at:
        trial = at.card.standing.needs_trial if at.instead is None else bool(at.instead.data.get("trial"))
        _write(at, [_entry(at, EntryKind.FITTED, {"thicknesses_mm": sizes, "trial": trial}, who)])
        if trial:
            message(
                "note: entered as the trial shim, as parts were renewed from which the end play starts anew"
            )


def choose(
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[ID] [SIZE]", help="The job's id, and the size if it is not to be worked out."
        ),
    ] = None,
    corner: Corner = None,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Choose the shim to fit, from the last reading, the shim it was made with, and what is on hand.

    Nothing is taken from the stock by this; that is done when it is fitted (job reassembled).
    """
    from cli.job_card import id_and, step_at  # noqa: PLC0415
    from cli.job_choice import choice_of  # noqa: PLC0415
    from cli.screen import put_report  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    job_id, size = id_and(words, "SIZE", needed=False)
    sizes = None if size is None else _sizes(size)
    with step_at(_place(log), job_id, corner, EntryKind.CHOSEN, Move.CHOSEN, instead) as at:
        data, told = choice_of(at, sizes)
        put_report(told)
        _write(at, [_entry(at, EntryKind.CHOSEN, data, who)])


def reassembled(  # noqa: PLR0917 - options are given by name
    job_id: JobId = None,
    corner: Corner = None,
    torque: Annotated[
        str | None, typer.Option(metavar="T", help="What the nut was tightened to, such as '135 N·m'.")
    ] = None,
    lined_up: Annotated[
        str | None,
        typer.Option(
            "--lined-up", metavar="TEXT", help="How the pin was lined up, such as 'on to the next slot'."
        ),
    ] = None,
    new_pin: Annotated[bool, typer.Option("--new-pin", help="A new cotter pin was fitted.")] = False,
    scrap_old: Annotated[
        bool, typer.Option("--scrap-old", help="The shims that came out do not go back into the stock.")
    ] = False,
    instead: Instead = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Enter that the hub is together again with the shim chosen: torque, how the pin was lined up, a new pin.

    Where a stock is kept, what was fitted leaves it and what came out goes back into it, with the entry.
    """
    from cli.job_card import step_at  # noqa: PLC0415
    from cli.job_reassembly import stock_rows, torque_data, torque_notes  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    with step_at(_place(log), job_id, corner, EntryKind.REASSEMBLED, Move.REASSEMBLED, instead) as at:
        data = torque_data(torque, at.card.hub) | {"lined_up": lined_up, "new_pin": new_pin}
        if at.instead is not None:
            data["thicknesses_mm"] = at.instead.data.get("thicknesses_mm", [])
        elif at.card.chosen is not None:
            data["thicknesses_mm"] = at.card.chosen.data["thicknesses_mm"]
        else:
            data["thicknesses_mm"] = list(at.card.thicknesses_mm)
        notes = torque_notes(data, at.card.hub)
        data["notes"] = notes
        entry = _entry(at, EntryKind.REASSEMBLED, data, who)
        rows: list[tuple[str, Row]] = []
        if at.instead is None:
            rows, said = stock_rows(at, entry, scrap_old)
            notes = [*notes, *said]
        for text in notes:
            message(f"note: {text}")
        _write(at, [entry], rows)


def skip(
    words: Annotated[
        list[str],
        typer.Argument(metavar="[ID] STEP", help=f"The job's id, and the step: {', '.join(SKIPPABLE)}."),
    ],
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why it is left out.")],
    corner: Corner = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Leave a step out, and say why."""
    from cli.job_card import id_and, step_at  # noqa: PLC0415
    from cli.job_words import STEP_OF, where_it_stands  # noqa: PLC0415
    from joblog.course import Move  # noqa: PLC0415
    from joblog.jobs import EntryKind  # noqa: PLC0415

    job_id, step = id_and(words, "STEP")
    one_of("STEP", step or "", SKIPPABLE, "the reading as left is not left out: close the job with --why")
    if not why.strip():
        raise MisuseError("--why", "is empty: say why the step is left out")
    with step_at(_place(log), job_id, corner, EntryKind.SKIPPED, Move.SKIPPED, None) as at:
        if STEP_OF.get(at.card.place) != step:
            raise CliError(f"{step} cannot be left out now: {where_it_stands(at.job, at.card)}")
        _write(at, [_entry(at, EntryKind.SKIPPED, {"step": step, "why": why}, who)])


def _place(log: Path | None) -> Path:
    from joblog.paths import log_place  # noqa: PLC0415

    return log_place(log).path


def _entry(
    at: At, kind: EntryKind, data: dict[str, Any], who: str | None, *, fresh: bool = False
) -> JobEntry:
    from joblog.jobs import new_entry  # noqa: PLC0415

    corrects = None if fresh or at.instead is None else at.instead.id
    return new_entry(at.job.id, kind, at.card.corner, data, who, corrects=corrects)


def _write(at: At, entries: list[JobEntry], rows: list[tuple[str, Row]] | None = None) -> None:
    """Put it into the log, then say what comes next."""
    from cli.job_words import next_words  # noqa: PLC0415
    from cli.screen import put, put_report  # noqa: PLC0415
    from joblog.jobs import add_entries, load_job  # noqa: PLC0415

    add_entries(at.store, entries, *(rows or []))
    first = entries[0]
    beside = f" in place of {at.instead.id[:8]}" if at.instead is not None else ""
    put(f"Entered on job {at.job.short_id}, {at.card.corner}, as {first.id[:8]}{beside}.")
    put_report([*next_words(load_job(at.store.path, at.job.id).corners[at.card.corner])])


def _sizes(text: str) -> list[float]:
    """The shims of a pack: ``3.15mm+0.05mm``."""
    pieces = [piece.strip() for piece in text.split("+")]
    if not all(pieces):
        raise MisuseError("SIZE", f'"{text}" is no size: write it as 3.20mm, or a pack as 3.15mm+0.05mm')
    return [thickness_mm("SIZE", piece) for piece in pieces]


def _part_of(hub: Hub, name: str, other: bool) -> Part | None:
    wanted = name.strip().casefold()
    if not wanted:
        raise MisuseError("--name", "is empty: say which part it is")
    for one in hub.parts:
        if one.name.casefold() == wanted:
            return one
    if hub.parts and not other:
        known = ", ".join(one.name for one in hub.parts)
        raise MisuseError("--name", f'"{name}" is not in the hub file ({known}): correct it, or add --other')
    return None


def _variant_after(at: At, renewed: Part | None) -> str | None:
    """The variant that the hub is after this part: what it becomes, or what it was if that is put right."""
    if renewed is not None and renewed.becomes is not None:
        return renewed.becomes
    if at.instead is not None and "variant_before" in at.instead.data:
        before: str | None = at.instead.data["variant_before"]
        return before
    return at.card.hub.variant
