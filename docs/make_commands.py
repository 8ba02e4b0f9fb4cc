"""Write docs/commands.md from the commands' own help.

Run it after any change to a command or its help: ``.venv/bin/python docs/make_commands.py``.
A test compares the page with what this makes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import cast

import typer
from typer.core import TyperCommand, TyperGroup

from cli.whole import app

PAGE = Path(__file__).with_name("commands.md")
WIDTH = 100

HEAD = """\
# Commands

Made from the commands' own help by `docs/make_commands.py`; change the help, not this page.

Lengths carry their unit: `0.31mm`, `310um`, `0.012in`, `12thou`.
Exit codes: 0 answered, 2 bad usage or input, 3 measurement refused, 4 gauge or link lost.
"""


def walk(
    command: TyperCommand | TyperGroup, words: tuple[str, ...] = ("shimwright",)
) -> Iterator[tuple[tuple[str, ...], TyperCommand | TyperGroup]]:
    """Every command and group that people see, with the words that call it, in the order of the help."""
    yield words, command
    if isinstance(command, TyperGroup):
        for name, below in command.commands.items():
            if not below.hidden:
                yield from walk(cast("TyperCommand | TyperGroup", below), (*words, name))


def commands() -> list[tuple[str, TyperCommand | TyperGroup]]:
    """Every command and group with its full name."""
    top = cast("TyperGroup", typer.main.get_command(app))
    return [(" ".join(words), command) for words, command in walk(top)]


def help_of(name: str, command: TyperCommand | TyperGroup) -> str:
    """The command's help as plain text, at a fixed width whatever the terminal."""
    command.rich_markup_mode = None
    context = typer.Context(command, info_name=name, terminal_width=WIDTH, max_content_width=WIDTH)
    context.help_option_names = ["-h", "--help"]
    lines = command.get_help(context).splitlines()
    return "\n".join(line.rstrip() for line in lines)


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    parts += [f"## {name}\n\n```text\n{help_of(name, command)}\n```\n" for name, command in commands()]
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"wrote {PAGE}")
