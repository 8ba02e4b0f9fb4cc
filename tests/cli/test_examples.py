"""The examples in the docstrings of the room are true."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import cli

MODULES = [f"cli.{module.name}" for module in pkgutil.iter_modules(cli.__path__)]


def examples(name: str) -> list[doctest.DocTest]:
    """Those docstrings of a module that hold examples."""
    return [one for one in doctest.DocTestFinder().find(importlib.import_module(name)) if one.examples]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    runner = doctest.DocTestRunner()
    assert [one.name for one in examples(name) if runner.run(one).failed] == []


def test_there_are_some() -> None:
    assert sum(len(one.examples) for name in MODULES for one in examples(name)) >= 5
