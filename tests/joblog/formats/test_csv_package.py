"""The package is what the published profiles ask for, and its schemas say what stands in its files."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from joblog.handing_on import export_to
from joblog.importing import import_file
from joblog.records import Measurement
from joblog.store import Store

SCHEMAS = Path(__file__).with_name("schemas")
Make = Callable[..., Measurement]


def described(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    return found


def validator(name: str) -> jsonschema.Draft4Validator:
    return jsonschema.Draft4Validator(json.loads((SCHEMAS / name).read_text(encoding="utf-8")))


@pytest.fixture
def package(full_log: Path, tmp_path: Path) -> Path:
    export_to(full_log, tmp_path / "package", "csv", "0.2.0")
    return tmp_path / "package"


def test_the_description_keeps_to_the_published_profiles(package: Path) -> None:
    descriptor = described(package)
    assert list(validator("tabular-data-package.json").iter_errors(descriptor)) == []
    for resource in descriptor["resources"]:
        assert list(validator("table-schema.json").iter_errors(resource["schema"])) == []


def test_a_parquet_package_keeps_to_its_profile(full_log: Path, tmp_path: Path) -> None:
    export_to(full_log, tmp_path / "package", "parquet", "0.2.0")
    descriptor = described(tmp_path / "package")
    assert list(validator("data-package.json").iter_errors(descriptor)) == []


def test_the_profile_refuses_what_is_wrong(package: Path) -> None:
    """So that the test above can fail."""
    descriptor = described(package)
    descriptor["resources"][0]["schema"]["fields"][0]["type"] = "uuid"
    assert list(validator("tabular-data-package.json").iter_errors(descriptor))


def test_lengths_and_checksums_are_those_of_the_files(package: Path) -> None:
    for resource in described(package)["resources"]:
        data = (package / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"


def test_every_value_is_of_its_field_s_type(package: Path) -> None:
    """Types as Table Schema 1.0 has them; references lead somewhere."""
    rows: dict[str, list[dict[str, str]]] = {}
    descriptor = described(package)
    for resource in descriptor["resources"]:
        with (package / resource["path"]).open(encoding="utf-8", newline="") as file:
            rows[resource["name"]] = list(csv.DictReader(file))
    reads: dict[str, Callable[[str], object]] = {
        "string": str, "integer": int, "number": float, "object": json.loads, "array": json.loads,
        "datetime": lambda text: datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC),
        "boolean": {"0": False, "1": True}.__getitem__,
    }  # fmt: skip
    for resource in descriptor["resources"]:
        schema = resource["schema"]
        for row in rows[resource["name"]]:
            assert list(row) == [field["name"] for field in schema["fields"]]
            for field in schema["fields"]:
                text = row[field["name"]]
                if text in schema["missingValues"]:
                    assert not field.get("constraints", {}).get("required")
                else:
                    reads[field["type"]](text)
        for key in schema.get("foreignKeys", []):
            there = rows[key["reference"]["resource"] or resource["name"]]
            known = {row[key["reference"]["fields"]] for row in there}
            empty = set(schema["missingValues"])
            assert {row[key["fields"]] for row in rows[resource["name"]]} - empty <= known


def test_a_reading_stands_as_the_gauge_showed_it(package: Path) -> None:
    with (package / "readings.csv").open(encoding="utf-8", newline="") as file:
        first, second = list(csv.DictReader(file))[:2]
    assert (first["number"], first["time_s"], first["reading"]) == ("1", "81234.5", "0.000")
    assert (second["number"], second["time_s"], second["reading"]) == ("2", "81234.52", "0.050")


def test_an_empty_text_is_not_the_same_as_none(make: Make, tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    made = [make(vehicle=""), make(vehicle=None), make(vehicle="NULL")]
    with Store.open(log) as store:
        for one in made:
            store.add(one)
    export_to(log, tmp_path / "package", "csv", "0.2.0")
    schema = described(tmp_path / "package")["resources"][0]["schema"]
    assert schema["missingValues"] == ["NULL-2"]
    import_file(tmp_path / "package", tmp_path / "back.sqlite")
    with Store.open(tmp_path / "back.sqlite") as store:
        assert [store.get(one.id).vehicle for one in made] == ["", None, "NULL"]


def test_no_value_is_an_empty_field_where_that_is_clear(make: Make, tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        store.add(make(vehicle=None))
    export_to(log, tmp_path / "package", "csv", "0.2.0")
    assert described(tmp_path / "package")["resources"][0]["schema"]["missingValues"] == [""]
