"""The option that names nodes over Bluetooth Low Energy and where they are worn."""

from __future__ import annotations

import click


def athletes_name(_: click.Context, __: click.Parameter, value: str | None) -> str | None:
    from imu_shoulder.limits import MAX_NAME_LETTERS

    if value is not None and not 0 < len(value.strip()) <= MAX_NAME_LETTERS:
        raise click.BadParameter(f"expected initials or a code of 1 to {MAX_NAME_LETTERS} letters; came {len(value)}")
    return value


def placements_by_address(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    from imu_shoulder.model import PLACEMENTS

    placements = {}
    for value in values:
        address, separator, placement = value.rpartition("=")
        if not separator or not address:
            raise click.BadParameter(
                f"expected ADDRESS=PLACEMENT, such as AA:BB:CC:DD:EE:FF=right_wrist; came {value!r}"
            )
        if placement not in PLACEMENTS:
            raise click.BadParameter(f"expected a placement out of {', '.join(PLACEMENTS)}; came {placement!r}")
        placements[address] = placement
    return placements
