"""The recordings of a cohort: every folder with a recording.toml, or with a map.toml beside foreign files, at any
depth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from imu_shoulder.cohort.place import Place
from imu_shoulder.sources.folder import HEAD

# A column map of the files that lie beside it or below.
MAP = "map.toml"


@dataclass(frozen=True, slots=True)
class Found:
    """name: the folder's, relative to the cohort's; a dot for the cohort's own. files: what lies directly in it; beside
    a map.toml alone what lies below it too, relative to the folder.

    mark: what changes when a file of it does: names, sizes, and times or the store's own tags.
    """

    name: str
    files: tuple[str, ...]
    mark: str


def find_recordings(place: Place) -> Iterator[Found]:
    """In the order of their names. Folders whose names begin with a dot are left out: they are not finished yet."""
    folders: dict[str, list[tuple[str, str]]] = {}
    for path, info in place.files():
        folder, _, name = path.rpartition("/")
        if any(part.startswith(".") for part in path.split("/")):
            continue
        changed = next((info[key] for key in ("ETag", "etag", "md5Hash", "mtime", "LastModified") if key in info), "")
        folders.setdefault(folder, []).append((name, f"{name} {info.get('size')} {changed}"))
    heads = {folder for folder, files in folders.items() if any(name == HEAD for name, _ in files)}
    mapped = {folder for folder, files in folders.items() if any(name == MAP for name, _ in files)} - heads
    for folder in sorted(folders, key=lambda folder: folder.count("/")):
        above = next((own for own in _above(folder) if own in heads | mapped), None)
        if folder not in heads | mapped and above in mapped:
            below = folder[len(above) :].lstrip("/")
            folders[above] += [(f"{below}/{name}", f"{below}/{mark}") for name, mark in folders[folder]]
    for folder in sorted(heads | mapped):
        files = folders[folder]
        yield Found(folder or ".", tuple(name for name, _ in files), "\n".join(mark for _, mark in files))


def _above(folder: str) -> Iterator[str]:
    """The folders that one lies in, from the inside out."""
    while folder:
        folder = folder.rpartition("/")[0]
        yield folder
