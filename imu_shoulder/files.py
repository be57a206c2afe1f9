"""Every file this package writes: whole or not at all, on the disk before it counts, readable by its owner only.

A file is written beside its place and renamed into it (POSIX rename(2): whoever looks sees the old one or the new one).
A folder of results is written beside its place and swapped with the old one as a whole. Modes do not depend on the
umask. What a killed process left half-written is removed by the next writing in the same folder.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import itertools
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import BinaryIO

from imu_shoulder.errors import OutputError

FILE_MODE, FOLDER_MODE = 0o600, 0o700
DO = "free some space or choose another place; nothing was left behind"
# Names of what is not finished yet.
UNFINISHED = ".writing-"
# Linux, renameat2(2): paths relative to the working directory; swap the two.
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2


def well_formed(text: str) -> str:
    """The text with U+FFFD for every lone surrogate: no UTF-8 file can hold one.

    They come from pages (JSON escapes) and from arguments and names that are not in the system's encoding.
    """
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def make_folders(folder: Path) -> list[Path]:
    """Make a folder and what is missing above it, for the owner only; those that are there stay as they are. Returns
    those it made, the outermost first."""
    if folder.is_dir():
        return []
    made = make_folders(folder.parent)
    try:
        os.mkdir(folder, FOLDER_MODE)
    except FileExistsError:
        if folder.is_dir():  # another process was quicker
            return made
        raise
    _keep_to_owner(folder, FOLDER_MODE)
    return [*made, folder]


@contextlib.contextmanager
def folders_to_write_in(folder: Path) -> Iterator[None]:
    """A folder made if missing; if the block fails, those it made for that are gone again. Raises OSError."""
    made = make_folders(folder)
    try:
        yield
    except BaseException:
        for one in reversed(made):
            with contextlib.suppress(OSError):
                one.rmdir()
        raise


@contextlib.contextmanager
def refusing(target: Path | str, do: str = DO) -> Iterator[None]:
    """What the operating system cannot do becomes the user's OutputError about `target`."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"to write {target}", f"it cannot be done ({error.strerror or error})", do) from error


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A stream to write; when the block ends without an error its contents are `path`, else nothing changed.

    Raises OSError.
    """
    path = Path(os.path.realpath(path))
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is there and is no file")
    with _unfinished(path.parent, _new_file) as scratch:
        with scratch.open("wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(scratch, path)
    sync_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    """A whole file of UTF-8 text, whatever the text holds. Raises OSError."""
    with whole_file(path) as stream:
        stream.write(well_formed(text).encode())


def copy_file(source: Path, target: Path) -> None:
    """A whole copy of a file. Raises OSError."""
    with source.open("rb") as stream, whole_file(target) as copy:
        shutil.copyfileobj(stream, copy)


def add_file(folder: Path, name: str, text: str) -> None:
    """One more whole file of text in a folder, made if missing. Raises OutputError."""
    with refusing(folder), folders_to_write_in(folder):
        write_text(folder / name, text)


@contextlib.contextmanager
def whole_folder(folder: Path, replaced: Collection[str] = ()) -> Iterator[Path]:
    """An empty folder to write into; when the block ends without an error it is `folder`, else nothing changed.

    replaced: names of the files that an earlier writing may have left in `folder` and that give way all together;
    other files in it stay. Without names `folder` must be new or empty. Raises OutputError.
    """
    place = Path(os.path.realpath(folder))
    with refusing(folder):
        _require_elsewhere(folder, place)
        aside = _settled(place)
        _require_results_alone(folder, place, replaced)
        with folders_to_write_in(place.parent), _unfinished(place.parent, _new_folder) as scratch:
            yield scratch
            _take_along(place, scratch, replaced)
            for inner, _, _ in os.walk(scratch):
                sync_folder(Path(inner))
            _swap_in(scratch, place, aside)
        sync_folder(place.parent)


def write_beside_earlier(path: Path, text: str) -> Path | None:
    """Write a whole file of text; what was there before stays beside it under its name with the next free number.

    Returns where that is, None where there was nothing. Raises OSError; the file is then what it was.
    """
    if not path.exists():
        write_text(path, text)
        return None
    names = (path.with_name(f"{path.stem}.{number}{path.suffix}") for number in itertools.count(1))
    kept = next(name for name in names if not name.exists())
    with whole_file(kept) as stream:
        stream.write(path.read_bytes())
    write_text(path, text)
    return kept


def open_to_append(path: Path) -> int:
    """A file descriptor that appends to a log, which is the owner's own from now on. Raises OSError."""
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    fd = os.open(path, flags, FILE_MODE)
    try:
        _keep_to_owner(path, FILE_MODE)
        sync_folder(path.parent)
    except BaseException:
        os.close(fd)
        raise
    return fd


def remove_if_empty(path: Path) -> None:
    with contextlib.suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()


@contextlib.contextmanager
def scratch_folder() -> Iterator[Path]:
    """An empty folder for the owner only, gone when the block ends."""
    with tempfile.TemporaryDirectory(prefix="imu-shoulder-") as name:
        yield Path(name)


@contextlib.contextmanager
def unnamed_file(size: int) -> Iterator[int]:
    """The descriptor of a file of that many bytes without a name, for this process alone; it is gone when all is closed
    that holds it.

    It lies in TMPDIR, or where large temporary files belong: /tmp is memory on many systems (file-hierarchy(7)).
    Raises OutputError where the disk has no room for it.
    """
    usual = "/var/tmp" if os.access("/var/tmp", os.W_OK) else tempfile.gettempdir()
    folder = os.environ.get("TMPDIR") or usual
    do = "free some space, or name a folder on another disk in TMPDIR"
    with refusing(folder, do), tempfile.TemporaryFile(dir=folder, buffering=0) as stream:
        # All of it at once: where the disk is full, writing to a mapped file kills the process.
        os.posix_fallocate(stream.fileno(), 0, size)
        yield stream.fileno()


def discard(path: Path) -> None:
    path.unlink(missing_ok=True)


def remove_folder(folder: Path) -> None:
    """Remove a folder with all that is in it, if it is there. Raises OSError."""
    with contextlib.suppress(FileNotFoundError):
        shutil.rmtree(folder)


def move(source: Path, target: Path) -> None:
    """Move a file to another place on the same disk, for its owner only. Raises OSError."""
    _keep_to_owner(source, FILE_MODE)
    os.replace(source, target)
    sync_folder(target.parent)
    sync_folder(source.parent)


def sync_folder(folder: Path) -> None:
    """A new name is on the disk only after its folder is synced (POSIX leaves this open; Linux needs it)."""
    if sys.platform == "win32":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError:
        pass  # some network file systems cannot; the data itself is synced all the same
    finally:
        os.close(fd)


def _keep_to_owner(path: Path, mode: int) -> None:
    """Give the mode, which a umask may have narrowed or an earlier version left wider."""
    with contextlib.suppress(PermissionError):  # FAT has no owners
        os.chmod(path, mode)


def _new_file(folder: Path) -> Path:
    fd, name = tempfile.mkstemp(prefix=UNFINISHED, dir=folder)
    os.close(fd)
    _keep_to_owner(Path(name), FILE_MODE)
    return Path(name)


def _new_folder(folder: Path) -> Path:
    name = tempfile.mkdtemp(prefix=UNFINISHED, dir=folder)
    _keep_to_owner(Path(name), FOLDER_MODE)
    return Path(name)


@contextlib.contextmanager
def _unfinished(folder: Path, make: Callable[[Path], Path]) -> Iterator[Path]:
    """Something new in `folder` under a name of its own, locked while this process lives, and gone in the end."""
    for left in folder.glob(UNFINISHED + "*"):
        _remove_if_left(left)
    lock: int | None = None
    while lock is None:
        made = make(folder)
        lock = _locked(made, wait=True)  # None where another process took it for left behind in this very moment
    try:
        yield made
    finally:
        _remove(made)
        os.close(lock)


def _remove_if_left(path: Path) -> None:
    """Remove what no process holds: the one that made it was killed. Where there are no locks nothing can be told."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        lock = _locked(path, wait=False)
        if lock is not None:
            _remove(path)
            os.close(lock)


def _locked(path: Path, *, wait: bool) -> int | None:
    """A descriptor that holds the lock of a file or folder until it is closed; None where there is nothing to lock.

    wait: until another process lets go; otherwise that raises OSError.
    """
    if sys.platform == "win32":
        return os.open(os.devnull, os.O_RDONLY)
    import fcntl

    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        if not wait:
            os.close(fd)
            raise
        # A file system without locks: nothing on it can be locked by others either.
    if path.exists():
        return fd
    os.close(fd)
    return None


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _require_elsewhere(folder: Path, place: Path) -> None:
    with contextlib.suppress(FileNotFoundError):
        if Path.cwd().is_relative_to(place):
            raise OutputError(
                "a folder for the results that can be swapped as a whole",
                f"{folder} is the one this command is run in",
                "give a new folder in it, such as --out results",
            )


def _require_results_alone(folder: Path, place: Path, replaced: Collection[str]) -> None:
    if not place.exists():
        return
    if not place.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    there = [path for path in sorted(place.iterdir()) if not path.name.startswith(UNFINISHED)]
    if there and not replaced:
        raise OutputError(f"a new folder at {folder}", "there is one with files in it", "give another name")
    folders = [path.name for path in there if path.is_dir() and not path.is_symlink()]
    if folders:
        raise OutputError(
            f"a folder of results alone at {folder}",
            f"it holds the folder {folders[0]}",
            f"give a new one, such as {folder / 'results'}",
        )


def _take_along(place: Path, scratch: Path, replaced: Collection[str]) -> None:
    """Everything in `place` but what is replaced, under the same names: the same files, or copies where need be."""
    if not place.is_dir():
        return
    for path in place.iterdir():
        if path.name in replaced or path.name.startswith(UNFINISHED):
            continue
        try:
            os.link(path, scratch / path.name, follow_symlinks=False)
        except (OSError, NotImplementedError):  # no hard links on this file system, or not of a link itself
            shutil.copy2(path, scratch / path.name, follow_symlinks=False)


def _settled(place: Path) -> Path:
    """Where an older folder goes while two renames swap it; what a kill between them left is put right first."""
    aside = place.with_name(f".earlier-{place.name}")
    if aside.is_dir() and place.exists():
        _remove(aside)
    elif aside.is_dir():
        os.rename(aside, place)
    return aside


def _swap_in(scratch: Path, place: Path, aside: Path) -> None:
    """Put the new folder in its place; an older one is left under the name of `scratch`."""
    if not place.is_dir() or not any(place.iterdir()):
        os.replace(scratch, place)
    elif not _exchanged(scratch, place):
        # No system call swaps here. Killed in between, `place` is missing, never mixed; the next writing puts it back.
        os.rename(place, aside)
        os.rename(scratch, place)
        os.rename(aside, scratch)


def _exchanged(one: Path, other: Path) -> bool:
    """Swap two names in one step. False where system or file system cannot. Raises OSError."""
    if sys.platform != "linux":
        return False
    renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return False
    if renameat2(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP):
        return False
    raise OSError(code, os.strerror(code))
