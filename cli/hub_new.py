"""``shimwright hub new``: asks for what the maker's literature says and writes a hub file."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from cli.arguments import AsJson, example
from cli.errors import MisuseError

PREFACE = (
    "Have the maker's service literature for this very car at hand: every figure must come from there. "
    "shimwright knows no car, and a figure from memory or from another car can hurt someone."
)


def add_to(hub: typer.Typer) -> None:
    """Put the command into the group ``hub``."""
    hub.command(
        "new",
        epilog=example(
            "shimwright hub new heron-rear.toml",
            "shimwright hub new --no-input --title 'Heron GT front hub' --unit mm \\",
            "    --least 0.02 --most 0.10 --torque '20 N·m' heron-front.toml",
        ),
    )(new)


def new(  # noqa: PLR0917 - options are given by name
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="The file to write. Default: named for the title, here."),
    ] = None,
    source: Annotated[str | None, typer.Option(metavar="TEXT", help="Literature: title, page, date.")] = None,
    title: Annotated[str | None, typer.Option(metavar="TEXT", help="The hub's name for people.")] = None,
    unit: Annotated[str | None, typer.Option(metavar="mm|in", help="Unit of the literature.")] = None,
    least: Annotated[str | None, typer.Option(metavar="N", help="Least end play allowed.")] = None,
    most: Annotated[str | None, typer.Option(metavar="N", help="Most end play allowed.")] = None,
    effect: Annotated[
        str | None,
        typer.Option(metavar="opens|closes", help="What a thicker shim does; leave out where there is none."),
    ] = None,
    sizes: Annotated[
        str | None,
        typer.Option(metavar="SIZES", help="Such as '2.40 to 3.75 step 0.05', or '2.40 2.45 2.50'."),
    ] = None,
    trial: Annotated[str | None, typer.Option(metavar="N", help="Trial shim.")] = None,
    aim: Annotated[
        str | None, typer.Option(metavar="tightest|middle|surest", help="Which shim that fits is chosen.")
    ] = None,
    most_in_pack: Annotated[
        str | None, typer.Option(metavar="N", help="Shims that may lie on one another.")
    ] = None,
    bin_: Annotated[
        str | None, typer.Option("--bin", metavar="TEXT", help="The shims' name in the stock.")
    ] = None,
    torque: Annotated[
        str | None, typer.Option(metavar="T", help="Torque of the nut, such as '135 N·m'.")
    ] = None,
    tolerance: Annotated[str | None, typer.Option(metavar="T", help="Its tolerance, plus or minus.")] = None,
    most_torque: Annotated[
        str | None, typer.Option(metavar="T", help="Torque not to exceed while lining up the pin.")
    ] = None,
    slots: Annotated[str | None, typer.Option(metavar="N", help="Slots of the castle nut.")] = None,
    pin_holes: Annotated[
        str | None, typer.Option(metavar="N", help="Cotter pin holes through the spindle.")
    ] = None,
    line_up: Annotated[
        str | None, typer.Option(metavar="WAY", help="tighten or 'back off', to line up the pin.")
    ] = None,
    thread: Annotated[
        str | None, typer.Option(metavar="N", help="From thread to thread, or such as '16 tpi'.")
    ] = None,
    washer: Annotated[str | None, typer.Option(metavar="TEXT", help="Washer under the nut.")] = None,
    outer_seal: Annotated[str | None, typer.Option(metavar="TEXT", help="Which way it faces.")] = None,
    inner_seal: Annotated[str | None, typer.Option(metavar="TEXT", help="Which way it faces.")] = None,
    lubricant: Annotated[str | None, typer.Option(metavar="TEXT", help="Which, and where.")] = None,
    fit: Annotated[str | None, typer.Option(metavar="TEXT", help="How spindle and bearings fit.")] = None,
    caution: Annotated[
        list[str] | None, typer.Option(metavar="TEXT", help="Shown before the work; may come again.")
    ] = None,
    no_input: Annotated[
        bool, typer.Option("--no-input", help="Ask nothing: what no option says is not stated.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write a hub file from what the maker's literature says, asked one question at a time.

    Every figure must come from the maker's service literature for this very car. An empty answer means: not
    stated. A lone < goes back to the question before. Nothing is written before the last answer, and a file
    that is there already is never overwritten.
    """
    from textwrap import fill  # noqa: PLC0415

    from calc.hub import parse_hub  # noqa: PLC0415
    from calc.hub_text import write_hub  # noqa: PLC0415
    from cli.hub_questions import SOURCE, Asking  # noqa: PLC0415
    from cli.screen import USUAL_WIDTH, put, put_json, put_report  # noqa: PLC0415
    from cli.words import MAKERS  # noqa: PLC0415

    places: list[Path] = []

    def place(named: str) -> None:
        if file is None:
            places[:] = [_free(Path(_slug(named) + ".toml"))]

    if file is not None:
        places.append(_free(file))
    single = {
        "source": source, "title": title, "unit": unit, "least": least, "most": most, "effect": effect,
        "sizes": sizes, "trial": trial, "aim": aim, "most_in_pack": most_in_pack, "bin": bin_,
        "torque": torque, "tolerance": tolerance, "most_torque": most_torque, "slots": slots,
        "pin_holes": pin_holes, "line_up": line_up, "thread": thread, "washer": washer,
        "outer_seal": outer_seal, "inner_seal": inner_seal, "lubricant": lubricant, "fit": fit,
    }  # fmt: skip
    given = {f"--{name.replace('_', '-')}": [text] for name, text in single.items() if text is not None}
    given |= {"--caution": caution} if caution else {}
    if not no_input:
        put(fill(PREFACE, USUAL_WIDTH), sys.stderr)
        put("An empty answer means not stated; < goes back; Ctrl-C leaves without a file.\n", sys.stderr)
    answers = Asking(given, not no_input, place).run()
    origin = str(answers.pop(SOURCE, ""))
    text = write_hub(answers, origin)
    (target,) = places
    found = parse_hub(text, str(target))
    _write(target, text)
    if as_json:
        put_json({"file": str(target), "title": found.title})
        return
    put_report(
        [
            f"{target}: written ({found.title}).",
            f"Read it against the literature, figure by figure: shimwright hub show {target}",
            MAKERS,
        ]
    )


def _free(file: Path) -> Path:
    """Hold a file to a place where nothing is yet.

    Raises:
        MisuseError: If something is there, its folder is not, or it cannot be written in.
    """
    if file.exists() or file.is_symlink():
        raise MisuseError(
            "FILE", f"{file} is there already and is not overwritten: give another name, or remove it"
        )
    if not file.parent.is_dir():
        raise MisuseError("FILE", f"{file.parent} is no folder: make it first, or give another place")
    if not os.access(file.parent, os.W_OK):
        raise MisuseError("FILE", f"nothing can be written in {file.parent}: give another place")
    return file


def _write(file: Path, text: str) -> None:
    """Write a new file, whole or not at all."""
    try:
        out = file.open("x", encoding="utf-8", newline="\n")
    except FileExistsError:
        raise MisuseError(
            "FILE", f"{file} was made meanwhile and is not overwritten: give another name"
        ) from None
    try:
        with out:
            out.write(text)
    except BaseException:
        file.unlink(missing_ok=True)
        raise


def _slug(title: str) -> str:
    """A file's name for a title: ``heron-gt-rear-hub``."""
    words = re.findall(r"[a-z0-9]+", title.casefold())
    return "-".join(words)[:60].strip("-") or "hub"
