"""A file that is made has its name once it is whole, and never another one's."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NoReturn

import pytest

from joblog.errors import TargetExists, TargetNotWritable
from joblog.handing_on import new_file


def test_it_gets_its_name_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "made"
    with new_file(target) as part:
        part.write_text("whole")
        assert not target.exists()
    assert target.read_text() == "whole"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("links", [True, False])
def test_a_name_that_somebody_took_meanwhile_is_left_alone(
    links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object, **__: object) -> NoReturn:
        raise PermissionError(1, "Operation not permitted")  # as FAT says it

    if not links:
        monkeypatch.setattr(os, "link", no_links)
    target = tmp_path / "made"

    def meanwhile() -> None:
        with new_file(target) as part:
            part.write_text("ours")
            target.write_text("theirs")

    with pytest.raises(TargetExists):
        meanwhile()
    assert target.read_text() == "theirs"
    assert list(tmp_path.iterdir()) == [target]
    with new_file(tmp_path / "other") as part:
        part.write_text("ours")
    assert (tmp_path / "other").read_text() == "ours"


def test_a_folder_never_replaces_another(tmp_path: Path) -> None:
    target = tmp_path / "made"

    def meanwhile() -> None:
        with new_file(target) as part:
            part.mkdir()
            target.mkdir()

    with pytest.raises(TargetExists):
        meanwhile()
    assert list(tmp_path.iterdir()) == [target]


def test_a_link_that_leads_nowhere_is_a_name_too(tmp_path: Path) -> None:
    target = tmp_path / "made"
    target.symlink_to(tmp_path / "nowhere")
    with pytest.raises(TargetExists), new_file(target):
        pass
    assert target.is_symlink()


def test_what_broke_off_leaves_nothing(tmp_path: Path) -> None:
    def broken_off() -> None:
        with new_file(tmp_path / "made") as part:
            part.write_text("half")
            raise OSError(5, "Input/output error")

    with pytest.raises(TargetNotWritable, match="made cannot be written"):
        broken_off()
    with pytest.raises(TargetNotWritable), new_file(tmp_path / "no folder" / "made"):
        pass
    assert list(tmp_path.iterdir()) == []
