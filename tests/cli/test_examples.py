"""The examples in the docstrings of the room are true."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import cli

MODULES = [f"cli.{module.name}" for module in pkgutil.iter_modules(cli.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_some() -> None:
    assert sum(doctest.testmod(importlib.import_module(name)).attempted for name in MODULES) >= 5
