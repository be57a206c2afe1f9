"""What a command prints as a table, or as JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from imu_shoulder.cli.say import say

_GAP = "  "


def say_table(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """Columns as wide as their longest cell; numbers to the right. A cell of None is empty."""
    cells = [[_cell(value) for value in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(head, *cells, strict=True)]
    right = [bool(rows) and all(_number(row[k]) for row in rows) for k in range(len(head))]
    for line in (list(head), *cells):
        placed = (
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(line, widths, right, strict=True)
        )
        say(_GAP.join(placed).rstrip())


def say_json(found: Mapping[str, Any] | Sequence[Any]) -> None:
    say(json.dumps(found, indent=1, ensure_ascii=False))


def _cell(value: Any) -> str:
    text = "" if value is None else f"{value:.3g}" if isinstance(value, float) else str(value)
    return " ".join(text.split())


def _number(value: Any) -> bool:
    return value is None or isinstance(value, int | float)
