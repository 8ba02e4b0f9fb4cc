"""CSV tables in a data package, described by Table Schemas: for a spreadsheet, and for whatever comes later.

Each table of the log is a file; a trace is a row of ``traces.csv`` and its readings are rows of
``readings.csv``. An empty field is no value, unless a text of the log is itself empty: then its table has
another mark for no value, which its schema names.

Source: Frictionless Data, Table Schema, version 1.0 (specs.frictionlessdata.io).
"""

from __future__ import annotations

import csv
import io
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count, islice
from typing import Any, BinaryIO, TextIO

from joblog.errors import ExportDamaged, ExportTooNew
from joblog.formats.package import Member, PackageReader, PackageWriter
from joblog.formats.rows import Head, Row, bits_of, from_bits, made_trace, stored_row, trace_of, trace_row
from joblog.selection import Selection
from joblog.tables import MEANINGS, Column, Kind, Table

PROFILE = "tabular-data-package"

FILES = {
    "job": "jobs", "measurement": "measurements", "trace": "traces", "job_entry": "job_entries",
    "gauge_check": "gauge_checks", "review": "reviews", "study": "studies", "study_value": "study_values",
    "stock_move": "stock_moves",
}  # fmt: skip
"""What the file of each table is called."""

READINGS = "readings"

_ALWAYS = frozenset({"measurement", "trace"})
_TYPES: dict[Kind, dict[str, Any]] = {
    "text": {"type": "string"},
    "time": {"type": "datetime", "format": "%Y-%m-%dT%H:%M:%S.%fZ"},
    "real": {"type": "number"},
    "whole": {"type": "integer"},
    "flag": {"type": "boolean", "trueValues": ["1"], "falseValues": ["0"]},
    "object": {"type": "object"},
    "array": {"type": "array"},
}
_DIALECT = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True, "header": True}

_TRACE = ("measurement_id", "unit", "decimals", "readings")
_READING = ("measurement_id", "number", "time_s", "reading", "time_bits")
_DECIMAL = re.compile(r"-?[0-9]+(?:\.[0-9]+)?").fullmatch


def write(selection: Selection, head: Head, package: PackageWriter) -> None:
    """Write a selection into a package.

    Raises:
        LogError: If a trace cannot be read.
        OSError: If it cannot be written.
    """
    counts = selection.counts()
    for table in selection.tables:
        if table.name == "trace":
            _write_traces(selection, package)
        elif table.name in counts or table.name in _ALWAYS:
            _write_table(selection, table, package)
    package.finish(PROFILE, head)


def rows(package: PackageReader, tables: dict[str, Table]) -> Iterator[tuple[str, Row]]:
    """Read the rows of a package, as SQLite is to hold them, each with its table's name.

    Raises:
        ExportTooNew: If there is a column or a table that is not known here.
        ExportDamaged: If what it holds does not fit together.
        OSError: If it cannot be read.
    """
    csv.field_size_limit(sys.maxsize)  # a hub file may be as long as it likes
    if unknown := set(package.resources) - {*FILES.values(), READINGS}:
        raise ExportTooNew(package.path, f"the table {min(unknown)!r}")
    for name, table in tables.items():
        if FILES[name] not in package.resources:
            continue
        file = str(package.resources[FILES[name]]["path"])
        try:
            if name == "trace":
                yield from ((name, row) for row in _traces(package))
            else:
                for row in _records(package, FILES[name]):
                    yield name, stored_row(table, _typed(table, row), parsed=False)
        except KeyError as error:
            raise ExportTooNew(package.path, f"{file}: the column {error.args[0]!r}") from error
        except (ValueError, TypeError, csv.Error) as error:
            raise ExportDamaged(package.path, f"{file}: {error}") from error


def _write_table(selection: Selection, table: Table, package: PackageWriter) -> None:
    empty = _no_value(selection, table)
    fields = [_field(column, column.name == table.key) for column in table.columns]
    keys = [
        {"fields": column.name, "reference": {"resource": _reference(table, column.refers), "fields": "id"}}
        for column in table.columns
        if column.refers is not None
    ]
    schema = _schema(fields, table.key, keys, empty)
    with package.member(_member(FILES[table.name], schema)) as file, _text(file) as text:
        writer = csv.writer(text)
        writer.writerow(table.names())
        for row in selection.rows(table.name):
            writer.writerow([empty if value is None else _cell(value) for value in row.values()])


def _write_traces(selection: Selection, package: PackageWriter) -> None:
    of = {"fields": "measurement_id", "reference": {"resource": "measurements", "fields": "id"}}
    schema = _schema(
        [
            _plain_field("measurement_id", "string", "the measurement"),
            _plain_field("unit", "string", "unit of the readings: mm or in"),
            _plain_field("decimals", "integer", "digits after the point of a reading"),
            _plain_field("readings", "integer", "how many readings there are"),
        ],
        "measurement_id",
        [of],
        "",
    )
    with package.member(_member(FILES["trace"], schema)) as file, _text(file) as text:
        writer = csv.writer(text)
        writer.writerow(_TRACE)
        for row in selection.rows("trace"):
            trace = trace_of(row)
            writer.writerow((row["measurement_id"], trace.unit.value, trace.decimals, len(trace)))
    bits = {"name": "time_bits", "type": "string", "description": "bits of a time that is no finite number"}
    schema = _schema(
        [
            _plain_field("measurement_id", "string", "the measurement"),
            _plain_field("number", "integer", "place in the trace, from 1"),
            {"name": "time_s", "type": "number", "description": "time on the gauge's own clock, seconds"},
            _plain_field("reading", "number", "the reading, in the unit of its trace"),
            bits,
        ],
        ["measurement_id", "number"],
        [of],
        "",
    )
    with package.member(_member(READINGS, schema)) as file, _text(file) as text:
        writer = csv.writer(text)
        writer.writerow(_READING)
        for row in selection.rows("trace"):
            trace, key = trace_of(row), row["measurement_id"]
            writer.writerows(
                (key, number, repr(time) if (bits_text := bits_of(time)) is None else "", reading, bits_text)
                for number, time, reading in zip(
                    count(1), trace.times_s.tolist(), trace.texts(), strict=False
                )
            )


def _records(package: PackageReader, name: str) -> Iterator[dict[str, str | None]]:
    """The rows of a file, by column; what stands for no value is None."""
    resource = package.resources[name]
    missing = set(resource.get("schema", {}).get("missingValues", [""]))
    with package.member(resource["path"]) as file:
        lines = csv.reader(io.TextIOWrapper(file, encoding="utf-8", newline=""), strict=True)
        names = next(lines, [])
        for line in lines:
            yield {key: None if text in missing else text for key, text in zip(names, line, strict=True)}


def _typed(table: Table, row: dict[str, str | None]) -> Row:
    kinds = {column.name: column.kind for column in table.columns}
    return {name: None if text is None else _value(kinds[name], text) for name, text in row.items()}


def _value(kind: Kind, text: str) -> Any:  # noqa: ANN401  (any column)
    if kind == "flag":
        return {"0": False, "1": True}.get(text, text)
    return int(text) if kind == "whole" else text


def _traces(package: PackageReader) -> Iterator[Row]:
    readings = _records(package, READINGS) if READINGS in package.resources else iter(())
    for record in _records(package, FILES["trace"]):
        key, unit, decimals, wanted = (str(record.get(name)) for name in _TRACE)
        some = list(islice(readings, int(wanted)))
        if len(some) != int(wanted) or any(one.get("measurement_id") != key for one in some):
            raise ValueError(f"the readings of {key} are not all there")
        times = [_time(one) for one in some]
        counts = [_counted(str(one.get("reading")), int(decimals)) for one in some]
        yield trace_row(key, made_trace(times, counts, int(decimals), unit))
    if next(readings, None) is not None:
        raise ValueError("there are readings without a trace")


def _time(record: dict[str, str | None]) -> float:
    bits = record.get("time_bits")
    return float(str(record.get("time_s"))) if bits is None else from_bits(bits)


def _counted(reading: str, decimals: int) -> int:
    if not _DECIMAL(reading) or len(reading.partition(".")[2]) != decimals:
        raise ValueError(f"{reading!r} is no reading with {decimals} digits after the point")
    return int(reading.replace(".", ""))


def _no_value(selection: Selection, table: Table) -> str:
    """What stands for no value: nothing, if no text of the table is empty, else a word that none is."""
    texts = [column.name for column in table.columns if column.kind in {"text", "time"}]
    for number in count():
        mark = ("", "NULL")[number] if number < 2 else f"NULL-{number}"
        if not any(selection.holds_text(table.name, name, mark) for name in texts):
            return mark
    raise AssertionError  # count() does not end


def _cell(value: Any) -> Any:  # noqa: ANN401  (any column)
    return repr(value) if isinstance(value, float) else value


def _reference(table: Table, referred: str) -> str:
    return "" if referred == table.name else FILES[referred].replace("_", "-")


def _field(column: Column, key: bool) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, **_TYPES[column.kind], "description": MEANINGS[column.name]}
    if column.required or key:
        field["constraints"] = {"required": True, **({"unique": True} if key else {})}
    return field


def _plain_field(name: str, kind: str, description: str) -> dict[str, Any]:
    return {"name": name, "type": kind, "description": description, "constraints": {"required": True}}


def _schema(
    fields: list[dict[str, Any]], key: str | list[str], keys: list[Any], empty: str
) -> dict[str, Any]:
    schema: dict[str, Any] = {"fields": fields, "missingValues": [empty], "primaryKey": key}
    return schema | ({"foreignKeys": keys} if keys else {})


def _member(name: str, schema: dict[str, Any]) -> Member:
    about = {
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": _DIALECT,
        "schema": schema,
    }
    return Member(name, f"{name}.csv", about)


@contextmanager
def _text(file: BinaryIO) -> Iterator[TextIO]:
    """The file as text; it is not closed at the end."""
    wrapped = io.TextIOWrapper(file, encoding="utf-8", newline="")
    yield wrapped
    wrapped.flush()
    wrapped.detach()
