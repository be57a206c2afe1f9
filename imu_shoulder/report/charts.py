"""The curves of one set for the page's script: the leading angle, and of several stations each angle that is asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder.report import curves, words

Entry = Mapping[str, Any]
Rep = Mapping[Any, Any]  # a row of reps.csv
# An angle is where it stands in this time from a rep's start.
START_S = 0.2


def shown_angles(entry: Entry) -> list[str]:
    """The angles that get a curve: the leading one, then the others that a drill of several stations asks."""
    asked = [own["angle"] for own in entry.get("asked_ranges") or []] if entry.get("visits") else []
    return list(dict.fromkeys([entry["angle"], *asked]))


def angle_words(entry: Entry, angle: str) -> str:
    """The angle's name, and what it is about where that is not the trunk."""
    about = angle in ("elevation", "plane") and entry.get("elevation_reference") == "gravity"
    return words.sentence(words.angle(angle)) + (" about gravity" if about else "")


def curve(
    entry: Entry,
    reps: Sequence[Rep],
    window: pd.DataFrame,
    bin_s: float,
    pose: Mapping[str, Any],
    mark: Callable[[Rep, curves.Curve], list[Any]],
) -> Mapping[str, Any] | None:
    """The leading angle of the set and the others below it; None where the angles do not hold the leading one.

    reps: the set's rows of reps.csv. window: those of angles.parquet. mark: a rep as the script draws it.
    """
    leading = known(entry, window, entry["angle"])
    if leading is None:
        return None
    return {
        "id": f"set-{entry['set']}-{entry['side']}",
        "angle": angle_words(entry, entry["angle"]),
        **_points(leading, bin_s),
        "gaps": curves.gaps(leading.time_s, leading.angle_deg),
        "band": _band(entry.get("band_deg")),
        "reps": [mark(rep, leading) for rep in reps],
        "pose": pose,
        "boxes": boxes(entry, reps, leading, entry["angle"]),
        "more": [
            {
                "angle": angle_words(entry, angle),
                "zero": words.zero(angle),
                "asked": asked_text(entry, angle),
                **_points(found, bin_s),
                "boxes": boxes(entry, reps, found, angle),
            }
            for angle in shown_angles(entry)[1:]
            if (found := known(entry, window, angle)) is not None
        ],
    }


def _points(found: curves.Curve, bin_s: float) -> dict[str, Any]:
    kept_s, kept_deg = curves.extremes(found.time_s, found.angle_deg, bin_s)
    first_s = round(float(kept_s[0]), 2)
    return {"from": first_s, "points": curves.encode(kept_s - first_s, kept_deg)}


def known(entry: Entry, window: pd.DataFrame, angle: str) -> curves.Curve | None:
    """An angle of the set's arm; None where it is nowhere known."""
    column = f"{entry['side']}_{angle}_deg"
    if column not in window or not window[column].notna().any():
        return None
    return curves.Curve(window["time_s"].to_numpy(np.float64), window[column].to_numpy(np.float64))


def asked_text(entry: Entry, angle: str) -> str:
    """Where and how much is asked of an angle, as the drill has it; empty where nothing is."""
    places: dict[str, list[str]] = {}
    for asked in (own for own in entry.get("asked_ranges") or [] if own["angle"] == angle):
        above = f" above the {asked['above']}" if asked["above"] else ""
        where = {"all": "all the way", "top": "at the top", "hold": "through the hold"}.get(asked["where"])
        of_range = places.setdefault(f"{words.band((asked['low_deg'], asked['high_deg']))}{above}", [])
        of_range.append(where or f"at {asked['where']}")
    return "; ".join(f"{band} {words.joined(dict.fromkeys(where))}" for band, where in places.items())


def boxes(entry: Entry, reps: Sequence[Rep], found: curves.Curve, angle: str) -> list[list[Any]]:
    """Where an angle was held against what the drill asks: start, end, low and high (null: open), stay by stay.

    A range that counts from the start or an earlier station stands above the angle held there in the same rep.
    """
    if not entry.get("visits"):
        return []
    by_number = {rep["rep"]: rep for rep in reps}
    out = []
    for asked in (own for own in entry.get("asked_ranges") or [] if own["angle"] == angle):
        for rep, stays in _by_rep(entry["visits"]).items():
            span = _span(asked["where"], stays, by_number.get(rep))
            base_deg = _base(asked["above"], stays, by_number.get(rep), found)
            if span is None or base_deg is None:
                continue
            ends = [None if end is None else round(end + base_deg, 1) for end in (asked["low_deg"], asked["high_deg"])]
            out.append([round(span[0], 2), round(span[1], 2), *ends])
    return out


def _by_rep(visits: Sequence[Mapping[str, Any]]) -> dict[Any, list[Mapping[str, Any]]]:
    found: dict[Any, list[Mapping[str, Any]]] = {}
    for visit in visits:
        found.setdefault(visit["rep"], []).append(visit)
    return found


def _span(where: str, stays: Sequence[Mapping[str, Any]], rep: Rep | None) -> tuple[float, float] | None:
    """From when to when a range is asked in a rep: the longest stay at its station, or the whole rep."""
    if where == "all":
        return None if rep is None else (float(rep["start_s"]), float(rep["end_s"]))
    at = [stay for stay in stays if stay["station"] == where or (where in ("top", "hold") and stay["top"])]
    longest = max(at, key=lambda stay: stay["end_s"] - stay["start_s"], default=None)
    return None if longest is None else (longest["start_s"], longest["end_s"])


def _base(above: str | None, stays: Sequence[Mapping[str, Any]], rep: Rep | None, found: curves.Curve) -> float | None:
    """The angle that a range counts from; None where it is not known."""
    if above is None:
        return 0.0
    if above == "start":
        span = None if rep is None else (float(rep["start_s"]), float(rep["start_s"]) + START_S)
    else:
        span = _span(above, stays, rep)
    if span is None:
        return None
    held_deg = found.known_deg(*span)
    return float(np.median(held_deg)) if len(held_deg) else None


def _band(ends: Sequence[Any] | None) -> list[float | None] | None:
    return None if ends is None else [float(end) if words.is_number(end) else None for end in ends]
