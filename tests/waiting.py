"""Waiting for what happens. How long a machine takes says nothing about the program, so nothing here expects a time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

# Ends a test that would hang for ever; no machine that works comes near it.
GUARD_S = 90.0
LOOK_S = 0.05


def until(happened: Callable[[], T], what: str, every_s: float = LOOK_S) -> T:
    """Look until it has happened, and return what was seen. what: said where it never does."""
    end = time.monotonic() + GUARD_S
    while not (seen := happened()):
        assert time.monotonic() < end, f"never happened: {what}"
        time.sleep(every_s)
    return seen
