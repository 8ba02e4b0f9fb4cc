"""Where the log is, by who says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from joblog.errors import LogFolderMissing, LogNotPermitted
from joblog.paths import log_place
from joblog.store import Store


def test_the_option_goes_before_the_environment(tmp_path: Path) -> None:
    environment = {"SHIMWRIGHT_LOG": str(tmp_path / "environment.sqlite")}
    assert log_place(tmp_path / "option.sqlite", environment).path == tmp_path / "option.sqlite"
    assert log_place(None, environment).path == tmp_path / "environment.sqlite"


def test_the_process_s_own_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMWRIGHT_LOG", str(tmp_path / "log.sqlite"))
    assert log_place().path == tmp_path / "log.sqlite"


@pytest.mark.parametrize("environment", [{}, {"SHIMWRIGHT_LOG": ""}])
def test_else_the_user_s_data_folder_which_is_made_when_needed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, environment: dict[str, str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path))
    place = log_place(None, environment)
    assert place.ours
    assert place.path.name == "log.sqlite"
    assert "shimwright" in place.path.parts
    assert tmp_path in place.path.parents
    assert not place.path.parent.exists()  # asking does not make it
    with Store.open(place.ready()) as store:
        assert store.unsent() == []
    assert place.ready() == place.path  # once more does no harm


def test_a_folder_that_somebody_named_is_not_made(tmp_path: Path) -> None:
    place = log_place(tmp_path / "typo" / "log.sqlite", {})
    with pytest.raises(LogFolderMissing, match="typo for the log does not exist: make it"):
        Store.open(place.ready())
    assert not (tmp_path / "typo").exists()
    assert log_place(tmp_path / "log.sqlite", {}).ready() == tmp_path / "log.sqlite"


def test_the_home_folder_s_short_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    assert log_place(None, {"SHIMWRIGHT_LOG": "~/log.sqlite"}).path == tmp_path / "log.sqlite"


def test_a_data_folder_that_cannot_be_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "data").touch()  # a file is in the way
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path / "data"))
    with pytest.raises(LogNotPermitted, match="name another with --log"):
        log_place(None, {}).ready()
