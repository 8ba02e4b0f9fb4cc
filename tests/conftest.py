"""Settings that every test shares, and the checks that run around each one."""

from __future__ import annotations

import asyncio
import asyncio.runners
import os
from collections.abc import Generator, Iterator

import pytest
from blockbuster import blockbuster_ctx
from hypothesis import settings

REQUIRE_ALL = os.environ.get("SHIMWRIGHT_REQUIRE_ALL", "") not in {"", "0"}
"""Set where nothing may be left out: a skipped test is then a failed one."""

# Commands that tests start run as they do for a person: with output that is buffered when nobody watches it.
os.environ.pop("PYTHONUNBUFFERED", None)

# On shared cores a single example is slow now and then; a test's own time limit guards the rest.
settings.register_profile("shimwright", deadline=None, print_blob=True)
settings.load_profile("shimwright")


class NoSkips:
    """Turns a skip into a failure. Registered as a plugin, it sees the doctests outside this folder too."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        report = yield
        if report.skipped and not hasattr(report, "wasxfail"):
            refuse(report)
        return report

    @pytest.hookimpl(wrapper=True)
    def pytest_make_collect_report(self) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
        report = yield
        if report.skipped:
            refuse(report)
        return report


def refuse(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Make a skipped report a failed one that says why."""
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    report.outcome = "failed"
    report.longrepr = f"{report.nodeid} was left out, and SHIMWRIGHT_REQUIRE_ALL forbids it: {reason}"


def pytest_configure(config: pytest.Config) -> None:
    if REQUIRE_ALL:
        config.pluginmanager.register(NoSkips(), "no-skips")


@pytest.fixture(autouse=True)
def _no_blocking_call_in_a_loop() -> Iterator[None]:
    """A call that would hold up the event loop is an error."""
    with blockbuster_ctx():
        yield


@pytest.fixture(autouse=True)
def _no_task_left_behind(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A task that is still running when its loop ends is an error: whoever started it must end it."""
    left: list[str] = []
    cancel_all = asyncio.runners._cancel_all_tasks  # type: ignore[attr-defined]

    def look_then_cancel(loop: asyncio.AbstractEventLoop) -> None:
        left.extend(str(task) for task in asyncio.all_tasks(loop))
        cancel_all(loop)

    monkeypatch.setattr(asyncio.runners, "_cancel_all_tasks", look_then_cancel)
    yield
    assert not left, f"still running at the end of its event loop: {left}"
