"""Values of a study from a CSV file that was made elsewhere."""

from __future__ import annotations

import csv
from decimal import Decimal, InvalidOperation
from pathlib import Path

from calc.study import Value
from calc.units import Unit, to_mm
from cli.errors import MisuseError

COLUMNS = ("person", "part", "repeat")
MOST_VALUE = 10_000
MOST_ROWS = 5_000


def read_study_csv(path: Path) -> tuple[list[Value], Unit]:
    """Read a file with the columns person, part, repeat, and value_mm or value_in; others are passed over.

    Args:
        path: The file, in UTF-8, with commas.

    Returns:
        The values, and the unit they were in.

    Raises:
        MisuseError: If something in it cannot be read; the line is named.
        OSError: If the file cannot be opened.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _read(path, csv.DictReader(file))
    except UnicodeDecodeError:
        raise MisuseError("--csv", f"{path} is no text in UTF-8: save it as CSV (UTF-8)") from None
    except csv.Error as error:
        raise MisuseError("--csv", f"{path} is no CSV file ({error}): save it as CSV with commas") from None


def _read(path: Path, rows: csv.DictReader[str]) -> tuple[list[Value], Unit]:
    names = [name.strip() for name in rows.fieldnames or ()]
    rows.fieldnames = names
    units = [unit for unit in Unit if f"value_{unit}" in names]
    missing = [name for name in COLUMNS if name not in names]
    if missing or len(units) != 1:
        lacks = ", ".join(missing) if missing else "one of value_mm and value_in"
        raise MisuseError(
            "--csv",
            f"{path} has no column {lacks}: its first line must be person,part,repeat,value_mm (or value_in)",
        )
    found: dict[tuple[str, str, int], Value] = {}
    for row in rows:
        value = _value(path, rows.line_num, row, units[0])
        if value[:3] in found:
            raise _wrong(path, rows.line_num, f"{value.person}, {value.part}, {value.repeat} comes twice")
        found[value[:3]] = value
        if len(found) > MOST_ROWS:
            raise MisuseError("--csv", f"{path} has more than {MOST_ROWS} values: give fewer")
    if not found:
        raise MisuseError("--csv", f"{path} has no values below its first line")
    return list(found.values()), units[0]


def _value(path: Path, line: int, row: dict[str, str], unit: Unit) -> Value:
    person, part, repeat = ((row[name] or "").strip() for name in COLUMNS)
    text = (row[f"value_{unit}"] or "").strip()
    if not person or not part:
        raise _wrong(path, line, "person or part is empty")
    if not (repeat.isascii() and repeat.isdigit() and 0 < int(repeat) <= MOST_ROWS):
        raise _wrong(path, line, f'repeat "{repeat}" is no whole number from 1')
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise _wrong(path, line, f'"{text}" is no number; the decimal sign is a point') from None
    if not number.is_finite() or abs(number) > MOST_VALUE:
        raise _wrong(path, line, f'"{text}" is no length up to {MOST_VALUE} {unit}')
    return Value(person, part, int(repeat), to_mm(number, unit))


def _wrong(path: Path, line: int, why: str) -> MisuseError:
    return MisuseError("--csv", f"{path}, line {line}: {why}: correct it")
