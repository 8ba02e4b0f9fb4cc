"""A hub that goes together again: its torque held against the hub file, and what it does to the stock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.hub import Hub
    from cli.job_card import At
    from joblog.jobs import JobEntry
    from joblog.records import Row

SAME_MM = 0.0101
"""A shim that came out is the size in the hub file that is no farther from it than this, millimetres."""

_NO_TOLERANCE = 0.01
"""Where the file states no tolerance a torque is pointed out when it is off by more than this part of it."""


def torque_data(text: str | None, hub: Hub) -> dict[str, Any]:
    """The torque as entered.

    Args:
        text: As typed; None if not given.
        hub: The hub, whose nut must have got a torque if it has one.

    Raises:
        MisuseError: If it is missing or no torque.
    """
    from calc.torque import parse_torque  # noqa: PLC0415
    from calc.units import UnitsError  # noqa: PLC0415

    if text is None:
        said = "" if hub.nut is None else f"; the hub file says {hub.nut.torque_text}"
        raise MisuseError("--torque", f"missing: say what the nut was tightened to{said}")
    try:
        torque = parse_torque(text)
    except UnitsError as error:
        raise MisuseError("--torque", str(error)) from None
    return {"torque_nm": torque.nm, "torque_text": torque.text}


def torque_notes(data: dict[str, Any], hub: Hub) -> list[str]:
    """What is to be pointed out about the torque and the pin; it is recorded all the same."""
    notes, nut = [], hub.nut
    if nut is not None:
        asked, got = nut.torque.nm, data["torque_nm"]
        tolerance = asked * _NO_TOLERANCE if nut.tolerance is None else nut.tolerance.nm
        onward = bool(data["lined_up"]) and got > asked
        most = None if nut.most is None else nut.most.nm
        if most is not None and got > most + 1e-9:
            notes.append(
                f"{data['torque_text']} is more than the {nut.most} that the hub file allows at most"
            )
        elif abs(got - asked) > tolerance + 1e-9 and not onward:
            way = "more" if got > asked else "less"
            notes.append(
                f"{data['torque_text']} is {way} than the {nut.torque_text} of the hub file: check it"
            )
        if not data["new_pin"] and nut.slots is not None:
            notes.append("no new pin was entered: a cotter pin is never used twice (--new-pin)")
    return notes


def stock_rows(at: At, entry: JobEntry, scrap_old: bool) -> tuple[list[tuple[str, Row]], list[str]]:
    """What goes from the stock and comes back to it, where one is kept of these shims.

    Args:
        at: The corner.
        entry: The entry that it belongs to.
        scrap_old: Whether what came out is not to go back.

    Returns:
        The rows, and what to point out.
    """
    from calc.units import format_size  # noqa: PLC0415
    from joblog.stock import counts, fit_row, return_row, short_after  # noqa: PLC0415

    hub = at.card.hub
    book = counts(at.store.path, hub.shim_bin)
    if not book or not at.card.shimmed:
        return [], []
    removed = [_nominal(size, hub) for size in _came_out(at)]
    going = [_nominal(size, hub) for size in entry.data["thicknesses_mm"]]
    for size in list(removed):
        if size in going:  # the same goes in again
            going.remove(size)
            removed.remove(size)
    who, bin_name = entry.who, hub.shim_bin
    rows = [fit_row(bin_name, size, job_entry_id=entry.id, who=who) for size in going]
    if not scrap_old:
        rows += [return_row(bin_name, size, job_entry_id=entry.id, who=who) for size in removed]
    said = [
        f"by the book there was no {format_size(size, hub.unit)} in the stock of {bin_name}: time to count"
        for size in short_after(book, *going)
    ]
    return [(table, dict(row)) for table, row in rows], said


def _came_out(at: At) -> tuple[float, ...]:
    """The shims that were in the hub before: those it last went together with, else those found in it."""
    for step in reversed(at.card.steps):
        put_in = step.kind == "reassembled" or (step.kind == "fitted" and not step.data.get("trial"))
        if put_in and step.data.get("thicknesses_mm"):
            return tuple(step.data["thicknesses_mm"])
    return ()


def _nominal(size_mm: float, hub: Hub) -> float:
    """The size of the hub file that a measured shim is; its own if it is none of them."""
    nearest = min(hub.sizes_mm, key=lambda size: abs(size - size_mm))
    return nearest if abs(nearest - size_mm) <= SAME_MM else size_mm
