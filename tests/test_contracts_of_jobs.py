"""What docs/contracts.md says of job cards is held against what the code gives."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cli.job_show import job_object, show_object
from cli.job_words import next_object
from joblog.jobs import EntryKind, Place, load_job, new_entry, open_job
from joblog.records import new_id
from joblog.store import Store
from tests.test_contracts import CONTRACTS, REAR, tables


def test_the_objects_have_the_keys_of_the_page(tmp_path: Path) -> None:
    job_id, log = new_id(), tmp_path / "log.sqlite"
    corner: dict[str, Any] = {
        "hub_text": REAR.read_text(encoding="utf-8"),
        "hub_title": "x",
        "variant": "early",
    }
    first = new_entry(job_id, EntryKind.CAR, None, {"vehicle": "Heron GT"})
    with Store.open(log) as store:
        open_job(store, "1.0", [first, new_entry(job_id, EntryKind.CORNER, "LR", corner)])
    job = load_job(log, job_id)
    of_job, of_next = tables(CONTRACTS, "Job cards")
    assert [row[0] for row in of_job] == list(job_object(job))
    assert list(show_object(job)) == [*job_object(job), "entries"]
    named = [name.strip("` ") for row in of_next for name in row[0].split(",")]
    assert named == list(next_object(job, job.corners["LR"]))
    section = CONTRACTS.partition("\n## Job cards\n")[2].partition("\n## ")[0]
    for key in (*show_object(job)["entries"][0], *Place):
        assert f"`{key}`" in section, key
