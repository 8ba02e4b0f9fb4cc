"""The pictures of docs/how-the-number-is-found.md show what the analysis finds, and the page says it."""

from __future__ import annotations

import html
import importlib.util
import re
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

DOCS = Path(__file__).parents[1] / "docs"
PAGE = (DOCS / "how-the-number-is-found.md").read_text(encoding="utf-8")
ON_PAGE = dict(re.findall(r"!\[([^\]]*)\]\(pictures/([a-z-]+)\.svg\)", PAGE))
"""Names of the pictures by their texts."""

MOST_BYTES = 120_000
AGAIN = "run: .venv/bin/python docs/make_pictures.py"


@cache
def make_pictures() -> Any:
    """The script as a module."""
    spec = importlib.util.spec_from_file_location("make_pictures", DOCS / "make_pictures.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # where its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A folder of pictures made now, and what each shows."""
    folder = tmp_path_factory.mktemp("pictures")
    return folder, make_pictures().write(folder)


def said_in(picture: Path) -> str:
    """What a picture file says of itself."""
    found = re.search(
        r"<dc:description>(.*?)</dc:description>", picture.read_text(encoding="utf-8"), re.DOTALL
    )
    assert found, f"{picture.name} has no description"
    return html.unescape(found[1])


def test_the_page_shows_every_picture_and_says_what_the_analysis_finds(
    drawn: tuple[Path, dict[str, str]],
) -> None:
    assert {name: text for text, name in ON_PAGE.items()} == drawn[1], AGAIN


def test_every_picture_is_there_and_shows_what_is_found_now(drawn: tuple[Path, dict[str, str]]) -> None:
    folder, told = drawn
    pages = "".join(page.read_text(encoding="utf-8") for page in DOCS.glob("*.md"))
    shown = {path.name for path in (DOCS / "pictures").iterdir() if f"(pictures/{path.name})" in pages}
    assert {path.name for path in (DOCS / "pictures").iterdir()} == shown  # no picture is left over
    assert {path.name for path in folder.iterdir()} == {f"{name}.svg" for name in ON_PAGE.values()} <= shown
    for name, text in told.items():
        kept = DOCS / "pictures" / f"{name}.svg"
        assert said_in(kept) == said_in(folder / kept.name) == text, AGAIN
        assert text.startswith("Simulated: ")


def test_the_same_picture_has_the_same_bytes_and_no_date(
    drawn: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    module = make_pictures()
    kept = module.PICTURES
    module.PICTURES = kept[:1]
    try:
        module.write(tmp_path)
    finally:
        module.PICTURES = kept
    name = f"{kept[0].name}.svg"
    again = (tmp_path / name).read_bytes()
    assert again == (drawn[0] / name).read_bytes()
    assert b"<dc:date>" not in again


def test_every_picture_is_small_and_needs_no_font(drawn: tuple[Path, dict[str, str]]) -> None:
    for path in (*drawn[0].iterdir(), *(DOCS / "pictures" / one.name for one in drawn[0].iterdir())):
        text = path.read_text(encoding="utf-8")
        assert len(text.encode()) < MOST_BYTES, path
        assert "<text" not in text, path
