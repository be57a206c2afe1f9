"""Where recordings lie and results go: a folder of this machine, or whatever fsspec reaches by a URL."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fsspec import AbstractFileSystem
from fsspec.core import url_to_fs
from fsspec.implementations.local import LocalFileSystem

from imu_shoulder.errors import OutputError
from imu_shoulder.files import discard, make_folders, whole_file


@dataclass(frozen=True, slots=True)
class Place:
    """A folder or a prefix of keys. Names in it are relative, with slashes."""

    fs: AbstractFileSystem
    root: str

    @classmethod
    def at(cls, url: str) -> Place:
        """A path, or a URL such as s3://bucket/season. Raises OutputError where nothing here reaches it."""
        try:
            fs, root = url_to_fs(url)
        except (ImportError, ValueError) as error:
            raise OutputError(
                "a path, or a URL that fsspec can reach", f"{url} is none ({error})", "check it"
            ) from error
        return cls(fs, root.rstrip("/"))

    @property
    def is_local(self) -> bool:
        return isinstance(self.fs, LocalFileSystem)

    @property
    def url(self) -> str:
        """By which another process finds it."""
        return self.root if self.is_local else str(self.fs.unstrip_protocol(self.root))

    def path(self, name: str) -> str:
        return f"{self.root}/{name}"

    def files(self, under: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
        """Name and fsspec's description of every file under a folder, in order; none where there is no such folder."""
        top = self.path(under) if under else self.root
        self.fs.invalidate_cache()
        for path, info in sorted(self.fs.find(top, detail=True).items()):
            yield path.removeprefix(self.root).lstrip("/"), info

    def read(self, name: str) -> bytes | None:
        """A file's bytes, None where there is none."""
        try:
            found: bytes = self.fs.cat_file(self.path(name))
        except FileNotFoundError:
            return None
        return found

    def write(self, name: str, data: bytes) -> None:
        """A whole file or none: an object store shows an object when all of it is there. Raises OSError."""
        if not self.is_local:
            self.fs.pipe_file(self.path(name), data)
            return
        path = Path(self.path(name))
        make_folders(path.parent)
        with whole_file(path) as stream:
            stream.write(data)

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already is no error. Raises OSError."""
        if self.is_local:
            discard(Path(self.path(name)))
        elif self.fs.exists(self.path(name)):
            self.fs.rm_file(self.path(name))

    def fetch(self, name: str, target: Path) -> None:
        """Copy a file to a path of this machine. Raises OSError."""
        self.fs.get_file(self.path(name), str(target))
