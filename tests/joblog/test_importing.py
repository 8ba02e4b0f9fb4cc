"""What is brought in is known for what it is, and nothing of it is taken unless all of it is sound."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from joblog.errors import ExportDamaged, ExportTooNew, HandOnError, NotAnExport, PackageMissing
from joblog.handing_on import Format, export_to
from joblog.importing import form_of, import_file
from joblog.records import Measurement
from joblog.store import Store

ROOT = Path(__file__).parents[2]
IMPORTER = Path(__file__).with_name("importer.py")

Make = Callable[..., Measurement]
Contents = Callable[[Path], dict[str, list[tuple[Any, ...]]]]

WAYS: list[tuple[Format, str]] = [
    ("csv", "folder"),
    ("csv", "out.zip"),
    ("jsonl", "out.jsonl"),
    ("parquet", "folder"),
    ("parquet", "out.zip"),
    ("sqlite", "out.sqlite"),
]


@pytest.fixture
def target(tmp_path: Path, make: Make) -> Path:
    """A log with something in it."""
    path = tmp_path / "target.sqlite"
    with Store.open(path) as store:
        store.add(make())
    return path


@pytest.mark.parametrize(("form", "name"), WAYS)
def test_the_format_is_found_by_looking(form: Format, name: str, full_log: Path, tmp_path: Path) -> None:
    export_to(full_log, tmp_path / name, form, "0.2.0")
    other = tmp_path / "for-you.dat"
    (tmp_path / name).rename(other)
    expected = {"csv": "package", "parquet": "package"}.get(form, form)
    assert form_of(other) == expected
    assert import_file(other, tmp_path / "back.sqlite").form == expected


def test_a_package_may_be_named_by_its_description(
    full_log: Path, tmp_path: Path, contents: Contents
) -> None:
    export_to(full_log, tmp_path / "out", "csv", "0.2.0")
    import_file(tmp_path / "out" / "datapackage.json", tmp_path / "back.sqlite")
    assert contents(tmp_path / "back.sqlite") == contents(full_log)


@pytest.fixture(params=WAYS[:-1], ids=" ".join)
def made(request: pytest.FixtureRequest, full_log: Path, tmp_path: Path) -> Path:
    """Everything exported, in each format whose bytes are all checked."""
    form, name = request.param
    made: Path = tmp_path / name
    export_to(full_log, made, form, "0.2.0")
    return made


def refused(made: Path, target: Path) -> bool:
    """Whether an import is refused, in one line."""
    try:
        import_file(made, target)
    except HandOnError as error:
        return "\n" not in str(error)
    return False


def test_any_wrong_byte_is_found(made: Path, full_log: Path, tmp_path: Path, contents: Contents) -> None:
    for file in sorted(made.iterdir()) if made.is_dir() else [made]:
        whole = file.read_bytes()
        for place in range(0, len(whole), max(1, len(whole) // 7)):
            file.write_bytes(whole[:place] + bytes([whole[place] ^ 4]) + whole[place + 1 :])
            fresh = tmp_path / f"{file.name}-{place}.sqlite"
            if refused(made, fresh):
                assert not fresh.exists()
            else:  # it hit what only describes; then nothing else must have come
                assert contents(fresh) == contents(full_log)
        file.write_bytes(whole)


def test_cut_off_at_any_place(made: Path, target: Path, contents: Contents) -> None:
    was = contents(target)
    for file in sorted(made.iterdir()) if made.is_dir() else [made]:
        whole = file.read_bytes()
        for size in sorted({0, 1, 20, len(whole) // 2, len(whole) - 2} - {len(whole)}):
            file.write_bytes(whole[:size])
            assert refused(made, target), f"{file.name} cut to {size}"
        file.write_bytes(whole)
    assert contents(target) == was


def test_a_missing_file_of_a_package_is_named(full_log: Path, target: Path, tmp_path: Path) -> None:
    export_to(full_log, tmp_path / "out", "csv", "0.2.0")
    (tmp_path / "out" / "reviews.csv").unlink()
    with pytest.raises(ExportDamaged, match=r"reviews\.csv is missing"):
        import_file(tmp_path / "out", target)


def test_a_line_that_was_changed_or_taken_out_is_found(full_log: Path, target: Path, tmp_path: Path) -> None:
    made = tmp_path / "out.jsonl"
    export_to(full_log, made, "jsonl", "0.2.0")
    lines = made.read_text(encoding="utf-8").splitlines(keepends=True)
    for wrong in (
        lines[:-1],
        lines[:5] + lines[6:],
        [*lines, lines[3]],
        [line.replace("LR", "RR") for line in lines],
    ):
        made.write_text("".join(wrong), encoding="utf-8")
        with pytest.raises(ExportDamaged):
            import_file(made, target)


FOREIGN: dict[str, bytes] = {
    "empty": b"",
    "text": b"hello\n",
    "trace": b"time_s,reading_mm\n0,0.1\n",
    "json": b'{"name": "another"}\n',
    "binary": bytes(range(256)) * 4,
    "zip": b"PK\x05\x06" + bytes(18),
    "broken zip": b"PK\x03\x04 and no more",
    "parquet": b"PAR1",
}


@pytest.mark.parametrize("what", FOREIGN)
def test_a_foreign_file_is_one_line_and_changes_nothing(
    what: str, target: Path, tmp_path: Path, contents: Contents
) -> None:
    was = contents(target)
    file = tmp_path / "foreign"
    file.write_bytes(FOREIGN[what])
    with pytest.raises((NotAnExport, ExportDamaged)) as told:
        import_file(file, target)
    assert str(told.value).startswith(f"{file} ")
    assert "\n" not in str(told.value)
    assert contents(target) == was


def test_another_program_s_database_and_package(target: Path, tmp_path: Path) -> None:
    file = tmp_path / "other.db"
    with closing(sqlite3.connect(file)) as other:
        other.execute("CREATE TABLE thing (id TEXT)")
    with pytest.raises(NotAnExport, match="another program"):
        import_file(file, target)
    folder = tmp_path / "package"
    folder.mkdir()
    with pytest.raises(NotAnExport, match=r"without a datapackage\.json"):
        import_file(folder, target)
    (folder / "datapackage.json").write_text('{"name": "x", "resources": []}')
    with pytest.raises(NotAnExport, match="another program's"):
        import_file(folder, target)


def test_a_package_that_points_outside_itself_is_refused(
    full_log: Path, target: Path, tmp_path: Path
) -> None:
    export_to(full_log, tmp_path / "out", "csv", "0.2.0")
    descriptor = tmp_path / "out" / "datapackage.json"
    shutil.move(tmp_path / "out" / "measurements.csv", tmp_path / "measurements.csv")
    descriptor.write_text(descriptor.read_text().replace('"measurements.csv"', '"../measurements.csv"'))
    with pytest.raises(ExportDamaged):
        import_file(tmp_path / "out", target)


def test_an_unsound_log_is_refused(full_log: Path, target: Path, contents: Contents) -> None:
    was = contents(target)
    with closing(sqlite3.connect(full_log)) as log, log:
        log.execute("DROP TRIGGER trace_no_update")
        log.execute("UPDATE trace SET data = CAST(data || 'x' AS BLOB) WHERE rowid = 2")
    with pytest.raises(ExportDamaged, match="checksum"):
        import_file(full_log, target)
    assert contents(target) == was


def test_a_measurement_that_no_log_would_take_is_refused(full_log: Path, target: Path) -> None:
    with closing(sqlite3.connect(full_log)) as log, log:
        log.execute("DROP TRIGGER measurement_no_update")
        log.execute("UPDATE measurement SET corner = 'XX' WHERE seq = 1")
    with pytest.raises(ExportDamaged, match="corner: 'XX'"):
        import_file(full_log, target)


def test_a_newer_version_s_files_are_told(full_log: Path, target: Path, tmp_path: Path) -> None:
    made = tmp_path / "out.jsonl"
    export_to(full_log, made, "jsonl", "0.2.0")
    text = made.read_text(encoding="utf-8")
    for old, new in [
        ('"form": 1', '"form": 2'),
        ('"hub_title"', '"hub_colour"'),
        ('"record": "review"', '"record": "z"'),
    ]:
        made.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(ExportTooNew, match="update shimwright"):
            import_file(made, target)
    export_to(full_log, tmp_path / "out", "csv", "0.2.0")
    descriptor = tmp_path / "out" / "datapackage.json"
    descriptor.write_text(descriptor.read_text().replace('"form": 1', '"form": 2'))
    with pytest.raises(ExportTooNew, match="form 2"):
        import_file(tmp_path / "out", target)
    with closing(sqlite3.connect(full_log)) as log, log:
        log.execute("INSERT INTO _sqlite_migrations VALUES (99, 'joblog', '9999_later', '')")
    with pytest.raises(ExportTooNew, match="9999_later"):
        import_file(full_log, target)


def test_an_export_of_an_older_version_lacks_columns(
    full_log: Path, tmp_path: Path, contents: Contents
) -> None:
    """As before a column was added: it is empty."""
    import hashlib  # noqa: PLC0415

    made = tmp_path / "out.jsonl"
    export_to(full_log, made, "jsonl", "0.2.0")
    lines = [json.loads(line) for line in made.read_text(encoding="utf-8").splitlines()[:-1]]
    for line in lines:
        line.pop("gauge_note", None)
    body = "".join(json.dumps(line) + "\n" for line in lines)
    end = {"record": "end", "lines": len(lines) - 1, "sha256": hashlib.sha256(body.encode()).hexdigest()}
    made.write_text(body + json.dumps(end) + "\n")
    import_file(made, tmp_path / "back.sqlite")
    assert contents(tmp_path / "back.sqlite") == contents(full_log)


def test_without_pyarrow_a_line_says_how_to_get_it(
    full_log: Path, target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    export_to(full_log, tmp_path / "out", "parquet", "0.2.0")
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    for attempt in (
        lambda: import_file(tmp_path / "out", target),
        lambda: export_to(full_log, tmp_path / "more", "parquet", "0.2.0"),
    ):
        with pytest.raises(PackageMissing, match=r'pip install "shimwright\[parquet\]"'):
            attempt()
    assert not (tmp_path / "more").exists()


def test_a_zip_file_packed_by_another_program(full_log: Path, tmp_path: Path, contents: Contents) -> None:
    export_to(full_log, tmp_path / "out", "csv", "0.2.0")
    with zipfile.ZipFile(tmp_path / "again.zip", "w", zipfile.ZIP_BZIP2) as made:
        for file in (tmp_path / "out").iterdir():
            made.write(file, file.name)
    import_file(tmp_path / "again.zip", tmp_path / "back.sqlite")
    assert contents(tmp_path / "back.sqlite") == contents(full_log)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kill -9 is for POSIX systems: run it on Linux")
@pytest.mark.parametrize(
    "sql",
    [
        "BEGIN",
        "INSERT INTO main.measurement",
        "INSERT INTO main.trace",
        "INSERT INTO main.study_value",
        "COMMIT",
    ],
)
def test_killed_in_the_middle_takes_nothing(
    sql: str, full_log: Path, target: Path, tmp_path: Path, contents: Contents
) -> None:
    made = tmp_path / "out.jsonl"
    export_to(full_log, made, "jsonl", "0.2.0")
    was = contents(target)
    environment = os.environ | {"PYTHONPATH": str(ROOT), "TMPDIR": str(tmp_path)}
    command = [sys.executable, str(IMPORTER), str(made), str(target), sql]
    child = subprocess.run(command, env=environment, timeout=30, check=False)
    assert child.returncode == -signal.SIGKILL, f"there was no statement {sql}"
    assert contents(target) == was
    with closing(sqlite3.connect(target)) as log:
        assert log.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    import_file(made, target)  # and it can be done again
    assert len(contents(target)["study_value"]) == len(contents(full_log)["study_value"])
