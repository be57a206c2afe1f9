"""Writes the results of range tests."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from imu_shoulder.files import whole_folder, write_text

FILES = ("range.json", "range.txt")


def write_range(results: Mapping[str, Any], lines: Sequence[str], out: Path) -> None:
    """Write range.json and range.txt into `out`, made if missing. Raises OutputError."""
    with whole_folder(out, FILES) as scratch:
        write_text(scratch / "range.json", json.dumps(results, indent=1, ensure_ascii=False))
        write_text(scratch / "range.txt", "\n".join(lines) + "\n")
