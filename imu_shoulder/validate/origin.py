"""Where a research result comes from: input hashes, versions and parameters."""

from __future__ import annotations

import json
import platform
from collections.abc import Collection, Iterable, Mapping
from importlib import metadata
from pathlib import Path
from types import MappingProxyType
from typing import Any

from imu_shoulder import __version__
from imu_shoulder.files import whole_folder, write_text
from imu_shoulder.model import Recording

_DEPENDENCIES = (
    "numpy",
    "scipy",
    "pandas",
    "pyarrow",
    "vqf",
    "ahrs",
    "statsmodels",
    "allantools",
    "matplotlib",
)


def origin(
    recordings: Iterable[Recording], parameters: Mapping[str, Any], changed: Mapping[str, Any] = MappingProxyType({})
) -> dict[str, Any]:
    """SHA-256 of every input by recording and file, versions of everything that computes, parameters.

    changed: those of the analysis that are not the built-in ones, as `parameters.changed` has them.
    """
    return {
        "inputs_sha256": {recording.name: dict(recording.file_sha256) for recording in recordings},
        "versions": {
            "imu_shoulder": __version__,
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in _installed(_DEPENDENCIES)},
        },
        "parameters": dict(parameters),
        "parameters_changed": dict(changed),
    }


def _installed(names: Iterable[str]) -> list[str]:
    found = []
    for name in names:
        try:
            metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
        found.append(name)
    return found


def write_files(out: Path, files: Mapping[str, str], replaced: Collection[str] = ()) -> None:
    """Write text files into `out`, made if missing, all of them at once. Raises OutputError.

    replaced: names that are not written now, but may be there from an earlier time.
    """
    with whole_folder(out, {*files, *replaced}) as scratch:
        for name, text in files.items():
            write_text(scratch / name, text)


def as_json(values: Any) -> str:
    """Indented JSON, numbers as they are; NaN is refused."""
    return json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
