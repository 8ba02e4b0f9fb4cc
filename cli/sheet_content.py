"""All that stands on a job sheet, gathered once; HTML and PDF only set it on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from calc.hub_rules import Step
from calc.limits import Verdict
from calc.units import Unit, format_length, from_mm
from cli.outcome import significant
from cli.redoing import redo
from cli.report import notches_of, picture_of, verdict_text
from cli.ruler import Notch, Picture
from cli.ruler_svg import ruler_svg
from cli.sheet_words import (
    DEFERS,
    LEGEND,
    PLACES,
    clean,
    corner_words,
    entry_words,
    odometer_words,
    pack_words,
    result_words,
    size_both,
    time_words,
)
from cli.stroke_list import strokes_of
from cli.trace_svg import trace_svg
from cli.words import SIMULATED, STAGE_NAMES, cautions, strokes
from joblog.checks import GaugeCheck, GaugeIdentity
from joblog.jobs import EntryKind, Place

if TYPE_CHECKING:
    from calc.hub import Hub
    from joblog.jobs import CornerCard, Job, JobEntry
    from joblog.records import Measurement

Content = dict[str, Any]
"""Plain text, lists and dictionaries, as JSON has them; text is not escaped yet, pictures are SVG."""

NOTHING = "(nothing more said)"


@dataclass(frozen=True, slots=True)
class Source:
    """What a sheet is made from.

    Attributes:
        job: The job card.
        measurements: Its measurements, whole, by their ids.
        checks: Every check of a gauge in the log, oldest first.
        version: Version of this program.
    """

    job: Job
    measurements: Mapping[str, Measurement]
    checks: Sequence[GaugeCheck] = ()
    version: str = ""


def content_of(source: Source) -> Content:
    """Gather what stands on the sheet."""
    job = source.job
    measured = [
        source.measurements[one.id]
        for card in job.corners.values()
        for one in card.measurements
        if one.id in source.measurements
    ]
    simulated = any(m.simulated for m in measured)
    return {
        "title": "Job sheet",
        "job": job.id,
        "made_by": clean(f"shimwright {source.version}".strip()),
        "simulated": SIMULATED if simulated else "",
        "open": _unfinished(job),
        "facts": _facts(job),
        "summary": [_summary(card) for card in job.corners.values()],
        "corners": [_corner(card, source) for card in job.corners.values()],
        "notes": [_note(entry, job) for entry in job.notes],
        "corrections": _corrections(job),
        "gauges": _gauges(measured, source.checks),
        "cautions": _cautions(job),
        "defers": DEFERS,
        "legend": LEGEND,
    }


def _facts(job: Job) -> list[list[str]]:
    by = f"{job.mechanic}, where no other name is given" if job.mechanic else "not noted"
    rows = [
        ("Vehicle", job.vehicle),
        ("Registration", job.registration or "not noted"),
        ("Odometer", odometer_words(job.odometer)),
        ("Work by", by),
        ("Opened", time_words(job.opened_at)),
        ("Closed", time_words(job.closed_at) if job.closed_at else "NOT CLOSED"),
        ("Job", job.short_id),
    ]
    return [[name, clean(text)] for name, text in rows]


def _unfinished(job: Job) -> str:
    if job.closed_at:
        return ""
    left = [
        f"{corner_words(card.corner)}: {PLACES[card.place]}"
        for card in job.corners.values()
        if card.place is not Place.DONE
    ]
    return clean("NOT FINISHED. " + ("; ".join(left) + "." if left else "Every corner is done; not closed."))


def _summary(card: CornerCard) -> list[str]:
    """One corner in a line: what was outside, and what was done about it."""
    unit = card.hub.unit
    good = [one for one in card.measurements if one.state == "measured"]
    found = next((one for one in good if one.stage == "as-found"), None)
    left = next((one for one in reversed(good) if one.stage == "as-left"), None)
    said = ["not measured as found" if found is None else f"found {_outside(found.verdict)}"]
    renewed = [
        str(e.data.get("name"))
        for e in card.steps
        if e.kind is EntryKind.PART and e.data.get("action") == "renewed"
    ]
    if renewed:
        said.append(f"renewed: {', '.join(renewed)}")
    out = next((e for e in card.steps if e.kind is EntryKind.FITTED), None)
    into = next((e for e in reversed(card.steps) if e.kind is EntryKind.REASSEMBLED), None)
    if out is not None:
        said.append(f"shim out {pack_words(list(out.data.get('thicknesses_mm') or ()), unit)}")
    if into is not None and into.data.get("thicknesses_mm"):
        said.append(f"shim in {pack_words(list(into.data['thicknesses_mm']), unit)}")
    if left is not None:
        said.append(f"left {_outside(left.verdict)}")
    elif found is not None and found.verdict == Verdict.WITHIN and into is None:
        said.append("nothing done")
    elif card.place is not Place.DONE:
        said.append(f"NOT DONE: {PLACES[card.place]}")
    else:
        said.append("no reading as left")
    return [corner_words(card.corner), clean("; ".join(said)) + "."]


def _outside(verdict: str | None) -> str:
    return {"within": "WITHIN limits", "loose": "LOOSE", "tight": "TIGHT"}.get(
        str(verdict), "without a verdict"
    )


def _corner(card: CornerCard, source: Source) -> Content:
    unit, limits = card.hub.unit, card.hub.limits
    variant = f", variant: {card.hub.variant}" if card.hub.variant else ""
    least, most = size_both(limits.least_mm, unit), size_both(limits.most_mm, unit)
    return {
        "name": corner_words(card.corner),
        "hub": clean(card.hub.title + variant),
        "limits": f"Limits of end play: {least} to {most}",
        "place": "" if card.place is Place.DONE else PLACES[card.place],
        "course": _course(card, source),
    }


def _course(card: CornerCard, source: Source) -> list[Content]:
    """Steps and measurements in the order of the work; a correction stands where what it corrects stood."""
    left = {one.id: source.measurements[one.id] for one in card.measurements if one.id in source.measurements}
    own = {entry.measurement_id for entry in card.steps}
    course: list[Content] = []
    for entry in card.steps:
        if entry.kind is not EntryKind.MEASURED:
            while (m := _before(entry.at, left, own)) is not None:
                course.append(_measured(left.pop(m), card))
            row = _row(entry, card.hub.unit, source.job)
            if entry.kind is EntryKind.REASSEMBLED:
                row["text"] += _not_as_said(entry, card.hub)
            if entry.kind is EntryKind.PART:
                row = _with_parts_before(course, entry, row)
            course.append(row)
        elif entry.measurement_id in left:
            course.append(_measured(left.pop(entry.measurement_id), card))
    return course + [_measured(m, card) for m in sorted(left.values(), key=lambda m: m.at)]


def _with_parts_before(course: list[Content], entry: JobEntry, row: Content) -> Content:
    """One row for the parts that were looked at one after the other, those with the same result together."""
    name = clean(str(entry.data.get("name", "")))
    before = course[-1] if course else {}
    if before.get("name") == "Parts" and before["who"] == row["who"]:
        parts: dict[str, list[str]] = course.pop()["parts"]
        row["at"] = before["at"]
    else:
        parts = {}
    parts.setdefault(row["text"], []).append(name)
    said = ". ".join(f"{', '.join(names)}: {text}" for text, names in parts.items())
    return row | {"name": "Parts", "parts": parts, "text": said}


def _not_as_said(entry: JobEntry, hub: Hub) -> str:
    """What to add where the torque is not that of the hub file; lining up the pin may take more of it."""
    torque_nm, nut = entry.data.get("torque_nm"), hub.nut
    if torque_nm is None or nut is None:
        return ""
    slack = 0.005 * nut.torque.nm + (nut.tolerance.nm if nut.tolerance else 0.0)
    low = float(torque_nm) < nut.torque.nm - slack
    high = nut.most is not None and float(torque_nm) > nut.most.nm * 1.005
    return f"; NOT AS THE HUB FILE SAYS: {clean(str(nut.torque))}" if low or high else ""


def _before(at: str, left: Mapping[str, Measurement], own: set[str | None]) -> str | None:
    """The first measurement of this job that no step names, if it was made before this time."""
    loose = [m for m in left.values() if m.id not in own and m.at <= at]
    return min(loose, key=lambda m: m.at).id if loose else None


def _row(entry: JobEntry, unit: Unit, job: Job) -> Content:
    name, text = entry_words(entry, unit)
    corrected = " (corrected, see below)" if entry.corrects else ""
    return {
        "is": "row",
        "at": time_words(entry.at),
        "who": _who(entry, job),
        "name": clean(name),
        "text": clean(text + corrected),
    }


def _who(entry: JobEntry, job: Job) -> str:
    """Who wrote an entry, where it was not the one whose name stands at the top."""
    return "" if entry.who is None or entry.who == job.mechanic else clean(entry.who)


def _note(entry: JobEntry, job: Job) -> Content:
    row = _row(entry, Unit.MM, job)
    return row | {"name": f"Note, {entry.corner}"} if entry.corner else row


def _measured(m: Measurement, card: CornerCard) -> Content:
    head = STAGE_NAMES.get(m.stage, m.stage).capitalize()
    gauge = clean(str(GaugeIdentity(m.link, m.profile, m.gauge_name)))
    mark = "SIMULATED" if m.simulated else ""
    if m.verdict is None or not m.analysis.get("usable"):
        why = " ".join(str(reason["text"]).rstrip(".") + "." for reason in m.analysis.get("reasons", ()))
        name = "Attempt refused" if m.state == "refused" else "Attempt not finished"
        text = f"{head}, gauge {gauge}: {why or 'no end play'} {mark}"
        return {"is": "row", "at": time_words(m.at), "who": "", "name": name, "text": clean(text)}
    own, other = result_words(m.analysis, m.unit)
    notes = [*m.notes]
    if m.gauge_note:
        notes.append(f"Mind: {m.gauge_note}")
    if m.origin:
        notes.append(f"Not measured live: the trace was brought in from {m.origin}")
    seen = strokes(m.analysis["strokes"], m.analysis["half_strokes"])
    return {
        "is": "measured",
        "at": time_words(m.at),
        "name": head,
        "mark": mark,
        "result": own,
        "other": other,
        "verdict": clean(verdict_text(m, card.hub)),
        "seen": clean(f"From {seen}, {len(m.trace)} readings; gauge {gauge}; measurement {m.id[:8]}."),
        "notes": [clean(note) for note in notes],
        "ruler": ruler_svg(_picture(m, card)),
        "trace": trace_svg(m.trace, strokes_of(redo(m).outcome), m.unit) if len(m.trace) else "",
    }


def _picture(m: Measurement, card: CornerCard) -> Picture:
    """The ruler with the shims that were weighed after this reading, the chosen one among them."""
    base = picture_of(m, None)
    if m.verdict == Verdict.WITHIN:
        return base
    notches = () if m.shim is None else notches_of(m.shim)
    later = [one.at for one in card.measurements if one.at > m.at and one.state == "measured"]
    until = min(later, default="9999")
    chosen = [e for e in card.steps if e.kind is EntryKind.CHOSEN and m.at <= e.at <= until]
    if chosen and chosen[-1].data.get("expected_mm") is not None and chosen[-1].data.get("thicknesses_mm"):
        data = chosen[-1].data
        fit = Notch(sum(map(float, data["thicknesses_mm"])), float(data["expected_mm"]), chosen=True)
        others = (replace(n, chosen=False) for n in notches if abs(n.thickness_mm - fit.thickness_mm) > 1e-6)
        notches = (*others, fit)
    return replace(base, notches=notches)


def _corrections(job: Job) -> list[Content]:
    """What was corrected: what stood there, what stands there now, who said so and when."""
    by_id = {entry.id: entry for entry in job.entries}
    rows = []
    for entry in job.entries:
        old = by_id.get(entry.corrects) if entry.corrects else None
        if old is None:
            continue
        card = job.corners.get(entry.corner or "")
        unit = card.hub.unit if card else Unit.MM
        name, now = entry_words(entry, unit)
        before = entry_words(old, unit)[1]
        where = f"{entry.corner}: " if entry.corner else ""
        text = f"was: {before or NOTHING} ({time_words(old.at)}); is: {now or NOTHING}"
        rows.append(
            {
                "is": "row",
                "at": time_words(entry.at),
                "who": _who(entry, job),
                "name": clean(f"{where}{name}"),
                "text": clean(text),
            }
        )
    return rows


def _gauges(measured: Sequence[Measurement], checks: Sequence[GaugeCheck]) -> list[list[str]]:
    """Each gauge with its last check before it was used here."""
    rows: list[list[str]] = []
    for m in sorted(measured, key=lambda one: one.at):
        gauge = GaugeIdentity(m.link, m.profile, m.gauge_name)
        before = [check for check in checks if _same(check.gauge, gauge) and check.at <= m.at]
        resolution = m.analysis.get("resolution_mm")
        step = f"resolution {_step(resolution)}; " if resolution else ""
        said = step + (_check_words(before[-1]) if before else "no check of it in this log")
        row = [clean(str(gauge)), clean(said)]
        if row not in rows:
            rows.append(row)
    return rows


def _step(resolution_mm: float) -> str:
    return ", ".join(f"{significant(from_mm(resolution_mm, unit))} {unit}" for unit in Unit)


def _same(one: GaugeIdentity, other: GaugeIdentity) -> bool:
    if other.name is not None:
        return one.name == other.name
    return (one.place, one.profile) == (other.place, other.profile)


def _check_words(check: GaugeCheck) -> str:
    fine_mm = 1e-4 if check.unit is Unit.MM else 25.4e-5
    error = format_length(check.error_mm, check.unit, fine_mm)
    half = format_length(check.expanded_mm, check.unit, fine_mm)
    said = f"last checked {time_words(check.at)} on a block of {size_both(check.block_mm, check.unit)}: "
    said += f"error {error} ± {half} (95 %)"
    if check.permissible_error_mm is not None:
        words = {"pass": "PASSED", "fail": "FAILED", "undecided": "TOO NEAR TO TELL"}[
            check.outcome or "undecided"
        ]
        said += f", ± {format_length(check.permissible_error_mm, check.unit, fine_mm)} permissible: {words}"
    return said + (" (SIMULATED)" if check.simulated else "")


def _cautions(job: Job) -> list[str]:
    """What to mind, each once; what holds for some corners only names them."""
    said: dict[str, list[str]] = {}
    for card in job.corners.values():
        mine = [*cautions(card.hub)]
        for step in Step:
            mine += card.hub.rules(step).cautions
        for one in dict.fromkeys(map(clean, mine)):
            said.setdefault(one, []).append(card.corner)
    everywhere = len(job.corners)
    return [one if len(at) == everywhere else f"{', '.join(at)}: {one}" for one, at in said.items()]
