"""Copies of the raw recordings: they are the truth, the database can be made of them again.

A copy is a folder named by the digest of its files. A writer that adds or takes one away first puts an empty file of
its name into `.changing`. When its transaction is over, copies that are marked so and that no session names are
removed, and the marks with them. After a kill the next opening does the same.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection
from pathlib import Path

from sqlalchemy import Connection, select

from imu_shoulder.errors import OutputError
from imu_shoulder.files import copy_file, discard, make_folders, refusing, remove_folder, whole_folder, write_text
from imu_shoulder.history.schema import SESSION
from imu_shoulder.model import Recording

_CHANGING = ".changing"
# Digits of the digest that name a folder.
_DIGITS = 32
# Of a recording folder, what is not a sensor's file.
_NOT_MEASURED = ("recording.toml", "events.tsv", "reference.csv")


def data_sha256(recording: Recording) -> str:
    """Of what was measured: alike whatever the folder, the athlete, and the marks are called."""
    return _digest(sorted(value for name, value in recording.file_sha256.items() if name not in _NOT_MEASURED))


def content_sha256(recording: Recording) -> str:
    """Of all that was read."""
    return _digest(sorted(recording.file_sha256.items()))


def _digest(what: object) -> str:
    return hashlib.sha256(json.dumps(what).encode()).hexdigest()


def name_of(digest: str) -> str:
    """The name of a copy's folder."""
    return digest[:_DIGITS]


def folder_of(kept: Path, name: str) -> Path:
    """Where a copy is. name: as the database has it, which may be wrong: nothing outside of `kept` is ever meant."""
    if len(name) != _DIGITS or set(name) - set("0123456789abcdef"):
        raise OutputError("the name of a kept recording", f"it is {name!r}", "restore a backup of the history")
    return kept / name


def mark(kept: Path, names: Collection[str]) -> None:
    """Put a mark for each copy that is about to be added or taken away; by a writer, before it does either."""
    with refusing(kept):
        make_folders(kept / _CHANGING)
        for name in names:
            write_text(kept / _CHANGING / folder_of(kept, name).name, "")


def keep(kept: Path, name: str, source: Path, files: Collection[str]) -> None:
    """Copy these files of a recording folder, whole or not at all. Raises OutputError."""
    target = folder_of(kept, name)
    with refusing(kept):
        remove_folder(target)
    copy_files(source, target, files)


def copy_files(source: Path, target: Path, files: Collection[str]) -> None:
    """These files of a folder as a new folder, whole or not at all. Raises OutputError."""
    with whole_folder(target) as scratch:
        for file in files:
            copy_file(source / file, scratch / file)


def is_clean(kept: Path) -> bool:
    """Whether no copy is marked as being added or taken away."""
    return not (kept / _CHANGING).is_dir() or not any((kept / _CHANGING).iterdir())


def clean_up(kept: Path, connection: Connection) -> None:
    """Remove marked copies that no session names, and all marks. connection: a writer's, beside which nobody marks."""
    if is_clean(kept):
        return
    with refusing(kept):
        for mark in sorted((kept / _CHANGING).iterdir()):
            there = connection.execute(select(SESSION.c.id).where(SESSION.c.kept == mark.name)).first()
            if there is None and len(mark.name) == _DIGITS:
                remove_folder(folder_of(kept, mark.name))
            discard(mark)
