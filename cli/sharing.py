"""``shimwright stock share``: several corners at once from what is on hand."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, LogFile, corner_of, example, length_mm, thickness_mm, uncertainty_mm
from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.hub import Hub
    from calc.packs import Pack
    from calc.sharing import CornerNeed, Given, Sharing

ORDERS_SHOWN = 3
"""Sizes to order that are named for a corner."""

_HOW = "write corner, end play and fitted shim, such as LR:0.31mm:3.20mm, and :0.004mm for the uncertainty"


def add_to(group: typer.Typer) -> None:
    """Put the command into the group of ``stock``."""
    group.command(
        epilog=example(
            "shimwright stock share --hub heron-rear.toml \\",
            "    --corner LR:0.36mm:3.20mm:0.004mm --corner RR:0.31mm:3.20mm:0.004mm",
        )
    )(share)


def share(  # noqa: PLR0917 - options are given by name
    corner: Annotated[
        list[str] | None,
        typer.Option(
            metavar="C:L:L[:U]",
            help="Corner, end play, fitted shim, uncertainty: LR:0.31mm:3.20mm:0.004mm; several times.",
        ),
    ] = None,
    hub: Annotated[Path | None, typer.Option(metavar="FILE", help="Hub file of these corners.")] = None,
    job: Annotated[
        str | None, typer.Option(metavar="ID", help="The corners of a job that wait for their shim.")
    ] = None,
    reuse: Annotated[
        bool, typer.Option("--reuse", help="The shims that come out of these corners may be fitted again.")
    ] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Share the shims on hand between corners, so that the least sure corner is as sure as it can be.

    Corners with the same kind of shim share what there is. For a corner that nothing fits it says what to
    order. Nothing is taken from the stock by this: fitting does that.
    """
    from calc.sharing import share as share_out  # noqa: PLC0415
    from cli.screen import message, put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    path = log_place(log).path
    if (job is None) == (not corner):
        raise MisuseError("--corner", "give --corner with --hub, or --job, and not both")
    needs = _needs_of_job(path, job) if job is not None else _needs(corner or [], hub)
    counts, unkept = _counts(path, needs, must_exist=log is not None)
    if reuse:
        for need in needs:
            book = counts.get(need.hub.shim_bin)
            if book and need.fitted_shims == 1:
                book[round(need.fitted_mm, 6)] = max(book.get(round(need.fitted_mm, 6), 0), 0) + 1
    found = share_out(needs, counts)
    if as_json:
        put_json(sharing_object(found, needs))
        return
    for name in unkept:
        message(f"no stock is kept of {name}: every size counts as on hand (shimwright stock count)")
    put_report(sharing_lines(found, needs))


def sharing_object(found: Sharing, needs: list[CornerNeed]) -> dict[str, Any]:
    """The contract's object; key order is part of it."""
    return {
        "corners": [
            {
                "corner": one.corner,
                "bin": need.hub.shim_bin,
                "pack": None if one.pack is None else pack_object(one.pack),
                "alone": None if one.alone is None else pack_object(one.alone),
                "order": [pack_object(pack) for pack in one.order[:ORDERS_SHOWN]],
            }
            for one, need in zip(found.given, needs, strict=True)
        ],
        "least_p_within": found.least_p,
        "complete": found.complete,
    }


def pack_object(pack: Pack) -> dict[str, Any]:
    """A pack for other programs."""
    return {
        "thicknesses_mm": list(pack.thicknesses_mm),
        "expected_mm": pack.expected_mm,
        "u_mm": pack.u_mm,
        "p_within": pack.p_within,
    }


def sharing_lines(found: Sharing, needs: list[CornerNeed]) -> list[str]:
    """Who gets what, for a person."""
    from calc.limits import percent  # noqa: PLC0415
    from cli.words import MAKERS  # noqa: PLC0415

    lines = []
    for one, need in zip(found.given, needs, strict=True):
        lines += _lines_of(one, need.hub)
    if found.least_p is not None and len(found.given) > 1:
        lines.append(
            f"The least sure of them is within limits with a probability of {percent(found.least_p)}."
        )
    if not found.complete:
        lines.append("There are more packs than were looked at: those with the fewest shims were.")
    return [*lines, MAKERS]


def _lines_of(one: Given, hub: Hub) -> list[str]:
    from calc.limits import percent  # noqa: PLC0415
    from calc.packs import leaves_text  # noqa: PLC0415

    unit = hub.unit
    if one.pack is not None:
        pack = one.pack
        leaves = leaves_text(pack.expected_mm, unit)
        line = f"{one.corner}  {pack.text(unit)}  leaves {leaves}, within limits {percent(pack.p_within)}"
        if one.alone is None or one.alone.thicknesses_mm == pack.thicknesses_mm:
            return [line]
        sure = percent(one.alone.p_within)
        return [line, f"    alone it could have had {one.alone.text(unit)}, {sure}"]
    order = [f"{p.text(unit)} ({percent(p.p_within)})" for p in one.order[:ORDERS_SHOWN]]
    if not order:
        return [f"{one.corner}  no size of {hub.title} would do: see its hub file and measure again"]
    return [f"{one.corner}  nothing that is left on hand will do. Order: {', or '.join(order)}"]


def _needs(texts: list[str], hub: Path | None) -> list[CornerNeed]:
    from calc.hub import load_hub  # noqa: PLC0415
    from calc.sharing import CornerNeed  # noqa: PLC0415

    if hub is None:
        raise MisuseError("--hub", "missing: give the hub file of these corners")
    rules = load_hub(hub)
    needs: list[CornerNeed] = []
    for text in texts:
        parts = [part.strip() for part in text.split(":")]
        if len(parts) not in {3, 4}:
            raise MisuseError("--corner", f'"{text}" cannot be read: {_HOW}')
        name = corner_of(parts[0])
        if any(need.corner == name for need in needs):
            raise MisuseError("--corner", f"{name} comes twice")
        u_mm = uncertainty_mm("--corner", parts[3]) if len(parts) == 4 else 0.0
        end_play, fitted = length_mm("--corner", parts[1]), thickness_mm("--corner", parts[2])
        needs.append(CornerNeed(name, end_play, u_mm, math.inf, fitted, rules))
    return needs


def _needs_of_job(path: Path, job_id: str) -> list[CornerNeed]:
    from calc.sharing import CornerNeed  # noqa: PLC0415
    from joblog.fetch import fetch  # noqa: PLC0415
    from joblog.jobs import Place, load_job  # noqa: PLC0415
    from joblog.reader import reading  # noqa: PLC0415

    card = load_job(path, job_id)
    needs = []
    with reading(path) as log:
        for name, one in card.corners.items():
            waits = one.place in {Place.CHOOSE, Place.REASSEMBLE} and one.shimmed
            if not waits or one.basis is None or one.fitted_mm is None or log is None:
                continue
            found = fetch(log, one.basis.id).analysis
            dof = math.inf if found["dof"] is None else found["dof"]
            numbers = (found["end_play_mm"], found["u_mm"], dof, one.fitted_mm)
            needs.append(CornerNeed(name, *numbers, one.hub, max(1, len(one.thicknesses_mm))))
    if not needs:
        raise MisuseError(
            "--job", "no corner of it waits for a shim: measure, take apart and measure the fitted shim first"
        )
    return needs


def _counts(
    path: Path, needs: list[CornerNeed], *, must_exist: bool
) -> tuple[dict[str, dict[float, int]], list[str]]:
    """What there is in the bins of these corners, and the bins of which no stock is kept."""
    from joblog.stock import counts  # noqa: PLC0415

    names = sorted({need.hub.shim_bin for need in needs})
    if not must_exist and not path.exists():
        return {}, names
    books = {name: counts(path, name) for name in names}
    return {name: book for name, book in books.items() if book}, [n for n, book in books.items() if not book]
