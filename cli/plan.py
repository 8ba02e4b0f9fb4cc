"""A station file with all that it names: hub files, profiles, the log, the broker's settings, the voice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bus.errors import SettingsError
from bus.settings import settings_of
from calc.errors import CalcError
from calc.hub import Hub, load_hub
from calc.toml_table import Problem
from capture.errors import CaptureError
from capture.listening import Setup, open_usual
from capture.profile_files import load_profile
from capture.profiles import Profile
from capture.station import Station, StationFileError, load_station
from joblog.paths import log_place


@dataclass(frozen=True, slots=True)
class Plan:
    """A station file with all that it names.

    Attributes:
        station: The file.
        setups: Its gauges, ready.
        log: Where the log is.
    """

    station: Station
    setups: tuple[Setup, ...]
    log: Path


def plan_of(path: Path) -> Plan:
    """Read a station file, the hub files and the profiles that it names.

    Args:
        path: The station file.

    Raises:
        StationFileError: With every mistake in the file, or in what it names.
        LogError: If the log's folder cannot be made.
    """
    station = load_station(path)
    problems: list[Problem] = []
    hubs: dict[Path, Hub] = {}
    setups: list[Setup] = []
    for number, gauge in enumerate(station.gauges, start=1):
        row = f"gauge[{number}]"
        profile: Profile | None = None
        try:
            profile = load_profile(gauge.profile)
            open_usual(gauge.link, profile.settings)  # makes it, opens nothing
        except CaptureError as error:
            key = "profile" if profile is None else "link"
            problems.append(station.problem(f"{row}.{key}", str(error)))
        try:
            hub = hubs.get(gauge.hub) or hubs.setdefault(gauge.hub, load_hub(gauge.hub))
        except CalcError as error:
            key = f"{row}.hub" if f"{row}.hub" in station.lines else "hub"
            problem = station.problem(key, str(error))
            problems += [] if problem in problems else [problem]
            continue
        if profile is not None:
            setups.append(
                Setup(gauge.name, gauge.link, profile, hub, gauge.unit, gauge.corner, station.timeout_s)
            )
    if station.broker is not None:
        try:
            settings_of(station.broker).check()
        except SettingsError as error:
            problems.append(station.problem(f"broker.{error.key}", str(error)))
    if station.voice is not None:
        from cli.voice import mistake_in  # noqa: PLC0415

        mistake = mistake_in(station.voice)
        problems += [] if mistake is None else [station.problem(f"voice.{mistake[0]}", mistake[1])]
    if problems:
        raise StationFileError(str(path), problems)
    place = log_place(station.log)
    return Plan(station, tuple(setups), place.ready())
