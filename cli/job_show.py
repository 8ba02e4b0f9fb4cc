"""A job card as a person sees it whole, and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.units import Unit, format_length
from cli.job_words import STEP_OF, car_words, next_words, sizes_text
from cli.words import CORNER_NAMES, MAKERS, STAGE_NAMES
from joblog.course import Place

if TYPE_CHECKING:
    from collections.abc import Iterable

    from joblog.jobs import CornerCard, Job, JobEntry
    from joblog.reader import Listed


def job_object(job: Job) -> dict[str, Any]:
    """The job object of the contract."""
    return {
        "job_id": job.id,
        "opened_at": job.opened_at,
        "closed_at": job.closed_at,
        "vehicle": job.vehicle,
        "registration": job.registration,
        "odometer": None if job.odometer is None else job.odometer.value,
        "odometer_unit": None if job.odometer is None else job.odometer.unit,
        "mechanic": job.mechanic,
        "corners": [_corner_object(card) for card in job.corners.values()],
        "notes": [_entry_object(entry) for entry in job.notes],
    }


def show_object(job: Job) -> dict[str, Any]:
    """The job object with every entry ever written."""
    return job_object(job) | {"entries": [_entry_object(entry) for entry in job.entries]}


def _corner_object(card: CornerCard) -> dict[str, Any]:
    return {
        "corner": card.corner,
        "hub_title": card.hub.title,
        "variant": card.hub.variant,
        "place": str(card.place),
        "fitted_mm": card.fitted_mm,
        "measurements": [one.id for one in card.measurements],
    }


def _entry_object(entry: JobEntry) -> dict[str, Any]:
    data = {key: value for key, value in entry.data.items() if key != "hub_text"}
    return {
        "entry_id": entry.id,
        "at": entry.at,
        "who": entry.who,
        "kind": str(entry.kind),
        "corner": entry.corner,
        "data": data,
        "measurement_id": entry.measurement_id,
        "corrects": entry.corrects,
    }


def list_line(job: Job) -> str:
    """One job of a listing."""
    state = f"closed {job.closed_at[:10]}" if job.closed_at else "open"
    corners = ", ".join(f"{card.corner} {card.place}" for card in job.corners.values())
    registration = f", {job.registration}" if job.registration else ""
    return f"{job.short_id}  {job.opened_at[:10]}  {state}  {job.vehicle}{registration}: {corners}"


def show_lines(job: Job) -> list[str]:
    """A job card for a person, one line each."""
    car = [job.vehicle, job.registration, None if job.odometer is None else odometer_text(job)]
    lines = [
        f"Job {job.short_id}, opened {clock(job.opened_at)}"
        + (f", closed {clock(job.closed_at)}." if job.closed_at else ", open."),
        f"Vehicle: {', '.join(text for text in car if text)}.",
    ]
    if job.mechanic:
        lines.append(f"Mechanic: {job.mechanic}.")
    for card in job.corners.values():
        lines += ["", *_corner_lines(job, card)]
    shown = {"note", "taken-up", "closed", "reopened"}
    if sum(entry.kind == "car" for entry in job.entries) > 1:  # put right: both are told
        shown.add("car")
    about_all = [entry for entry in job.entries if entry.corner is None and entry.kind in shown]
    if about_all:
        lines += ["", "Whole car:", *(line for entry in about_all for line in _entry_lines(job, entry, None))]
    return [*lines, "", MAKERS]


def odometer_text(job: Job) -> str:
    """What the odometer showed, with its unit."""
    return "" if job.odometer is None else f"{job.odometer.value:.10g} {job.odometer.unit}"


def clock(at: str) -> str:
    """A time of the log for a person: ``2026-03-02 08:30 UTC``."""
    return f"{at[:10]} {at[11:16]} UTC"


def _corner_lines(job: Job, card: CornerCard) -> list[str]:
    variant = f", {card.hub.variant}" if card.hub.variant else ""
    lines = [
        f"{card.corner} {CORNER_NAMES[card.corner]}: {card.hub.title}{variant}. Stands at: {card.place}."
    ]
    by_id = {one.id: one for one in card.measurements}
    written = {entry.measurement_id for entry in job.entries}
    for entry in _beside(job.entries):
        if entry.corner == card.corner and (entry.kind != "corner" or "variant" in entry.data):
            lines += _entry_lines(job, entry, by_id.get(entry.measurement_id or ""), card.hub.unit)
    lines += [
        f"  {clock(one.at)}  measured {_measured(one, card.hub.unit)}"
        for one in card.measurements
        if one.id not in written
    ]
    do, mind = next_words(card)
    if job.is_open and card.place is not Place.DONE:
        lines += [f"  Next: {do}", f"  {mind}"]
        step = STEP_OF[card.place]
        lines += [f"    {text}" for text in card.hub.rules(step).do]
    return lines


def _beside(entries: Iterable[JobEntry]) -> list[JobEntry]:
    """The entries in their order, but each correction right after what it replaces."""
    roots: dict[str, str] = {}
    groups: dict[str, list[JobEntry]] = {}
    for entry in entries:
        root = roots[entry.id] = roots.get(entry.corrects or "", entry.id)
        groups.setdefault(root, []).append(entry)
    return [entry for group in groups.values() for entry in group]


def _entry_lines(job: Job, entry: JobEntry, measured: Listed | None, unit: Unit = Unit.MM) -> list[str]:
    """An entry, marked where another stands in place of it, or where it stands in place of another."""
    later = next((other.id[:8] for other in job.entries if other.corrects == entry.id), None)
    mark = f"[put right by {later}] " if later else ""
    if entry.corrects:
        mark = f"[in place of {entry.corrects[:8]}] {mark}"
    who = f" ({entry.who})" if entry.who else ""
    text = _measured(measured, unit) if measured is not None else entry_words(entry, unit)
    return [f"  {clock(entry.at)}  {entry.id[:8]}  {mark}{entry.kind}: {text}{who}"]


def _measured(one: Listed, unit: Unit) -> str:
    made_up = ", SIMULATED" if one.simulated else ""
    if one.end_play_mm is None or one.state != "measured":
        return f"{STAGE_NAMES[one.stage]}, {one.state.upper()}, does not count{made_up} ({one.id[:8]})"
    expanded = f" ± {format_length(one.expanded_mm, unit)}" if one.expanded_mm is not None else ""
    return (
        f"{STAGE_NAMES[one.stage]}, {format_length(one.end_play_mm, unit)}{expanded}, "
        f"{(one.verdict or '').upper()}{made_up} ({one.id[:8]})"
    )


def entry_words(entry: JobEntry, unit: Unit) -> str:  # noqa: C901, PLR0911, PLR0912 - one for each kind
    """What an entry says, for a person."""
    data = entry.data
    match entry.kind:
        case "car":
            return car_words(data)
        case "corner":
            return f"variant {data['variant']}" if data.get("variant") else str(data.get("hub_title", ""))
        case "part":
            found = f", found {data['finding']}" if data.get("finding") else ""
            beside = f", with {', '.join(data['with'])}" if data.get("with") else ""
            return f"{data['name']} {data['action']}{beside}{found}"
        case "fitted":
            return (
                f"{sizes_text(data['thicknesses_mm'], unit)}{', the trial shim' if data.get('trial') else ''}"
            )
        case "chosen":
            leaves = ""
            if data.get("expected_mm") is not None:
                leaves = f", to leave {format_length(data['expected_mm'], unit)}"
            return f"{sizes_text(data['thicknesses_mm'], unit)}{leaves}. {data['why']}"
        case "reassembled":
            shims = f"{sizes_text(data['thicknesses_mm'], unit)}, " if data.get("thicknesses_mm") else ""
            lined = f", {data['lined_up']}" if data.get("lined_up") else ""
            pin = "new pin" if data.get("new_pin") else "NO new pin entered"
            return f"{shims}{data['torque_text']}{lined}, {pin}"
        case "skipped":
            return f"{data['step']}, because {data['why']}"
        case "note":
            return str(data["text"])
        case "closed":
            return f"although not all was done: {data['why']}" if data.get("why") else "all corners done"
        case "torn-down":
            return "the hub is apart"
        case "taken-up":
            return f"at {data['station']}"
        case "reopened":
            return "worked on again"
        case _:
            return ""
