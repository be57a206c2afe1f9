"""Libraries that only some commands need, and that come with a part of the package named in brackets."""

from __future__ import annotations

from importlib.util import find_spec

from imu_shoulder.errors import OutputError


def need(part: str, *modules: str) -> None:
    """Raises OutputError where a library of that part is not there."""
    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise OutputError(
            f"the libraries {', '.join(modules)}",
            f"{', '.join(missing)} is not installed",
            f"install them with: pip install 'imu-shoulder[{part}]'",
        )
