"""A draft as the text of a column map, with what was seen and why as comments; and in short for the terminal."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from imu_shoulder.draft.sensors import Draft
from imu_shoulder.draft.whole import Drafted
from imu_shoulder.sources.text_tables import Layout
from imu_shoulder.texts import visible

_LAYOUT = ("delimiter", "decimal", "encoding", "comment", "line_end", "skip_rows", "header_rows")
_TIME = ("time_column", "time_unit", "tick_rate_hz")
_SHARED = (*_LAYOUT, *_TIME)
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
    lines += ["schema = 1", f"athlete = {_value(athlete)}", f"start = {_value(drafted.start[0])}  # {drafted.start[1]}"]
    lines += [f"events = {_value(drafted.events)}"] if drafted.events else []
    lines += [f"# {_comment(note)}" for note in drafted.notes]
    lines += ["", "[table]", *(f"{key} = {_value(value)}" for key, value in shared.items()), "zero_at_first = true"]
    for one, own in zip(drafted.sensors, sensors, strict=True):
        lines += ["", "[[sensor]]"]
        lines += [f"# {_comment(note)}" for note in (*_seen(one), *one.notes)]
        for key in _ORDER:
            if key in own and not (key in shared and shared[key] == own[key]):
                why = one.why.get(key, "")
                lines.append(f"{key} = {_value(own[key])}" + (f"  # {_comment(why)}" if why else ""))
            elif key in one.why and key in own:
                lines.append(f"# {key}: {_comment(one.why[key])}")
    return "\n".join(lines) + "\n"


def _all_keys(one: Draft) -> dict[str, Any]:
    """Its keys with those of its files' layout, but for what a map takes anyway."""
    usual = Layout()
    layout = one.pair.acc.looked.layout
    written = {key: getattr(layout, key) for key in _LAYOUT if getattr(layout, key) != getattr(usual, key)}
    return {**written, **one.keys}


def _seen(one: Draft) -> Iterator[str]:
    lasts_s = float(one.time_s[-1] - one.time_s[0])
    yield f"{len(one.time_s)} rows, {lasts_s:.1f} s"


def _comment(text: str) -> str:
    return visible(" ".join(text.split()))[:200]


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_value(str(key))} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value == int(value) and abs(value) < 1e9 else repr(float(value))
    # JSON's string syntax is a subset of TOML's basic strings, except for DEL, which JSON leaves bare.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def summary_of(drafted: Drafted) -> list[str]:
    """A few lines a sensor: what it was taken for, and by what."""
    out = []
    for number, one in enumerate(drafted.sensors, start=1):
        keys = one.keys
        gyr = f", gyroscope in {keys['gyr_file']}" if "gyr_file" in keys else ""
        out.append(f"{number}. {keys.get('placement', '?')}: {one.label}{gyr}")
        if len(one.time_s):
            lasts_s = one.time_s[-1] - one.time_s[0]
            out.append(
                f"   {keys['sample_rate_hz']:g} Hz, {len(one.time_s)} rows, {lasts_s:.1f} s"
                + "".join(f"; {note}" for note in one.notes)
            )
        for which, name in (("acc", "accelerometer"), ("gyr", "gyroscope")):
            if f"{which}_unit" in keys:
                scale = f" times {keys[f'{which}_scale']:.6g}" if f"{which}_scale" in keys else ""
                columns = ", ".join(map(str, keys[f"{which}_columns"]))
                out.append(f"   {name} {columns} in {keys[f'{which}_unit']}{scale}: {one.why[f'{which}_unit']}")
    out += [f"Passed over: {line}" for line in drafted.passed]
    return out + [f"Note: {note}" for note in drafted.notes]
