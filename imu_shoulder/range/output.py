"""Writes the results of range tests."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from imu_shoulder.errors import OutputError


def write_range(results: Mapping[str, Any], lines: Sequence[str], out: Path) -> None:
    """Write range.json and range.txt into `out`, made if missing. Raises OutputError."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / "range.json").write_text(json.dumps(results, indent=1, ensure_ascii=False), encoding="utf-8")
        (out / "range.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"to write the results into {out}",
            f"that failed ({error.strerror or error})",
            "free space or choose another",
        ) from error
