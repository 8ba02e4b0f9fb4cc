"""``shimwright gauge verify``: the gauge against a block of known size, and the record of it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import (
    AsJson,
    GaugeName,
    LogFile,
    PermissibleError,
    Presses,
    example,
    seconds_of,
    thickness_mm,
    unit_of,
    with_presses,
)
from cli.errors import MeasurementRefusedError, MisuseError

if TYPE_CHECKING:
    from calc.units import Unit
    from capture.gauge_check import CheckResult, GaugeChecker, RestSeen
    from capture.readings import Reading
    from joblog.checks import GaugeCheck

OUTCOMES = {
    "pass": "PASSED",
    "fail": "FAILED",
    "undecided": "UNDECIDED",
    None: "NOT DECIDED, as no permissible error is stated",
}


def add_to(group: typer.Typer) -> None:
    """Put the command into the group ``gauge``."""
    group.command(
        "verify",
        epilog=example(
            "shimwright gauge verify --link serial:/dev/ttyUSB0 --unit mm --block 1.000mm \\",
            "    --permissible-error 0.004mm --gauge 'SN 1234'",
        ),
    )(verify)


def verify(  # noqa: PLR0917 - options are given by name
    link: Annotated[
        str | None, typer.Option(metavar="URL", help="Where the gauge's readings come from, as for measure.")
    ] = None,
    block: Annotated[
        str | None, typer.Option(metavar="L", help="Size of the gauge block or feeler, such as 1.000mm.")
    ] = None,
    block_u: Annotated[
        str | None,
        typer.Option(
            metavar="L",
            help="Its standard uncertainty: half of what its certificate states at k = 2.",
        ),
    ] = None,
    repeats: Annotated[
        int, typer.Option(metavar="N", help="How many times to read the block, 3 to 100.")
    ] = 5,
    permissible_error: PermissibleError = None,
    profile: Annotated[str, typer.Option(metavar="NAME|FILE", help="How the gauge speaks.")] = "line",
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit of readings that do not say theirs.")
    ] = None,
    spots: Presses = False,
    gauge: GaugeName = None,
    timeout: Annotated[
        float | None, typer.Option(metavar="S", help="Give up after so many seconds. Default: wait.")
    ] = None,
    log: LogFile = None,
    history: Annotated[
        bool, typer.Option("--list", help="List the checks in the log instead, oldest first.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check the gauge against a block of known size: its error, and how well it repeats.

    Set the plunger on a flat face and let it rest; put the block under it and let it rest; take the block
    away; and so on. Each rest of a second is noticed by itself. It ends after the last rest on the face, says
    whether the error is permissible, and keeps the record in the log. Exit code 3 if it did not get so far.
    """
    if history:
        _show_history(link, profile, gauge, log, as_json=as_json)
        return
    if link is None or block is None:
        missing, wanted = (
            ("--link", "the gauge's link") if link is None else ("--block", "the size of the block")
        )
        raise MisuseError(missing, f"give {wanted}, or --list for the checks so far")
    block_mm = thickness_mm("--block", block)
    block_u_mm = None if block_u is None else thickness_mm("--block-u", block_u)
    gauge_unit = None if unit is None else unit_of("--unit", unit)
    timeout_s = seconds_of("--timeout", timeout)
    from capture.gauge_check import (  # noqa: PLC0415
        LEAST_REPEATS,
        MOST_REPEATS,
        GaugeChecker,
        check_object,
    )
    from capture.profile_files import load_profile  # noqa: PLC0415
    from capture.rests import RestFinder  # noqa: PLC0415
    from cli.hearing import hear  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from cli.version import version  # noqa: PLC0415
    from joblog.checks import GaugeCheck, GaugeIdentity  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.records import new_id, utc_text  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    if not LEAST_REPEATS <= repeats <= MOST_REPEATS:
        raise MisuseError("--repeats", f"{repeats} is outside {LEAST_REPEATS} to {MOST_REPEATS}")
    speech = with_presses(load_profile(profile), pressed=spots)
    permissible_mm = speech.gauge.permissible_error_mm
    if permissible_error is not None:
        permissible_mm = thickness_mm("--permissible-error", permissible_error)
    finder = RestFinder(speech.gauge.resolution_mm, single=speech.gauge.single)
    checker = GaugeChecker(block_mm, repeats)
    guide = _Guide(checker)

    def take(reading: Reading) -> bool:
        guide.hear(reading)
        rest = finder.feed(reading)
        if rest is not None:
            guide.tell(checker.feed(rest))
        return checker.done

    with Store.open(log_place(log).ready()) as store:
        guide.begin()
        heard = hear(link, speech, gauge_unit, take, timeout_s)
        if not checker.done:
            raise MeasurementRefusedError(guide.why_not())
        result = checker.result(block_u_mm, permissible_mm, guide.unit)
        found = check_object(result, block_u_mm, permissible_mm)
        check = GaugeCheck(
            id=new_id(),
            at=utc_text(datetime.now(UTC)),
            gauge=GaugeIdentity(link, speech.name, gauge),
            unit=guide.unit,
            block_mm=block_mm,
            block_u_mm=block_u_mm,
            repeats=repeats,
            error_mm=result.error_mm,
            u_mm=result.budget.u_mm,
            expanded_mm=result.budget.expanded_mm,
            repeatability_mm=result.repeatability_mm,
            permissible_error_mm=permissible_mm,
            outcome=found["outcome"],
            p_within=found["p_within"],
            simulated=heard.simulated,
            version=version(),
            found=found,
        )
        store.add_check(check)
        if as_json:
            put_json(check_line(check))
        else:
            put_report([*check_lines(result, check), "", f"Check {check.id}, in the log {store.path}."])


class _Guide:
    """Tells a person at the gauge what was seen and what comes next, on standard error."""

    def __init__(self, checker: GaugeChecker) -> None:
        from calc.units import Unit  # noqa: PLC0415

        self.unit: Unit = Unit.MM
        self.readings = 0
        self._checker = checker
        self._step_mm: float | None = None

    def begin(self) -> None:
        """Say how to begin."""
        self._say("let the plunger rest on a flat, clean face, without the block")

    def hear(self, reading: Reading) -> None:
        """Note what unit the gauge speaks."""
        from decimal import Decimal  # noqa: PLC0415

        from calc.units import to_mm  # noqa: PLC0415
        from capture.readings import decimals_of  # noqa: PLC0415

        self.unit = reading.unit
        self.readings += 1
        self._step_mm = to_mm(Decimal(1).scaleb(-decimals_of(reading.value)), reading.unit)

    def tell(self, seen: RestSeen) -> None:
        """Say what a rest was taken for, and what comes next."""
        level = self._text(seen.level_mm)
        if seen.kind is None:
            away, size = self._text(seen.away_mm), self._text(self._checker.block_mm)
            self._say(f"{level} is {away} from the face: neither the face nor the block, {size}; left out")
        elif seen.kind == "face":
            onward = "" if self._checker.done else ": now the block"
            self._say(f"on the face: {level}{onward}")
        else:
            self._say(f"on the block, {seen.number} of {self._checker.repeats}: {level}: now the face again")

    def why_not(self) -> str:
        """Why the check did not get to its end."""
        checker = self._checker
        if not self.readings:
            return "no reading came: check that the gauge sends, and its cable"
        text = f"the block was read {checker.blocks} of {checker.repeats} times, so there is no result"
        if checker.others_mm and not checker.blocks:
            away = self._text(checker.others_mm[-1])
            return (
                f"{text}: the reading rested {away} from the face, and the block is "
                f"{self._text(checker.block_mm)}: check --block, its unit and the gauge's"
            )
        return f"{text}: let the plunger rest for a second on the face and on the block in turn"

    def _text(self, length_mm: float) -> str:
        from calc.units import format_length  # noqa: PLC0415

        return format_length(length_mm, self.unit, self._step_mm)

    @staticmethod
    def _say(text: str) -> None:
        from cli.screen import message  # noqa: PLC0415

        message(text)


def check_lines(result: CheckResult, check: GaugeCheck) -> list[str]:
    """What a check gave, as lines for a person."""
    from calc.presented import number_with_uncertainty  # noqa: PLC0415
    from cli.outcome import budget_lines  # noqa: PLC0415
    from cli.words import SIMULATED  # noqa: PLC0415

    unit, step_mm = check.unit, result.step_mm
    sign = "+" if check.error_mm > 0 else ""
    error = number_with_uncertainty(
        check.error_mm, check.expanded_mm, unit, min(step_mm, check.expanded_mm) / 10
    )
    lines = [
        *([SIMULATED] if check.simulated else []),
        f"Gauge {check.gauge} on a block of {_fine(check.block_mm, unit)}, read {check.repeats} times:",
        f"  mean error {sign}{error};",
        f"  repeatability (standard deviation of one) {_fine(check.repeatability_mm, unit)};",
        f"  worst single error {_fine(result.worst_mm, unit)}.",
        *budget_lines(result.budget.rows(), unit),
    ]
    if check.block_u_mm is None:
        lines.append(
            "  - The uncertainty of the block itself was not stated (--block-u), so it is not in there."
        )
    judged = "" if result.judgement is None else f": {result.judgement.text}"
    return [*lines, "", f"{OUTCOMES[check.outcome]}{judged}."]


def check_line(check: GaugeCheck) -> dict[str, Any]:
    """One check for other programs."""
    return {
        "check_id": check.id,
        "at": check.at,
        "link": check.gauge.link,
        "profile": check.gauge.profile,
        "gauge": check.gauge.name,
        "unit": str(check.unit),
        "simulated": check.simulated,
        **check.found,
    }


def _fine(length_mm: float, unit: Unit) -> str:
    from calc.units import Unit, format_length  # noqa: PLC0415

    return format_length(length_mm, unit, 1e-4 if unit is Unit.MM else 25.4e-5)


def _show_history(
    link: str | None, profile: str, name: str | None, log: Path | None, *, as_json: bool
) -> None:
    """The checks of one gauge, or of all if neither its name nor its link is given."""
    from cli.screen import put, put_json  # noqa: PLC0415
    from joblog.checks import GaugeIdentity, list_checks  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    gauge = None
    if link is not None or name is not None:
        gauge = GaugeIdentity(link or "", profile, name)
    checks = list_checks(log_place(log).path, gauge)
    if as_json:
        for check in checks:
            put_json(check_line(check))
    elif not checks:
        put("No checks.")
    else:
        rows = [("TIME (UTC)", "GAUGE", "BLOCK", "ERROR", "REPEATS TO", "PERMISSIBLE", "OUTCOME")]
        rows += map(_row, checks)
        widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
        for row in rows:
            put("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def _row(check: GaugeCheck) -> tuple[str, str, str, str, str, str, str]:
    permissible = check.permissible_error_mm
    outcome = check.outcome or "-"
    return (
        check.at[:19].replace("T", " "),
        str(check.gauge),
        _fine(check.block_mm, check.unit),
        _fine(check.error_mm, check.unit),
        _fine(check.repeatability_mm, check.unit),
        "-" if permissible is None else f"± {_fine(permissible, check.unit)}",
        f"{outcome} (simulated)" if check.simulated else outcome,
    )
