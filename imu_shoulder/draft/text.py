"""A draft as the text of a column map, with what was seen and why as comments; and in short for the terminal."""

from __future__ import annotations

from typing import Any

from imu_shoulder.draft.sensors import Draft
from imu_shoulder.draft.whole import Drafted
from imu_shoulder.sources.column_map import LAYOUT_KEYS, TIME_KEYS
from imu_shoulder.sources.text_tables import Layout
from imu_shoulder.texts import toml_value, visible

_SHARED = (*LAYOUT_KEYS, *TIME_KEYS)
_ORDER = (
    *("placement", "file", "rows", *_SHARED, "sample_rate_hz", "offset_s"),
    *("acc_columns", "gravity_columns", "acc_unit", "acc_scale", "acc_axes", "acc_sign"),
    *("gyr_file", "gyr_rows", "gyr_time_column", "gyr_columns", "gyr_unit", "gyr_scale"),
)


def toml_of(drafted: Drafted, athlete: str) -> str:
    """The text of the map."""
    sensors = [_all_keys(one) for one in drafted.sensors]
    shared = {
        key: sensors[0][key]
        for key in _SHARED
        if key in sensors[0] and all(key in own and own[key] == sensors[0][key] for own in sensors)
    }
    lines = [
        "# A draft: what each column is, by what the files show. Correct what is wrong; nothing else is guessed later.",
        "",
    ]
    lines += [
        "schema = 1",
        f"athlete = {toml_value(athlete)}",
        f"start = {toml_value(drafted.start[0])}  # {drafted.start[1]}",
    ]
    lines += [f"events = {toml_value(drafted.events)}"] if drafted.events else []
    lines += [f"# {_comment(note)}" for note in drafted.notes]
    lines += ["", "[table]", *(f"{key} = {toml_value(value)}" for key, value in shared.items()), "zero_at_first = true"]
    for one, own in zip(drafted.sensors, sensors, strict=True):
        lines += ["", "[[sensor]]"]
        lines += [f"# {_comment(note)}" for note in (_seen(one), *one.notes)]
        for key in _ORDER:
            if key in own and key not in shared:
                why = one.why.get(key, "")
                lines.append(f"{key} = {toml_value(own[key])}" + (f"  # {_comment(why)}" if why else ""))
            elif key in one.why:
                lines.append(f"# {key}: {_comment(one.why[key])}")
    return "\n".join(lines) + "\n"


def _all_keys(one: Draft) -> dict[str, Any]:
    """Its keys with those of its files' layout, but for what a map takes anyway."""
    usual = Layout()
    layout = one.pair.acc.looked.layout
    written = {key: getattr(layout, key) for key in LAYOUT_KEYS if getattr(layout, key) != getattr(usual, key)}
    return {**written, **one.keys}


def _seen(one: Draft) -> str:
    lasts_s = float(one.time_s[-1] - one.time_s[0])
    return f"{len(one.time_s)} rows, {lasts_s:.1f} s"


def _comment(text: str) -> str:
    return visible(" ".join(text.split()))[:200]


def summary_of(drafted: Drafted) -> list[str]:
    """A few lines a sensor of a complete draft: what it was taken for, and by what."""
    out = []
    for number, one in enumerate(drafted.sensors, start=1):
        keys = one.keys
        gyr = f", gyroscope in {keys['gyr_file']}" if "gyr_file" in keys else ""
        out.append(f"{number}. {keys['placement']}: {one.label}{gyr}")
        out.append(f"   {keys['sample_rate_hz']:g} Hz, {'; '.join([_seen(one), *one.notes])}")
        for which, name in (("acc", "accelerometer"), ("gyr", "gyroscope")):
            scale = f" times {keys[f'{which}_scale']:.6g}" if f"{which}_scale" in keys else ""
            columns = ", ".join(map(str, keys[f"{which}_columns"]))
            out.append(f"   {name} {columns} in {keys[f'{which}_unit']}{scale}: {one.why[f'{which}_unit']}")
    out += [f"Passed over: {line}" for line in drafted.passed]
    return out + [f"Note: {note}" for note in drafted.notes]
