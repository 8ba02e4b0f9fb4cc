"""Commands that only need numbers start fast: calc brings in nothing but the standard library."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted(f"calc.{path.stem}" for path in (ROOT / "calc").glob("*.py") if path.stem != "__init__")


@pytest.mark.parametrize("module", MODULES)
def test_a_module_needs_the_standard_library_alone(module: str) -> None:
    script = (
        "import sys; before = set(sys.modules); "
        f"import {module}; "
        "loaded = {name.partition('.')[0] for name in set(sys.modules) - before}; "
        "print(sorted(loaded - sys.stdlib_module_names - {'calc'}), "
        "sorted(loaded & {'statistics', 'difflib', 'asyncio', 'random', 'sqlite3'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[] []"
