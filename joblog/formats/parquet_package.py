"""Parquet tables in a data package: for programs that work on many measurements at once.

Each table of the log is a file; a trace is a row of ``traces.parquet`` with its times and counts as lists,
bit for bit. A reading is its count divided by ten to the power of ``decimals``, in ``unit``. JSON stays text.

It needs pyarrow, which is not installed by default.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from joblog.errors import ExportDamaged, ExportTooNew, PackageMissing
from joblog.formats.csv_package import FILES
from joblog.formats.package import Member, PackageReader, PackageWriter
from joblog.formats.rows import Head, Row, stored_row, trace_of, trace_row
from joblog.selection import Selection
from joblog.tables import MEANINGS, Column, Table

if TYPE_CHECKING:
    import pyarrow as pa

PROFILE = "data-package"

_ALWAYS = frozenset({"measurement", "trace"})
_BATCH = 1000  # rows held in memory at once
_TRACE_BATCH = 100  # a trace may have 100 000 readings


def write(selection: Selection, head: Head, package: PackageWriter) -> None:
    """Write a selection into a package.

    Raises:
        LogError: If a trace cannot be read.
        OSError: If it cannot be written.
    """
    import pyarrow as pa  # noqa: PLC0415  (optional)
    import pyarrow.parquet as pq  # noqa: PLC0415

    counts = selection.counts()
    for table in selection.tables:
        if table.name not in counts and table.name not in _ALWAYS:
            continue
        traces = table.name == "trace"
        schema = _trace_schema() if traces else pa.schema([_field(column) for column in table.columns])
        rows = selection.rows(table.name)
        with (
            package.member(_member(FILES[table.name], schema)) as file,
            pq.ParquetWriter(pa.PythonFile(file, mode="w"), schema, compression="zstd") as writer,
        ):
            while batch := list(islice(rows, _TRACE_BATCH if traces else _BATCH)):
                made = _trace_columns(batch) if traces else [_flagged(table, row) for row in batch]
                writer.write_table(
                    pa.Table.from_pydict(made, schema=schema)
                    if isinstance(made, dict)
                    else pa.Table.from_pylist(made, schema=schema)
                )
    package.finish(PROFILE, head)


def rows(package: PackageReader, tables: dict[str, Table]) -> Iterator[tuple[str, Row]]:
    """Read the rows of a package, as SQLite is to hold them, each with its table's name.

    Raises:
        PackageMissing: If pyarrow is not installed.
        ExportTooNew: If there is a column or a table that is not known here.
        ExportDamaged: If what it holds does not fit together.
        OSError: If it cannot be read.
    """
    check_installed(package.path)
    import pyarrow as pa  # noqa: PLC0415  (optional)
    import pyarrow.parquet as pq  # noqa: PLC0415

    if unknown := set(package.resources) - set(FILES.values()):
        raise ExportTooNew(package.path, f"the table {min(unknown)!r}")
    for name, table in tables.items():
        if FILES[name] not in package.resources:
            continue
        file = str(package.resources[FILES[name]]["path"])
        try:
            with package.member(file) as opened:
                for batch in pq.ParquetFile(pa.PythonFile(opened, mode="r")).iter_batches(
                    _TRACE_BATCH if name == "trace" else _BATCH
                ):
                    made = _traces(batch) if name == "trace" else _stored(table, batch)
                    yield from ((name, row) for row in made)
        except KeyError as error:
            raise ExportTooNew(package.path, f"{file}: the column {error.args[0]!r}") from error
        except (ValueError, TypeError, pa.ArrowException) as error:
            raise ExportDamaged(package.path, f"{file}: {error}") from error


def check_installed(path: Path) -> None:
    """See whether pyarrow is there.

    Args:
        path: What is to be written or read, for the message.

    Raises:
        PackageMissing: If it is not.
    """
    try:
        import pyarrow.parquet  # noqa: F401, PLC0415
    except ImportError as error:
        raise PackageMissing(path, "pyarrow", "parquet") from error


def _trace_schema() -> pa.Schema:
    import pyarrow as pa  # noqa: PLC0415

    return pa.schema(
        [
            pa.field("measurement_id", pa.string(), nullable=False),
            pa.field("unit", pa.string(), nullable=False),
            pa.field("decimals", pa.int64(), nullable=False),
            pa.field("times_s", pa.list_(pa.float64()), nullable=False),
            pa.field("counts", pa.list_(pa.int64()), nullable=False),
        ]
    )


def _field(column: Column) -> pa.Field:
    import pyarrow as pa  # noqa: PLC0415

    kinds = {"real": pa.float64(), "whole": pa.int64(), "flag": pa.bool_()}
    return pa.field(
        column.name,
        kinds.get(column.kind, pa.string()),
        nullable=not column.required,
        metadata={"description": MEANINGS[column.name]},
    )


def _flagged(table: Table, row: Row) -> Row:
    flags = {column.name for column in table.columns if column.kind == "flag"}
    return {
        name: bool(value) if name in flags and value is not None else value for name, value in row.items()
    }


def _trace_columns(batch: list[Row]) -> dict[str, list[Any]]:
    traces = [trace_of(row) for row in batch]
    return {
        "measurement_id": [row["measurement_id"] for row in batch],
        "unit": [trace.unit.value for trace in traces],
        "decimals": [trace.decimals for trace in traces],
        "times_s": [trace.times_s for trace in traces],
        "counts": [trace.counts for trace in traces],
    }


def _stored(table: Table, batch: pa.RecordBatch) -> Iterator[Row]:
    for row in batch.to_pylist():
        yield stored_row(table, row, parsed=False)


def _traces(batch: pa.RecordBatch) -> Iterator[Row]:
    from calc.units import Unit  # noqa: PLC0415
    from capture.readings import Trace  # noqa: PLC0415

    columns = {name: batch.column(name) for name in batch.schema.names}
    for place in range(batch.num_rows):
        times, counts = (columns[name][place].values for name in ("times_s", "counts"))
        trace = Trace(
            times.to_numpy(zero_copy_only=False).copy(),
            counts.to_numpy(zero_copy_only=False).copy(),
            columns["decimals"][place].as_py(),
            Unit(columns["unit"][place].as_py()),
        )
        yield trace_row(columns["measurement_id"][place].as_py(), trace)


def _member(name: str, schema: pa.Schema) -> Member:
    about = {
        "profile": "data-resource",
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "description": "columns: " + ", ".join(schema.names),
    }
    return Member(name, f"{name}.parquet", about)
