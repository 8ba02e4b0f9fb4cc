"""The shims of the shop: how many of each size lie in each bin, from what came and what went.

A bin holds one kind of shim; a hub file names it. Only moves are written, never a number: what is on hand is
the sum of the moves. A count writes the difference to the book. A size can stand below 0 in the book, after
one was fitted that the book did not know of; then it is time to count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from pathlib import Path

from calc.limits import nm
from joblog.errors import LogError
from joblog.reader import reading

Row = tuple[str, Mapping[str, str | int | None]]
"""A row for ``Store.add_rows``: its table and its columns."""


class Why(StrEnum):
    """Why shims came or went."""

    COUNTED = "counted"
    RECEIVED = "received"
    FITTED = "fitted"
    RETURNED = "returned"
    SCRAPPED = "scrapped"


class StockShort(LogError):  # noqa: N818 - as the others of the log
    """More would go than the book says there are.

    Attributes:
        bin: The bin.
        thickness_mm: The size, millimetres.
        book: How many there are by the book.
        number: How many were to go.
    """

    def __init__(self, bin_name: str, thickness_mm: float, book: int, number: int) -> None:
        super().__init__(
            f"{number} of {thickness_mm:g} mm cannot go from the bin {bin_name!r}: the book says {book}; "
            "count them first (shimwright stock count)"
        )
        self.bin = bin_name
        self.thickness_mm = thickness_mm
        self.book = book
        self.number = number


@dataclass(frozen=True, slots=True, kw_only=True)
class StockMove:
    """Shims that came or went. It is written once; what was wrong is put right by counting.

    Attributes:
        id: UUID.
        at: When, UTC, ISO 8601.
        who: Who did it; None if not given.
        bin: The kind of shim, as the hub file names it.
        thickness_nm: Thickness in whole nanometres, so that equal sizes are equal.
        change: How many came, above 0, or went, below 0.
        why: Why.
        counted: How many were found when they were counted; None otherwise.
        note: In words; None without.
        job_entry_id: Entry of the job that took or returned it; None without.
    """

    id: str
    at: str
    who: str | None
    bin: str
    thickness_nm: int
    change: int
    why: Why
    counted: int | None = None
    note: str | None = None
    job_entry_id: str | None = None

    @property
    def thickness_mm(self) -> float:
        """Thickness, millimetres."""
        return self.thickness_nm / 1e6


def counts(path: Path, bin_name: str) -> dict[float, int]:
    """How many of each size the book has, by thickness in millimetres, ascending.

    Args:
        path: The log.
        bin_name: The bin, ``Hub.shim_bin``.

    Returns:
        Every size that was ever moved, with 0 or less for one that is out; empty where no stock is kept of
        this bin, which means that everything counts as on hand.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    query = "SELECT thickness_nm, sum(change) FROM stock_move WHERE bin = ? GROUP BY 1 ORDER BY 1"
    with reading(path) as log:
        return {} if log is None else {size / 1e6: number for size, number in log.execute(query, (bin_name,))}


def on_hand_mm(book: Mapping[float, int]) -> frozenset[float] | None:
    """The sizes of which there is one, for ``choose_shim``; None where no stock is kept.

    Args:
        book: As ``counts`` gives it.
    """
    return frozenset(size for size, number in book.items() if number > 0) if book else None


def bins(path: Path) -> list[str]:
    """The bins of which a stock is kept, by name.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    with reading(path) as log:
        return (
            []
            if log is None
            else [row[0] for row in log.execute("SELECT DISTINCT bin FROM stock_move ORDER BY bin")]
        )


def history(path: Path, bin_name: str | None = None, thickness_mm: float | None = None) -> list[StockMove]:
    """What came and went, in the order of recording.

    Args:
        path: The log.
        bin_name: Of this bin only; None for all.
        thickness_mm: Of this size only, millimetres; None for all.

    Raises:
        LogMissing: If there is no log.
        LogFileError: If it cannot be read.
    """
    names = [field.name for field in fields(StockMove)]
    query = (
        f"SELECT {', '.join(names)} FROM stock_move WHERE (:bin IS NULL OR bin = :bin) "  # noqa: S608  (our names)
        "AND (:size IS NULL OR thickness_nm = :size) ORDER BY seq"
    )
    asked = {"bin": bin_name, "size": None if thickness_mm is None else nm(thickness_mm)}
    with reading(path) as log:
        rows = [] if log is None else log.execute(query, asked).fetchall()
    moves = [dict(zip(names, row, strict=True)) for row in rows]
    return [StockMove(**{**move, "why": Why(move["why"])}) for move in moves]


def count_row(
    bin_name: str,
    thickness_mm: float,
    counted: int,
    book: int,
    *,
    who: str | None = None,
    note: str | None = None,
) -> Row:
    """A count of one size: the difference to the book is what is written.

    Args:
        bin_name: The bin.
        thickness_mm: The size, millimetres, above 0.
        counted: How many were found, at least 0.
        book: How many the book says there are.
        who: Who counted.
        note: In words.
    """
    return _row(bin_name, thickness_mm, counted - book, Why.COUNTED, counted=counted, who=who, note=note)


def receive_row(
    bin_name: str, thickness_mm: float, number: int, *, who: str | None = None, note: str | None = None
) -> Row:
    """New shims that came in.

    Args:
        bin_name: The bin.
        thickness_mm: The size, millimetres, above 0.
        number: How many, above 0.
        who: Who took them in.
        note: In words.
    """
    return _row(bin_name, thickness_mm, number, Why.RECEIVED, who=who, note=note)


def scrap_row(
    bin_name: str, thickness_mm: float, number: int, book: int, *, note: str, who: str | None = None
) -> Row:
    """Shims that are thrown away.

    Args:
        bin_name: The bin.
        thickness_mm: The size, millimetres, above 0.
        number: How many, above 0.
        book: How many the book says there are.
        note: Why, in words.
        who: Who threw them away.

    Raises:
        StockShort: If the book does not have so many.
    """
    if number > book:
        raise StockShort(bin_name, thickness_mm, book, number)
    return _row(bin_name, thickness_mm, -number, Why.SCRAPPED, who=who, note=note)


def fit_row(
    bin_name: str,
    thickness_mm: float,
    *,
    job_entry_id: str | None = None,
    who: str | None = None,
    note: str | None = None,
) -> Row:
    """A shim that was fitted. It may take the book below 0: the shim was there, so the book was wrong.

    Args:
        bin_name: The bin.
        thickness_mm: The size, millimetres, above 0.
        job_entry_id: Entry of the job that says so.
        who: Who fitted it.
        note: In words.
    """
    return _row(bin_name, thickness_mm, -1, Why.FITTED, who=who, note=note, job_entry_id=job_entry_id)


def return_row(
    bin_name: str,
    thickness_mm: float,
    *,
    job_entry_id: str | None = None,
    who: str | None = None,
    note: str | None = None,
) -> Row:
    """A shim that came out of a hub and is good to fit again; see ``fit_row``."""
    return _row(bin_name, thickness_mm, 1, Why.RETURNED, who=who, note=note, job_entry_id=job_entry_id)


def short_after(book: Mapping[float, int], *thicknesses_mm: float) -> list[float]:
    """The sizes that fitting these shims takes below 0, millimetres, for a warning that it is time to count.

    Args:
        book: As ``counts`` gives it before they are fitted; empty where no stock is kept.
        thicknesses_mm: The shims to be fitted, millimetres.
    """
    if not book:
        return []
    left = {nm(size): number for size, number in book.items()}
    for size in thicknesses_mm:
        left[nm(size)] = left.get(nm(size), 0) - 1
    return sorted({size for size in thicknesses_mm if left[nm(size)] < 0})


def _row(bin_name: str, thickness_mm: float, change: int, why: Why, **more: str | int | None) -> Row:
    from joblog.records import new_id, utc_now  # noqa: PLC0415  (a listing needs none of what it loads)

    return "stock_move", {
        "id": new_id(),
        "at": utc_now(),
        "bin": bin_name,
        "thickness_nm": nm(thickness_mm),
        "change": change,
        "why": str(why),
        **more,
    }
