"""The bytes of a foreign file, unpacked where it is compressed, and never more of them than a file may have.

Kinds are told by their first bytes (RFC 1952 gzip, RFC 8878 Zstandard, the formats of bzip2, xz and ZIP), not by names.
A file within a zip file is named as if the zip were a folder: export.zip/wrist.csv.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from imu_shoulder.checked import require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_FILE_BYTES, MAX_ITEMS

_ZIP = b"PK\x03\x04"
_ZSTD = b"\x28\xb5\x2f\xfd"
_STEP_BYTES = 1 << 20
_BROKEN = (
    OSError,
    EOFError,
    ValueError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
)
_DO = "unpack it yourself, or export it again"


def _unpacker(head: bytes) -> Callable[[IO[bytes]], Any] | None:
    """What unpacks a stream that begins like this; None where it is not compressed."""
    kinds: dict[bytes, Callable[[IO[bytes]], Any]] = {
        b"\x1f\x8b": gzip.open,
        b"BZh": bz2.open,
        b"\xfd7zXZ\x00": lzma.open,
        _ZSTD: _zstd,
    }
    return next((unpacker for magic, unpacker in kinds.items() if head.startswith(magic)), None)


def _zstd(stream: IO[bytes]) -> Any:
    import pyarrow as pa

    return pa.CompressedInputStream(pa.PythonFile(stream, mode="r"), "zstd")


def on_disk(path: Path) -> tuple[Path, str | None]:
    """The file on the disk that a path leads to, and the name within it where it is a zip file that is gone into."""
    for place in (path, *path.parents):
        if place.is_file():
            return place, None if place == path else path.relative_to(place).as_posix()
    return path, None


def is_zip(path: Path) -> bool:
    """Whether a file is a zip file, by its first bytes."""
    with path.open("rb") as stream:
        return stream.read(len(_ZIP)) == _ZIP


def names_in_zip(path: Path) -> list[str]:
    """The files in a zip file, in its order. Raises RecordingError for one that cannot be read."""
    try:
        with zipfile.ZipFile(path) as packed:
            names = [one.filename for one in packed.infolist() if not one.is_dir()]
    except _BROKEN as error:
        raise RecordingError(f"{path.name} to be a whole zip file", f"it is not ({error})", _DO) from error
    if "[Content_Types].xml" in names:
        raise RecordingError(
            f"{path.name} to be a table in a text file", "it is a document of an office program", "save it as CSV"
        )
    if len(names) > MAX_ITEMS:
        raise RecordingError(f"at most {MAX_ITEMS} files in {path.name}", f"there are {len(names)}", "unpack it")
    return names


def read_unpacked(path: Path, what: str = "the file") -> bytes:
    """All bytes of a file, unpacked. Raises RecordingError where there is none, it is damaged, or holds too much.

    path: may lead into a zip file; the zip file itself will do where it holds one file alone.
    """
    file, member = on_disk(path)
    require_file(file, what)
    try:
        with file.open("rb") as stream:
            head = stream.read(8)
            stream.seek(0)
            if head.startswith(_ZIP):
                return _from_zip(file, member)
            if member is not None:
                raise RecordingError(f"{what} at {path}", f"{file.name} is no zip file", "check the path")
            unpacker = _unpacker(head)
            return stream.read() if unpacker is None else _limited(unpacker(stream), file.name)
    except _BROKEN as error:
        raise RecordingError(f"{file.name} to be readable", f"it is not ({error})", _DO) from error


def _from_zip(file: Path, member: str | None) -> bytes:
    names = names_in_zip(file)
    if member is None and len(names) != 1:
        raise RecordingError(
            f"one file in {file.name}",
            f"there are {len(names)}",
            f"name the one, as {file.name}/{(names or ['NAME'])[0]}",
        )
    wanted = names[0] if member is None else member
    if wanted not in names:
        raise RecordingError(f"{wanted} in {file.name}", f"it holds {', '.join(names)[:200]}", "correct the name")
    with zipfile.ZipFile(file) as packed, packed.open(wanted) as stream:
        return _limited(stream, f"{file.name}/{wanted}")


def _limited(stream: IO[bytes], name: str) -> bytes:
    """All of a stream that is unpacked as it is read: what holds too much is left before it fills the memory."""
    parts, size = [], 0
    while part := stream.read(_STEP_BYTES):
        size += len(part)
        if size > MAX_FILE_BYTES:
            raise RecordingError(
                f"a file of at most {MAX_FILE_BYTES / 1e6:.0f} MB when it is unpacked",
                f"{name} has more",
                "cut the recording into parts",
            )
        parts.append(part)
    if not size:
        raise RecordingError(f"rows in {name}", "the file is empty", "correct the file or export it again")
    return b"".join(parts)
