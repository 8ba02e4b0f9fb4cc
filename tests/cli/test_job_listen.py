"""What the service measures goes onto the job card that is open for the corner."""

from __future__ import annotations

from typing import Any

import pytest

from joblog.jobs import list_jobs
from tests.cli.test_listen import Bay, bay, gauge, quick_trace

__all__ = ["bay"]


@pytest.mark.slow
def test_the_record_and_its_entry_stand_on_the_open_card(bay: Bay, indicator: Any, quick: Any) -> None:
    log = bay.folder / "log.sqlite"
    words = ("job", "open", "--vehicle", "Heron GT", "--corner", "LR=heron-rear.toml")
    assert quick(*words).returncode == 0
    bay.write(gauge("post-1", indicator.url))
    bay.begin()
    indicator.play(quick_trace())
    told = bay.until("measured")
    (job,) = list_jobs(log)
    card = job.corners["LR"]
    assert card.place == "teardown"
    (kept,) = card.measurements
    assert (kept.id, kept.stage, kept.job, kept.vehicle) == (
        told["measurement_id"],
        "as-found",
        job.id,
        "Heron GT",
    )
    assert [(step.kind, step.measurement_id) for step in card.steps] == [("measured", kept.id)]
