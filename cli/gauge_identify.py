"""``shimwright gauge identify``: find out how an unknown gauge speaks, and save it as a profile."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, example, length_mm
from cli.errors import ExitCode, MisuseError

if TYPE_CHECKING:
    from capture.identify import Capture, Finding, Proposal
    from capture.profiles import SerialSettings
    from capture.readings import Chunk

BAUDS = (9600, 4800, 19200, 38400, 57600, 115200, 2400, 1200)
"""Tried in this order: the first are the most usual (common practice)."""

MOST_SECONDS = 120.0


def add_to(group: typer.Typer) -> None:
    """Put the command into the group ``gauge``."""
    group.command(
        "identify",
        epilog=example(
            "shimwright gauge identify --link serial:/dev/ttyUSB0 --save my-gauge.toml",
            "shimwright gauge identify --capture captured.jsonl",
        ),
    )(identify)


def identify(  # noqa: PLR0917 - options are given by name
    link: Annotated[
        str | None,
        typer.Option(metavar="URL", help="Listen here; without ?baud= the usual rates are tried in turn."),
    ] = None,
    capture: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help='Look at what was captured: {"at": seconds, "hex": bytes} a line, or raw bytes.',
        ),
    ] = None,
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to listen at each rate.")] = 5.0,
    travel: Annotated[
        str,
        typer.Option(metavar="L", help="How far you move the plunger, right within a factor of three."),
    ] = "5mm",
    save: Annotated[Path | None, typer.Option(metavar="FILE", help="Save the profile here.")] = None,
    keep: Annotated[Path | None, typer.Option(metavar="FILE", help="Keep what came, for --capture.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Save without asking.")] = False,
    as_json: AsJson = False,
) -> None:
    """Find out how an unknown gauge speaks, and propose a profile with the evidence for it.

    While it listens, push the plunger in by about 5 mm and let it out again, over and over, beginning with a
    push. Nothing is saved that could not be told for sure. Exit code 3 if it cannot be told.
    """
    from capture.identify import identify as find_out  # noqa: PLC0415
    from cli.screen import message, put, put_json, put_report  # noqa: PLC0415

    captures, travel_mm = _what_came(link, capture, seconds, travel, quiet=as_json)
    if keep is not None:
        write_capture(keep, captures)
    finding = find_out(captures, travel_mm=travel_mm)
    if as_json:
        put_json(finding_object(finding))
    else:
        put_report(finding_lines(finding))
    if not finding.sure:
        raise typer.Exit(ExitCode.REFUSED)
    toml = finding.proposals[0].toml
    if not as_json:
        put("\n" + toml.rstrip("\n"))
    if save is None:
        return
    if yes or (not as_json and typer.confirm(f"Save this profile as {save}?")):
        save.write_text(toml, encoding="utf-8")
        message(f"saved; measure with --profile {save}")
    else:
        message("not saved" + ("; with --json add --yes to save" if as_json else ""))


def _what_came(
    link: str | None, capture: Path | None, seconds: float, travel: str, *, quiet: bool
) -> tuple[list[Capture], float]:
    """What is to be looked at, and how far the plunger was moved, millimetres."""
    travel_mm = length_mm("--travel", travel)
    if not 0.1 <= travel_mm <= 100:
        raise MisuseError("--travel", f'"{travel}" is no movement of a plunger: give 0.1mm to 100mm')
    if not 0.5 <= seconds <= MOST_SECONDS:
        raise MisuseError("--seconds", f"{seconds:g} is no time: give seconds from 0.5 to {MOST_SECONDS:g}")
    if capture is not None and link is None:
        return [read_capture(capture)], travel_mm
    if link is None or capture is not None:
        raise MisuseError("--link", "give either --link URL or --capture FILE")
    return listen(link, seconds, travel_mm, quiet=quiet), travel_mm


def listen(url: str, seconds: float, travel_mm: float, *, quiet: bool) -> list[Capture]:
    """Listen at each usual baud rate in turn, until it can be told for sure; at one rate if the link says it.

    Raises:
        LinkError: If the link cannot be opened or breaks.
    """
    import asyncio  # noqa: PLC0415

    from capture.identify import Capture  # noqa: PLC0415
    from capture.identify import identify as find_out  # noqa: PLC0415
    from capture.links.urls import split_url  # noqa: PLC0415
    from capture.profiles import SerialSettings  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415

    parts = split_url(url)
    wired = parts.scheme in {"serial", "rfc2217", "hwgrep", "alt", "spy", "cp2110"}
    bauds = BAUDS if wired and "baud" not in parts.options else (None,)
    if not quiet:
        message(f"push the plunger in by about {travel_mm:g} mm and let it out, over and over")
    captures: list[Capture] = []
    for baud in bauds:
        settings = SerialSettings() if baud is None else SerialSettings(baud=baud)
        if not quiet:
            message(f"listening for {seconds:g} s" + ("" if baud is None else f" at {baud} baud"))
        chunks, used = asyncio.run(_hear(url, settings, seconds))
        captures.append(Capture(chunks, used))
        if find_out(captures[-1:], travel_mm=travel_mm).sure:
            return captures[-1:]
    return captures


async def _hear(
    url: str, settings: SerialSettings, seconds: float
) -> tuple[tuple[Chunk, ...], SerialSettings]:
    """What comes within so many seconds, and how the line was set."""
    from capture.links import open_link  # noqa: PLC0415
    from capture.readings import Chunk  # noqa: PLC0415

    chunks: list[Chunk] = []
    link = open_link(url, profile_settings=settings)
    begun: float | None = None
    async with link:
        while (item := await link.receive(0.1)) is not None:
            begun = item.at if begun is None else begun
            if item.at - begun >= seconds:
                break
            if isinstance(item, Chunk):
                chunks.append(item)
    return tuple(chunks), getattr(link, "settings", settings)


def read_capture(path: Path) -> Capture:
    """Read a file of captured bytes.

    Raises:
        MisuseError: If it cannot be read.
    """
    import json  # noqa: PLC0415

    from capture.identify import MOST_BYTES, Capture  # noqa: PLC0415
    from capture.readings import Chunk  # noqa: PLC0415

    try:
        with path.open("rb") as file:
            data = file.read(20 * MOST_BYTES)
    except OSError as error:
        raise MisuseError("--capture", f"{path} cannot be read: {error.strerror or error}") from error
    if not data.lstrip().startswith(b'{"'):
        return Capture((Chunk(data[:MOST_BYTES], 0.0),))
    chunks = []
    for number, line in enumerate(data.decode("latin-1").splitlines(), 1):
        try:
            row = json.loads(line)
            if "hex" in row:
                chunks.append(Chunk(bytes.fromhex(row["hex"]), float(row["at"])))
        except (ValueError, TypeError, KeyError) as error:
            why = f'{path}, line {number} is no {{"at": seconds, "hex": bytes}}'
            raise MisuseError("--capture", why) from error
    return Capture(tuple(chunks))


def write_capture(path: Path, captures: list[Capture]) -> None:
    """Keep what came at the rate at which most came."""
    import json  # noqa: PLC0415

    most = max(captures, key=lambda one: len(one.data))
    lines = [json.dumps({"at": chunk.at, "hex": chunk.data.hex()}) for chunk in most.chunks]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def finding_object(finding: Finding) -> dict[str, Any]:
    """What was found, as JSON."""
    return {
        "sure": finding.sure,
        "why": finding.why,
        "proposals": [
            {
                "frames": one.frames,
                "explained": round(one.explained, 4),
                "unit": one.unit or one.profile.gauge.unit,
                "unit_sent": one.unit is not None,
                "resolution": f"{one.resolution:f}",
                "least": f"{one.least:f}",
                "most": f"{one.most:f}",
                "roughness": round(one.motion.roughness, 4),
                "first_move": one.first_move,
                "baud": one.profile.settings.baud,
                "notes": list(one.notes),
                "doubts": list(one.doubts),
                "toml": one.toml,
            }
            for one in finding.proposals
        ],
    }


def finding_lines(finding: Finding) -> list[str]:
    """What was found, in words."""
    lines = ["Found." if finding.sure else f"{finding.why[0].upper()}{finding.why[1:]}."]
    for number, one in enumerate(finding.proposals[: 1 if finding.sure else 3], 1):
        if not finding.sure:
            lines.append(f"Possible reading {number}:")
        lines += [f"  {line}" for line in evidence(one)]
    return lines


def evidence(one: Proposal) -> list[str]:
    """What speaks for a proposal, one line each."""
    unit = one.unit or one.profile.gauge.unit
    name = f" {unit}" if unit else ""
    lines = [
        f"{one.frames} frames read, {100 * one.explained:.0f} % of the bytes explained.",
        f"Readings from {one.least:f}{name} to {one.most:f}{name}, in steps of {one.resolution:f}{name}.",
        f"Roughness {one.motion.roughness:.3f}: 2 for numbers in any order, near 0 for a plunger that moves.",
        f"The first large movement went {one.first_move}: pushing in does so, if it was a push.",
    ]
    settings = one.profile.settings
    lines.append(f"Line: {settings.baud} baud, {settings.bytesize} data bits, parity {settings.parity}.")
    return lines + [f"Note: {note}." for note in one.notes] + [f"Doubt: {doubt}." for doubt in one.doubts]
