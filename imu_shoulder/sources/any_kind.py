"""A recording from whatever a user names: a recording folder, a column map, or foreign files with their map."""

from __future__ import annotations

from pathlib import Path

from imu_shoulder.model import Recording
from imu_shoulder.sources.folder import HEAD, read_recording


def read_any(path: Path, column_map: Path | None = None) -> Recording:
    """path: a recording folder; a column map, whose files lie where it says; with `column_map`, the files themselves.

    Raises RecordingError or ColumnMapError.
    """
    is_map = path.suffix == ".toml" and path.name != HEAD and not path.is_dir()
    if column_map is None and not is_map:
        return read_recording(path)
    from imu_shoulder.sources.column_map import read_mapped  # takes its time to be imported

    return read_mapped(path) if column_map is None else read_mapped(column_map, path)
