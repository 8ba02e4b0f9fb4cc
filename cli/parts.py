"""What the rows of the log are called when a person is told how many there are."""

from __future__ import annotations

PARTS = {
    "measurement": ("measurement", "measurements"),
    "job": ("job", "jobs"),
    "job_entry": ("entry of a job", "entries of jobs"),
    "gauge_check": ("gauge check", "gauge checks"),
    "review": ("review", "reviews"),
    "study": ("study", "studies"),
    "study_value": ("value of a study", "values of studies"),
    "stock_move": ("move of stock", "moves of stock"),
}
"""What a row of each table is called, one and many."""


def parts(counts: dict[str, int]) -> str:
    """Name what there is: ``2 measurements, 1 job``.

    >>> parts({"measurement": 2, "trace": 2, "job": 1})
    '2 measurements, 1 job'
    """
    named = [
        f"{counts[name]} {one if counts[name] == 1 else many}"
        for name, (one, many) in PARTS.items()
        if counts.get(name)
    ]
    return ", ".join(named) or "nothing"
