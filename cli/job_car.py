"""``shimwright job car``: what a job card says of the car, put right or added."""

from __future__ import annotations

import re
from typing import Annotated, Any

import typer

from cli.arguments import LogFile, Who, example
from cli.errors import MisuseError
from cli.job_arguments import JobId, Mechanic, OdometerShown, Registration

MOST_ODOMETER = 10_000_000
"""More than any odometer shows, in either unit."""

_READING = re.compile(r"(?P<number>[0-9][0-9 .,]*?)\s*(?P<unit>km|mi)", re.IGNORECASE)
_THOUSANDS = re.compile(r"[0-9]{1,3}(?:(?P<mark>[ .,])[0-9]{3})(?:(?P=mark)[0-9]{3})*")


def add_to(job: typer.Typer) -> None:
    """Put the command into the group."""
    job.command("car", epilog=example("shimwright job car --odometer '83500 km'"))(car)


def car(  # noqa: PLR0917 - options are given by name
    job_id: JobId = None,
    vehicle: Annotated[str | None, typer.Option(metavar="TEXT", help="Which vehicle.")] = None,
    registration: Registration = None,
    odometer: OdometerShown = None,
    mechanic: Mechanic = None,
    who: Who = None,
    log: LogFile = None,
) -> None:
    """Put right, or add, what a job card says of the car; closed cards too.

    What is not given stays as it is. The entry before is kept on the card beside the new one. Measurements
    that were made keep the vehicle's name that they were recorded with.
    """
    from cli.job_card import the_job  # noqa: PLC0415
    from cli.job_words import car_words  # noqa: PLC0415
    from cli.screen import put  # noqa: PLC0415
    from joblog.jobs import EntryKind, add_entries, in_place, new_entry  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    if vehicle is not None and not vehicle.strip():
        raise MisuseError("--vehicle", "is empty: say which vehicle it is")
    given: dict[str, Any] = {"vehicle": vehicle, "registration": registration, "mechanic": mechanic}
    given = {name: text.strip() for name, text in given.items() if text is not None}
    if odometer is not None:
        given |= odometer_of(odometer)
    if not given:
        raise MisuseError("job car", "says nothing: give --vehicle, --registration, --odometer or --mechanic")
    path = log_place(log).path
    found = the_job(path, job_id)
    before = [entry for entry in in_place(found.entries) if entry.kind is EntryKind.CAR][-1]
    entry = new_entry(found.id, EntryKind.CAR, None, before.data | given, who, corrects=before.id)
    with Store.open(path) as store:
        add_entries(store, [entry])
    put(f"Job {found.short_id}: {car_words(entry.data)}.")


def odometer_of(text: str) -> dict[str, Any]:
    """What an odometer shows, as an entry of the car keeps it.

    Groups of three digits are thousands whatever stands between them: nobody reads an odometer to the metre.

    >>> odometer_of("82,500 km"), odometer_of("51263.4mi")
    ({'odometer': 82500.0, 'odometer_unit': 'km'}, {'odometer': 51263.4, 'odometer_unit': 'mi'})

    Args:
        text: A number with ``km`` or ``mi``.

    Raises:
        MisuseError: If it is none.
    """
    match = _READING.fullmatch(text.strip())
    number = "" if match is None else match["number"].strip()
    if _THOUSANDS.fullmatch(number):
        number = re.sub(r"[ .,]", "", number)
    try:
        value = float(number.replace(",", "."))
    except ValueError:
        value = -1.0
    if match is None or not 0 <= value <= MOST_ODOMETER:
        raise MisuseError(
            "--odometer", f'"{text}" is no reading: write a number with km or mi, as "82500 km"'
        )
    return {"odometer": value, "odometer_unit": match["unit"].lower()}
