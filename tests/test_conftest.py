"""The checks around every test: each is shown to catch what it is for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).with_name("conftest.py")
OPTIONS = ("-q", "-rA", "-p", "no:cacheprovider", "--continue-on-collection-errors", "--rootdir=.")

SKIPS = """
import pytest

@pytest.mark.skip(reason="no such part here")
def test_marked():
    pass

def test_inside():
    pytest.skip("nor this")

@pytest.mark.xfail(strict=True)
def test_known_to_fail():
    assert False
"""

SKIPPED_MODULE = """
import pytest

pytest.importorskip("no_such_module")
"""

LOOPS = """
import asyncio
import time

def test_blocks():
    async def nap():
        time.sleep(0.01)
    asyncio.run(nap())

def test_leaves_a_task():
    async def start():
        start.task = asyncio.create_task(asyncio.sleep(9))
    asyncio.run(start())

def test_waits_well():
    asyncio.run(asyncio.sleep(0.01))
"""


def run_pytest(folder: Path, require_all: str) -> str:
    """What pytest prints of the sample tests under the project's conftest."""
    (folder / "conftest.py").write_text(CONFTEST.read_text(encoding="utf-8"), encoding="utf-8")
    for name, text in {"skips": SKIPS, "module": SKIPPED_MODULE, "loops": LOOPS}.items():
        (folder / f"test_{name}.py").write_text(text, encoding="utf-8")
    return subprocess.run(
        [sys.executable, "-m", "pytest", *OPTIONS],
        cwd=folder,
        env={
            **os.environ,
            "SHIMWRIGHT_REQUIRE_ALL": require_all,
            "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            "COLUMNS": "200",
        },
        capture_output=True,
        text=True,
        check=False,
    ).stdout


def test_the_loop_is_watched_and_a_missing_part_may_be_left_out(tmp_path: Path) -> None:
    said = run_pytest(tmp_path, require_all="")
    assert "1 failed, 2 passed, 3 skipped, 1 xfailed, 1 error" in said
    assert "BlockingError: Blocking call to time.sleep" in said
    assert "still running at the end of its event loop" in said
    assert "ERROR test_loops.py::test_leaves_a_task" in said


def test_nothing_is_left_out_where_all_is_required(tmp_path: Path) -> None:
    said = run_pytest(tmp_path, require_all="1")
    closing = said.splitlines()[-1]
    assert "skipped" not in closing
    assert "1 xfailed" in closing
    for left_out in ("test_skips.py::test_marked", "test_skips.py::test_inside", "test_module.py"):
        assert f"{left_out} was left out, and SHIMWRIGHT_REQUIRE_ALL forbids it" in said
