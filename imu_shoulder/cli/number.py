"""Numbers that are given on the command line."""

from __future__ import annotations

from math import isfinite
from typing import Any

import click


class Number(click.FloatRange):
    """A finite number in a range: a comparison lets "nan" pass."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if not isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number
