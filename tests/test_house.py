"""The rules of the house, held by tests: arrows, help, pages, pins, words."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@cache
def tree() -> tuple[Path, ...]:
    """Every file of the project, without what tools and builds leave beside it."""

    def below(folder: Path) -> Iterator[Path]:
        for path in sorted(folder.iterdir()):
            made = path.name in {".git", ".venv", "build", "dist", "__pycache__"} or path.name.endswith(
                ("_cache", ".egg-info", ".hypothesis")
            )
            if made:
                continue
            if path.is_dir():
                yield from below(path)
            else:
                yield path

    return tuple(below(ROOT))


def text_of(path: Path) -> str:
    """A file's text; of a file that is no text, nothing."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


# rooms and arrows


def test_the_import_arrows_hold() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def packages() -> list[str]:
    found = (path.parent.relative_to(ROOT) for path in tree() if path.name == "__init__.py")
    return sorted(".".join(folder.parts) for folder in found)


def test_every_package_is_installed_linted_typed_and_tested() -> None:
    assert sorted(PROJECT["tool"]["setuptools"]["packages"]) == packages()
    rooms = [name for name in packages() if "." not in name]
    assert sorted(PROJECT["tool"]["importlinter"]["root_packages"]) == rooms
    assert set(rooms) <= set(PROJECT["tool"]["mypy"]["files"])
    assert set(rooms) <= set(PROJECT["tool"]["pytest"]["ini_options"]["testpaths"]) | {"cli"}
    for room in rooms:
        assert (ROOT / room / "py.typed").is_file(), f"{room} has no py.typed"


def test_every_module_of_capture_is_pure_or_at_the_rim() -> None:
    contracts = {contract["name"]: contract for contract in PROJECT["tool"]["importlinter"]["contracts"]}
    pure = contracts["inside capture only links, service and listening touch the world"]["source_modules"]
    modules = {f"capture.{path.stem}" for path in (ROOT / "capture").glob("*.py")} - {"capture.__init__"}
    assert sorted(pure) == sorted(modules - {"capture.service", "capture.listening"})


def test_each_switched_off_rule_has_its_reason_beside_it() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = re.search(r"^ignore = \[\n(.*?)^\]", text, re.DOTALL | re.MULTILINE)
    assert block
    for line in block.group(1).splitlines():
        assert re.search(r'",\s*#\s*\S', line), f"no reason beside {line.strip()}"


# commands and pages


@cache
def make_commands() -> Any:
    """The script docs/make_commands.py as a module."""
    spec = importlib.util.spec_from_file_location("make_commands", ROOT / "docs" / "make_commands.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands() -> list[tuple[str, Any]]:
    return list(make_commands().commands())


def test_every_command_option_and_argument_has_help() -> None:
    for name, command in commands():
        assert (command.help or "").strip(), f"{name} has no help"
        for param in command.params:
            assert (getattr(param, "help", None) or "").strip(), f"{name}: {param.name} has no help"


def test_the_page_of_commands_is_what_the_commands_say() -> None:
    written = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert written == make_commands().page(), "run: .venv/bin/python docs/make_commands.py"
    for name, _ in commands():
        assert f"\n## {name}\n" in written


def test_the_readme_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, command in commands():
        if not hasattr(command, "commands"):
            assert f"`{name}" in readme, f"README.md does not name {name}"


LINK = re.compile(r"\[[^\]]*\]\((?!https?:|mailto:|#)([^)#\s]+)[^)]*\)")
PAGES = [path for path in tree() if path.suffix == ".md"]


@pytest.mark.parametrize("path", PAGES, ids=[str(path.relative_to(ROOT)) for path in PAGES])
def test_links_between_pages_lead_somewhere(path: Path) -> None:
    for target in LINK.findall(text_of(path)):
        assert (path.parent / target).exists(), (
            f"{path.relative_to(ROOT)} links to {target}, which is not there"
        )


def test_every_page_under_docs_can_be_reached_from_the_index() -> None:
    docs = ROOT / "docs"
    seen: set[Path] = set()
    todo = [docs / "index.md"]
    while todo:
        path = todo.pop()
        if path in seen or path.suffix != ".md":
            continue
        seen.add(path)
        todo.extend((path.parent / target).resolve() for target in LINK.findall(text_of(path)))
    lost = {path for path in PAGES if docs in path.parents} - seen
    assert not lost, f"no way from docs/index.md to {sorted(str(path.relative_to(ROOT)) for path in lost)}"


def test_decisions_are_numbered_without_a_hole_and_say_their_number() -> None:
    records = sorted((ROOT / "docs" / "decisions").glob("[0-9]*.md"))
    assert [int(path.name[:4]) for path in records] == list(range(1, len(records) + 1))
    for path in records:
        assert text_of(path).startswith(f"# {int(path.name[:4])}. "), path.name


# versions


def pins() -> dict[str, str]:
    found = {}
    for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        match = re.fullmatch(r"([a-z0-9-]+)==([0-9][0-9a-z.]*)", line)
        assert match, f"constraints.txt: {line!r} is not name==version"
        found[match[1]] = match[2]
    return found


def test_every_requirement_is_pinned_and_its_pin_is_what_runs_here() -> None:
    project = PROJECT["project"]
    for text in [*project["dependencies"], *project["optional-dependencies"]["dev"]]:
        requirement = Requirement(text)
        pin = pins().get(canonicalize_name(requirement.name))
        assert pin, f"constraints.txt does not pin {requirement.name}"
        assert requirement.specifier.contains(pin), f"{text} does not allow the pin {pin}"
        assert version(requirement.name) == pin, (
            f"{requirement.name} {version(requirement.name)} runs here, not {pin}"
        )


def test_the_changelog_has_this_version() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert "\n## [Unreleased]\n" in changelog
    assert f"\n## [{PROJECT['project']['version']}]" in changelog


# words


# A tilde stands inside each, so that this file passes its own test.
KEPT_OUT = {
    "a machine's own path": ("/wo~rk/", "/ro~ot/", "/ho~me/", "/tmp/sp~ec"),
    "a working paper": ("../sha~red", "des~ign.md", "check-v~alues", "library-n~otes", "convent~ions.md"),
    "how the work was done": (
        "tran~script",
        "practi~tioner",
        "sub~agent",
        "help~er session",
        "lang~uage model",
    ),
    "a package host": ("pypi~.org", "files.python~hosted", "deb.de~bian", "registry.npm~js"),
}


def as_pattern(word: str) -> str:
    """A whole word, also in the plural; of a path or a name with dots, any occurrence."""
    plain = re.escape(word.replace("~", ""))
    return rf"{plain}s?\b" if word.replace("~", "").replace(" ", "").isalpha() else plain


def test_words_that_belong_elsewhere_are_nowhere_in_the_tree() -> None:
    patterns = {
        why: re.compile("|".join(map(as_pattern, words)), re.IGNORECASE) for why, words in KEPT_OUT.items()
    }
    found = [
        f"{path.relative_to(ROOT)}:{text.count(chr(10), 0, match.start()) + 1}: {match.group()} ({why})"
        for path in tree()
        for text in [text_of(path)]
        for why, pattern in patterns.items()
        for match in pattern.finditer(text)
    ]
    assert not found, "\n".join(found)


AMERICAN = re.compile(
    r"\b(analy[z]e|colo[r]ed|behavio[r]|mete[r]s|cente[r]ed|licen[s]ed under)\b", re.IGNORECASE
)


def test_the_pages_keep_to_british_spelling() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {match.group()}"
        for path in PAGES
        for match in AMERICAN.finditer(text_of(path))
    ]
    assert not found, "\n".join(found)
