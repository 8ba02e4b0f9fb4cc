"""A data package: files beside a ``datapackage.json`` that describes them, in a folder or in one zip file.

Source: Frictionless Data, Data Package and Tabular Data Package, version 1.0 (specs.frictionlessdata.io).
"""

from __future__ import annotations

import errno
import hashlib
import io
import json
import lzma
import os
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import IO, Any, BinaryIO, NamedTuple, Self

from joblog.errors import ExportDamaged, ExportTooNew, NotAnExport
from joblog.formats.rows import FORM, Head

DESCRIPTOR = "datapackage.json"
MARK = "shimwright"
"""Key in the descriptor under which stands what only this program needs."""

_BLOCK = 1 << 20
_ENCRYPTED = 1  # bit of a zip member's flags
_UNPACKING = (
    zipfile.BadZipFile, NotImplementedError, EOFError, OverflowError,
    zlib.error, lzma.LZMAError, struct.error,
)  # fmt: skip
"""What unpacking a damaged zip file ends in."""
_MOST_DESCRIPTOR = 1 << 24  # bytes; ours has some tens of thousands


class Member(NamedTuple):
    """A file of a package.

    Attributes:
        name: Its resource's name, and the file's without the ending.
        file: The file's name.
        about: What the descriptor says of it besides.
    """

    name: str
    file: str
    about: dict[str, Any]


class PackageWriter:
    """Writes the files of a package one after another, and their description last."""

    def __init__(self, path: Path, *, zipped: bool, packed: bool) -> None:
        """Begin a package.

        Args:
            path: The folder or file to make; it must not be there.
            zipped: Whether to make one zip file instead of a folder.
            packed: Whether the files are packed already, so that the zip file need not.

        Raises:
            OSError: If it cannot be made.
        """
        self._path = path
        self._resources: list[dict[str, Any]] = []
        self._zip: zipfile.ZipFile | None = None
        if zipped:
            how = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            self._zip = zipfile.ZipFile(path, "x", how)
        else:
            path.mkdir()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._zip is not None:
            self._zip.close()

    @contextmanager
    def member(self, member: Member) -> Iterator[BinaryIO]:
        """A file to write; it is described once it is closed."""
        with self._open(member.file) as raw:
            file = _Counted(raw)
            yield file  # type: ignore[misc]  # a RawIOBase that is written to
            self._resources.append(
                {
                    "name": member.name.replace("_", "-"),
                    "path": member.file,
                    **member.about,
                    "bytes": file.tell(),
                    "hash": f"sha256:{file.digest.hexdigest()}",
                }
            )

    def finish(self, profile: str, head: Head) -> None:
        """Write the description: without it the package is none.

        Args:
            profile: Name of the published profile that it keeps to.
            head: What to say of it.
        """
        descriptor = {
            "profile": profile,
            "name": "shimwright-log",
            "title": "Measurements of wheel-bearing end play, with their traces",
            "created": head.written_at,
            "resources": self._resources,
            MARK: {"form": FORM, **head._asdict()},
        }
        with self._open(DESCRIPTOR) as file:
            file.write(json.dumps(descriptor, ensure_ascii=False, allow_nan=False, indent=2).encode() + b"\n")

    @contextmanager
    def _open(self, name: str) -> Iterator[IO[bytes]]:
        if self._zip is not None:
            with self._zip.open(name, "w", force_zip64=True) as file:
                yield file
            return
        with (self._path / name).open("xb") as plain:
            yield plain
            plain.flush()
            os.fsync(plain.fileno())


class PackageReader:
    """A package whose files are what its description says.

    Attributes:
        path: The folder or zip file.
        resources: What the description says of each file, by the resource's name.
        format: ``csv`` or ``parquet``.
    """

    def __init__(self, path: Path) -> None:
        """Open a package and check every file of it against its length and checksum.

        Raises:
            NotAnExport: If it is no package of ours.
            ExportTooNew: If a newer version wrote it.
            ExportDamaged: If a file is missing or not as it was written.
            OSError: If it cannot be read.
        """
        self.path = path
        self._zip: zipfile.ZipFile | None = None
        if not path.is_dir():
            self._zip = _opened_zip(path)
        try:
            resources = self._described()
            self.resources = {str(one["name"]).replace("-", "_"): one for one in resources}
            self.format = str(resources[0].get("format")) if resources else "csv"
            for resource in resources:
                self._check(resource)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the zip file."""
        if self._zip is not None:
            self._zip.close()

    @contextmanager
    def member(self, name: str) -> Iterator[IO[bytes]]:
        """A file of the package, by its name, to read."""
        try:
            with (self.path / name).open("rb") if self._zip is None else self._zip.open(name) as file:
                yield file
        except (KeyError, FileNotFoundError) as error:
            raise ExportDamaged(self.path, f"{name} is missing") from error
        except _UNPACKING as error:
            raise ExportDamaged(self.path, f"{name}: {error}") from error
        except OSError as error:
            if self._zip is None or error.errno not in {None, errno.EINVAL}:
                raise
            raise ExportDamaged(self.path, f"{name}: {error}") from error  # bzip2; a place before the file

    def _described(self) -> list[dict[str, Any]]:
        try:
            with self.member(DESCRIPTOR) as file:
                descriptor = json.loads(file.read(_MOST_DESCRIPTOR))
        except ExportDamaged as error:
            raise NotAnExport(self.path, f"there is no {DESCRIPTOR} in it") from error
        except (ValueError, RecursionError) as error:
            raise ExportDamaged(self.path, f"its {DESCRIPTOR} is no JSON") from error
        ours = descriptor.get(MARK) if isinstance(descriptor, dict) else None
        if not isinstance(ours, dict) or not isinstance(ours.get("form"), int):
            raise NotAnExport(self.path, "it is another program's data package")
        if ours["form"] > FORM:
            raise ExportTooNew(self.path, f"form {ours['form']}")
        resources = descriptor.get("resources")
        if not isinstance(resources, list) or not all(_described_well(one) for one in resources):
            raise ExportDamaged(self.path, f"its {DESCRIPTOR} does not describe its files")
        return resources

    def _check(self, resource: dict[str, Any]) -> None:
        digest, length = hashlib.sha256(), 0
        with self.member(resource["path"]) as file:
            while block := file.read(_BLOCK):
                digest.update(block)
                length += len(block)
        if length != resource["bytes"] or f"sha256:{digest.hexdigest()}" != resource["hash"]:
            raise ExportDamaged(self.path, f"{resource['path']} is not as it was written")


def _opened_zip(path: Path) -> zipfile.ZipFile:
    try:
        opened = zipfile.ZipFile(path)
    except _UNPACKING as error:
        raise ExportDamaged(path, f"as a zip file: {error}") from error
    if any(one.flag_bits & _ENCRYPTED for one in opened.infolist()):
        opened.close()
        raise ExportDamaged(path, "it is encrypted")
    return opened


class _Counted(io.RawIOBase):
    """A file to write that knows how much went through it, and its checksum."""

    def __init__(self, file: IO[bytes]) -> None:
        super().__init__()
        self.digest = hashlib.sha256()
        self._file = file
        self._length = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:  # noqa: ANN401  (anything with bytes in it)
        view = memoryview(data)
        self.digest.update(view)
        self._file.write(view)
        self._length += view.nbytes
        return view.nbytes

    def tell(self) -> int:
        return self._length


def _described_well(resource: object) -> bool:
    """Whether a resource has what is needed to read it; a file outside of the package is none of it."""
    if not isinstance(resource, dict):
        return False
    name = resource.get("path")
    return (
        isinstance(resource.get("name"), str)
        and isinstance(resource.get("bytes"), int)
        and isinstance(resource.get("hash"), str)
        and isinstance(name, str)
        and name == Path(name).name
        and name not in {"", ".", "..", DESCRIPTOR}
    )
